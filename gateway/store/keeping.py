"""Which samples of a signal are kept for long. Steady running is kept by exception, everything else whole.

A sample is kept when it lies further than the deadband from the last one kept, when the longest interval has passed, and whenever quality
or state changes; then the sample before it is kept too, so that a line from sample to sample shows a step as a step. Of each chunk the
first, the last, the lowest and the highest are kept. Nothing that is kept is rounded. What is not kept lay within one deadband of the
kept sample before it.

The deadbands are own choices, common practice, no source: about the last digit that instruments of this kind are good for. A signal that
the gateway does not know has none: every change of it is kept.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gateway.instants import SECOND, Instant

LONGEST_S = 300.0
"""Longest time between two kept samples of a signal that is read and does not move."""
HOLE: Instant = 90 * SECOND
"""Where readings are further apart than this the samples on both sides are kept."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Keeping:
    """What is enough of a signal while it is steady.

    share: deadband as a part of the last kept value. floor: the least deadband, in the unit of the signal. longest_s: see `LONGEST_S`.
    """

    share: float = 0.0
    floor: float = 0.0
    longest_s: float = LONGEST_S


_CURRENT = Keeping(share=0.01, floor=0.1)
_VOLTAGE = Keeping(share=0.005, floor=0.5)
_TEMPERATURE = Keeping(floor=0.5)
EVERY_CHANGE = Keeping()
KEEPING: dict[str, Keeping] = {
    "current": _CURRENT,
    "current_l1": _CURRENT,
    "current_l2": _CURRENT,
    "current_l3": _CURRENT,
    "voltage": _VOLTAGE,
    "motor_voltage": _VOLTAGE,
    "power": Keeping(share=0.01, floor=0.05),
    "power_factor": Keeping(floor=0.01),
    "frequency": Keeping(floor=0.02),
    "speed": Keeping(share=0.002, floor=1.0),
    "running_hours": Keeping(floor=0.1),
    "winding_temperature": _TEMPERATURE,
    "ambient_temperature": _TEMPERATURE,
    "thermal_used": Keeping(floor=0.5),
}
"""By role; see the handbook page on the store."""


def kept_places(
    at: NDArray[np.int64], values: NDArray[np.float64], marks: NDArray[np.int64], whole: NDArray[np.bool_], keeping: Keeping
) -> NDArray[np.int64]:
    """Return the places of the samples to be kept, ascending.

    at: instants in order. values: NaN where there is no number. marks: what else tells samples apart, such as their flaw or their text; a
    change of it is always kept. whole: samples that are kept in any case.

    >>> at, values = np.arange(6) * 1_000_000, np.array([50.0, 50.1, 50.2, 50.1, 58.0, 58.1])
    >>> kept_places(at, values, np.zeros(6, np.int64), np.zeros(6, bool), Keeping(share=0.01)).tolist()
    [0, 3, 4, 5]
    """
    keep = whole.copy()
    keep[0] = keep[-1] = True
    changed = marks[1:] != marks[:-1]
    changed |= np.isnan(values[1:]) != np.isnan(values[:-1])
    changed |= np.diff(at) > HOLE
    moves = bool(keeping.share or keeping.floor)
    if not moves:
        with np.errstate(invalid="ignore"):
            changed |= (values[1:] != values[:-1]) & ~np.isnan(values[1:])
    keep[1:] |= changed
    keep[:-1] |= changed
    lowest = highest = 0
    if not np.isnan(values).all():
        lowest, highest = int(np.nanargmin(values)), int(np.nanargmax(values))
        keep[lowest] = keep[highest] = True
    # Before the exceptions: they are measured from whatever sample was kept last.
    _keep_at_least(at, keep, round(keeping.longest_s * SECOND))
    if moves and values[lowest] < values[highest]:
        _keep_exceptions(values, keep, keeping)
    return np.flatnonzero(keep)


def _keep_exceptions(values: NDArray[np.float64], keep: NDArray[np.bool_], keeping: Keeping) -> None:
    """Mark what leaves the deadband, with the sample before it."""
    floor, share = keeping.floor, keeping.share
    lower = upper = 0.0
    more: list[int] = []
    for place, (value, is_kept) in enumerate(zip(values.tolist(), keep.tolist(), strict=True)):
        leaves = not lower <= value <= upper and value == value
        if leaves and place:
            more += (place - 1, place)
        elif not is_kept:
            continue
        band = max(floor, share * abs(value))
        lower, upper = value - band, value + band
    keep[more] = True


def _keep_at_least(at: NDArray[np.int64], keep: NDArray[np.bool_], longest_us: int) -> None:
    """Mark a sample in every longest interval without one."""
    kept = np.flatnonzero(keep)
    far = np.flatnonzero(np.diff(at[kept]) > longest_us)
    for begin, end in zip(kept[far].tolist(), kept[far + 1].tolist(), strict=True):
        due = np.searchsorted(at[begin:end], np.arange(at[begin] + longest_us, at[end], longest_us)) + begin
        keep[due[due < end]] = True
