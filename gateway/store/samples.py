"""Samples of one signal out of packed readings, thinned to what a picture can show."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from gateway.instants import Instant
from gateway.store.gathering import StoredReading, packed_column
from gateway.store.packing import JSON_KIND, Layout, unpack


@dataclass(frozen=True, slots=True)
class Samples:
    """Instants and values of one signal, in time order. None: it had no usable value then, or a gap without readings begins."""

    at: list[Instant]
    values: list[float | None]


class Series(NamedTuple):
    """The same in arrays, NaN for None."""

    at: NDArray[np.int64]
    values: NDArray[np.float64]

    def samples(self) -> Samples:
        """Return it as lists."""
        values: list[float | None] = self.values.tolist()
        for place in np.flatnonzero(np.isnan(self.values)).tolist():
            values[place] = None
        return Samples(self.at.tolist(), values)


def joined(parts: Sequence[Series]) -> Series:
    """Return several series as one, in time order; of equal instants the order of the parts stands."""
    if not parts:
        return Series(np.empty(0, np.int64), np.empty(0))
    at, values = np.concatenate([part.at for part in parts]), np.concatenate([part.values for part in parts])
    if len(at) > 1 and (at[1:] < at[:-1]).any():
        order = np.argsort(at, kind="stable")
        return Series(at[order], values[order])
    return Series(at, values)


def within(series: Series, from_at: Instant, to_at: Instant) -> Series:
    """Return what lies in a span, both ends included; the series is in time order."""
    begin, end = np.searchsorted(series.at, from_at), np.searchsorted(series.at, to_at, side="right")
    return Series(series.at[begin:end], series.values[begin:end])


def series_of(key: str, rows: Sequence[StoredReading], layouts: Mapping[int, Layout]) -> Series:
    """Return one signal out of readings; those that did not read it give nothing."""
    by_layout: dict[int, list[StoredReading]] = defaultdict(list)
    for row in rows:
        by_layout[row.layout_id].append(row)
    return joined([_of_layout(key, layouts[layout_id], group) for layout_id, group in by_layout.items()])


def _of_layout(key: str, layout: Layout, group: Sequence[StoredReading]) -> Series:
    at = np.array([row.at_us for row in group], np.int64)
    if key in layout.packed_keys:
        return Series(at, packed_column(layout, key, [row.packed for row in group]).astype(np.float64))
    if key in layout.flawed_keys:
        return Series(at, np.full(len(group), np.nan))
    if layout.kinds != JSON_KIND:
        return joined([])
    found = [unpack(layout, row.at_us, 0, row.packed, row.extra) for row in group]
    read = [place for place, reading in enumerate(found) if key in reading.values or key in reading.flaws]
    numbers = [found[place].number(key) for place in read]
    return Series(at[read], np.array([np.nan if number is None else number for number in numbers], np.float64))


def thinned(series: Series, from_at: Instant, to_at: Instant, points: int) -> Series:
    """Return at most about `points` samples that draw the same picture: of each stretch the lowest and the highest, and a gap where there
    was one.

    >>> many = Series(np.arange(0, 1000, 10), np.array([float(n % 7) for n in range(100)]))
    >>> few = thinned(many, 0, 1000, 10)
    >>> len(few.at), float(few.values.min()), float(few.values.max())
    (10, 0.0, 6.0)
    """
    if len(series.at) <= points or to_at <= from_at:
        return series
    stretches = max(1, points // 2)
    at, values = series
    # The first instant of each stretch but the first: the whole numbers at or above from_at + k * span / stretches.
    bounds = from_at - (np.arange(1, stretches) * (from_at - to_at)) // stretches
    edges = np.unique(np.concatenate(([0], np.searchsorted(at, bounds), [len(at)])))
    begins = edges[:-1]
    missing = np.isnan(values)
    places = _extremes(values, missing, begins, len(at))
    if missing.any():
        places += [_firsts(missing, begins, len(at))]
    keep = np.unique(np.concatenate(places))
    return Series(at[keep], values[keep])


def _extremes(values: NDArray[np.float64], missing: NDArray[np.bool_], begins: NDArray[np.int64], count: int) -> list[NDArray[np.int64]]:
    """Return the places of the first lowest and the first highest usable value from each begin to the next."""
    lengths = np.diff(np.append(begins, count))
    places = []
    for extreme, worst in ((np.minimum, np.inf), (np.maximum, -np.inf)):
        filled = np.where(missing, worst, values)
        found = filled == np.repeat(extreme.reduceat(filled, begins), lengths)
        places.append(_firsts(found & ~missing, begins, count))
    return places


def _firsts(marked: NDArray[np.bool_], begins: NDArray[np.int64], count: int) -> NDArray[np.int64]:
    """Return the first marked place from each begin to the next."""
    places = np.flatnonzero(marked)
    stretch = np.searchsorted(begins, places, side="right")
    is_first = np.ones(len(places), bool)
    is_first[1:] = stretch[1:] != stretch[:-1]
    return places[is_first]
