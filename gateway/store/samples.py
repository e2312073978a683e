"""Samples of one signal out of packed readings, thinned to what a picture can show."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from gateway.instants import Instant
from gateway.store.packing import Layout, unpack

_WIDTHS = {"d": 8, "q": 8, "?": 1}
_TYPES = {"d": np.dtype("<f8"), "q": np.dtype("<i8"), "?": np.dtype("?")}


@dataclass(frozen=True, slots=True)
class Samples:
    """Instants and values of one signal, in time order. None: it was read and had no usable value then."""

    at: list[Instant]
    values: list[float | None]


class ReadingRow(Protocol):
    """What is needed of a stored reading."""

    @property
    def at_us(self) -> int: ...
    @property
    def layout_id(self) -> int: ...
    @property
    def packed(self) -> bytes: ...
    @property
    def extra(self) -> str | None: ...


def samples_of(key: str, rows: Sequence[ReadingRow], layouts: Mapping[int, Layout]) -> Samples:
    """Return the samples of one signal; readings that did not read it give none."""
    by_layout: dict[int, list[ReadingRow]] = defaultdict(list)
    for row in rows:
        by_layout[row.layout_id].append(row)
    times: list[np.ndarray[tuple[int], np.dtype[np.int64]]] = []
    values: list[np.ndarray[tuple[int], np.dtype[np.float64]]] = []
    for layout_id, group in by_layout.items():
        kept, column = _column(key, layouts[layout_id], group)
        times.append(np.array([row.at_us for row in kept], np.int64))
        values.append(column)
    if not times:
        return Samples([], [])
    at, value = np.concatenate(times), np.concatenate(values)
    order = np.argsort(at, kind="stable")
    return _samples(at[order], value[order])


def _column(
    key: str, layout: Layout, group: Sequence[ReadingRow]
) -> tuple[Sequence[ReadingRow], np.ndarray[tuple[int], np.dtype[np.float64]]]:
    """Return the rows of one layout that read the signal, and its values there, NaN where there was none."""
    if key in layout.packed_keys:
        kinds = layout.struct.format[1:]
        place = layout.packed_keys.index(key)
        offset = sum(_WIDTHS[kind] for kind in kinds[:place])
        kind, size = kinds[place], layout.struct.size
        table = np.frombuffer(b"".join(row.packed for row in group), np.uint8).reshape(-1, size)
        cells = np.ascontiguousarray(table[:, offset : offset + _WIDTHS[kind]]).view(_TYPES[kind])
        return group, cells.reshape(-1).astype(np.float64)
    if key in layout.flawed_keys:
        return group, np.full(len(group), np.nan)
    if layout.kinds != "j":
        return (), np.empty(0)
    found = [unpack(layout, row.at_us, 0, row.packed, row.extra) for row in group]
    read = [(row, reading) for row, reading in zip(group, found, strict=True) if key in reading.values or key in reading.flaws]
    numbers = [reading.number(key) for _, reading in read]
    return [row for row, _ in read], np.array([np.nan if number is None else number for number in numbers], np.float64)


def thinned(samples: Samples, from_at: Instant, to_at: Instant, points: int) -> Samples:
    """Return at most about `points` samples that draw the same picture: of each stretch the lowest and the highest, and a gap where there
    was one.

    >>> many = Samples(list(range(0, 1000, 10)), [float(n % 7) for n in range(100)])
    >>> few = thinned(many, 0, 1000, 10)
    >>> len(few.at), min(few.values), max(few.values)
    (10, 0.0, 6.0)
    """
    if len(samples.at) <= points or to_at <= from_at:
        return samples
    stretches = max(1, points // 2)
    at = np.array(samples.at, np.int64)
    values = np.array([np.nan if value is None else value for value in samples.values], np.float64)
    stretch = np.minimum((at - from_at) * stretches // (to_at - from_at), stretches - 1)
    edges = np.flatnonzero(np.diff(stretch)) + 1
    picked: list[int] = []
    for begin, end in zip([0, *edges.tolist()], [*edges.tolist(), len(at)], strict=True):
        picked += _lowest_and_highest(values[begin:end], begin)
    keep = np.array(picked, np.int64)
    return _samples(at[keep], values[keep])


def _lowest_and_highest(values: np.ndarray[tuple[int], np.dtype[np.float64]], begin: int) -> list[int]:
    usable = np.flatnonzero(~np.isnan(values))
    if not len(usable):
        return [begin]
    ends = {int(usable[np.argmin(values[usable])]), int(usable[np.argmax(values[usable])])}
    missing = np.flatnonzero(np.isnan(values))
    if len(missing):
        ends.add(int(missing[0]))
    return [begin + place for place in sorted(ends)]


def _samples(at: np.ndarray[tuple[int], np.dtype[np.int64]], values: np.ndarray[tuple[int], np.dtype[np.float64]]) -> Samples:
    return Samples(at.tolist(), [None if value != value else value for value in values.tolist()])
