"""The signals of one starter as they are read at present, and what they say together: when current flows, how many starts were seen."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from gateway.bench.series import Floats, Series

PHASES = ("current_l1", "current_l2", "current_l3")
CURRENTS = ("current", *PHASES)
SLACK_S = 0.35
"""Status and current may come in different requests and be renewed at different moments."""


@dataclass(frozen=True, eq=False)
class Company:
    """The series of one starter by signal key, each as it is read at present.

    flc_a: full-load current where the user told it, else None.
    """

    by_key: Mapping[str, Series]
    flc_a: float | None = None

    def series(self, key: str) -> Series | None:
        """Return a series that has values, None otherwise."""
        found = self.by_key.get(key)
        return found if found is not None and found.known.size else None

    @cached_property
    def is_fed(self) -> Floats | None:
        """1 while the motor takes current, 0 while not, by most of the currents; None when no current tells standstill from running."""
        votes = [fed for key in CURRENTS if (each := self.series(key)) is not None and (fed := _fed(each)) is not None]
        return None if not votes else np.round(middle(votes))

    @cached_property
    def starts_seen(self) -> int | None:
        """How often the motor began to take current, None when the currents do not tell."""
        fed = self.is_fed
        return None if fed is None else int(np.count_nonzero(np.diff(fed) > 0))


def _fed(series: Series) -> Floats | None:
    """Return when a current flows, None when it flows always or never, or is no current at all."""
    low, high = series.span
    if high <= 0 or low > 0.05 * high or low < 0:
        return None
    return np.where(np.isnan(series.values), math.nan, (series.values > 0.05 * high).astype(float))


def middle(courses: Sequence[Floats]) -> Floats:
    """Return the median of several courses moment by moment; NaN where none of them is known: such a moment says nothing."""
    if len(courses) == 1:
        return courses[0]
    # NaN is sorted behind all numbers, so that the known ones of a moment stand first.
    ranked = np.sort(np.stack(courses), axis=0)
    known = np.count_nonzero(~np.isnan(ranked), axis=0)
    moments = np.arange(ranked.shape[1])
    middle: Floats = (ranked[np.maximum(known - 1, 0) // 2, moments] + ranked[known // 2, moments]) / 2
    return middle


def lasting(wrong: npt.NDArray[np.bool_], at_s: Floats) -> npt.NDArray[np.bool_]:
    """Leave out disagreements shorter than the slack: they may come from the moment of reading."""
    kept = wrong.copy()
    if len(at_s) < 3:
        return kept
    edges = np.flatnonzero(np.diff(np.concatenate(([0], wrong.astype(int), [0]))))
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        if at_s[min(end, len(at_s) - 1)] - at_s[begin] <= SLACK_S:
            kept[begin:end] = False
    return kept
