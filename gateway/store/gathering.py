"""From the stored readings of one starter to columns by signal, and from those to a chunk of what is worth keeping."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from gateway.instants import Instant
from gateway.motors.reading import Flaw
from gateway.store.chunks import Chunk, ChunkSignal
from gateway.store.keeping import EVERY_CHANGE, KEEPING, kept_places
from gateway.store.packing import JSON_KIND, Layout, unpack

TYPES = {"d": np.dtype("<f8"), "q": np.dtype("<i8"), "?": np.dtype("?")}
"""How the packed kinds lie in a reading."""
_KIND_ORDER = "x?qdt"
"""A column that had several kinds takes the last of them."""


class StoredReading(Protocol):
    """What is needed of a stored reading."""

    @property
    def at_us(self) -> int: ...
    @property
    def layout_id(self) -> int: ...
    @property
    def time_source(self) -> int: ...
    @property
    def packed(self) -> bytes: ...
    @property
    def extra(self) -> str | None: ...


def packed_columns(layout: Layout, packed: Sequence[bytes]) -> dict[str, NDArray[np.generic]]:
    """Return the numbers of packed readings of one layout, a column a key."""
    if not layout.packed_keys:
        return {}
    table = np.frombuffer(b"".join(packed), np.dtype({"names": layout.packed_keys, "formats": _formats(layout)}))
    return {key: table[key] for key in layout.packed_keys}


def packed_column(layout: Layout, key: str, packed: Sequence[bytes]) -> NDArray[np.generic]:
    """Return one of these columns."""
    return packed_columns(layout, packed)[key]


def _formats(layout: Layout) -> list[np.dtype[np.generic]]:
    return [TYPES[kind] for kind in layout.struct.format[1:]]


def gathered(rows: Sequence[StoredReading], layouts: Mapping[int, Layout], whole_spans: Sequence[tuple[Instant, Instant]] = ()) -> Chunk:
    """Return what is kept of at least one reading of one starter.

    whole_spans: stretches of time of which everything is kept, such as starts.
    """
    gathering = _Gathering(sorted(rows, key=lambda row: row.at_us))
    for layout_id, places in gathering.places_by_layout().items():
        gathering.take(layouts[layout_id], places)
    return gathering.chunk(whole_spans)


class _Column:
    """One signal over all readings."""

    def __init__(self, count: int) -> None:
        self.kinds: set[str] = set()
        self.is_read = np.zeros(count, bool)
        self.values = np.full(count, np.nan)
        self.flaws = np.zeros(count, np.int64)
        self.words = np.zeros(count, np.int64)

    @property
    def kind(self) -> str:
        return max(self.kinds, key=_KIND_ORDER.index)


class _Numbers(dict[object, int]):
    """Numbers from 1, in the order in which things first came."""

    def __missing__(self, key: object) -> int:
        self[key] = number = len(self) + 1
        return number


class _Gathering:
    def __init__(self, rows: Sequence[StoredReading]) -> None:
        self._rows = rows
        self._columns: dict[str, _Column] = defaultdict(lambda: _Column(len(rows)))
        self._flaws, self._texts = _Numbers(), _Numbers()

    def places_by_layout(self) -> dict[int, list[int]]:
        places: dict[int, list[int]] = defaultdict(list)
        for place, row in enumerate(self._rows):
            places[row.layout_id].append(place)
        return places

    def take(self, layout: Layout, places: list[int]) -> None:
        """Enter the readings of one layout into the columns."""
        rows = self._rows
        if layout.kinds == JSON_KIND:
            for place in places:
                self._take_one(layout, [place])
            return
        at = np.array(places)
        kinds = dict(zip(layout.packed_keys, layout.struct.format[1:], strict=True))
        for key, numbers in packed_columns(layout, [rows[place].packed for place in places]).items():
            column = self._columns[key]
            column.kinds.add(kinds[key])
            column.is_read[at] = True
            column.values[at] = numbers
        # Texts and flaws repeat from reading to reading: each different one is read once.
        same: dict[str, list[int]] = defaultdict(list)
        for place in places:
            extra = rows[place].extra
            if extra is not None:
                same[extra].append(place)
        for group in same.values():
            self._take_one(layout, group)

    def _take_one(self, layout: Layout, places: list[int]) -> None:
        """Enter all of one reading but its packed numbers, at every place where the same was said."""
        row = self._rows[places[0]]
        reading = unpack(layout, row.at_us, row.time_source, row.packed, row.extra)
        for key, value in reading.values.items():
            column = self._columns[key]
            if isinstance(value, str):
                column.kinds.add("t")
                column.is_read[places] = True
                column.words[places] = self._texts[value]
            elif layout.kinds == JSON_KIND:
                column.kinds.add("?" if isinstance(value, bool) else "d")
                column.is_read[places] = True
                column.values[places] = float(value)
        for key, flaw in reading.flaws.items():
            column = self._columns[key]
            column.kinds.add("x")
            column.is_read[places] = True
            column.flaws[places] = self._flaws[flaw]

    def chunk(self, whole_spans: Sequence[tuple[Instant, Instant]]) -> Chunk:
        at = np.array([row.at_us for row in self._rows], np.int64)
        whole = np.zeros(len(at), bool)
        for begin, end in whole_spans:
            whole[np.searchsorted(at, begin) : np.searchsorted(at, end, side="right")] = True
        kept = {key: self._kept(key, column, at, whole) for key, column in self._columns.items()}
        used = np.unique(np.concatenate(list(kept.values()))) if kept else np.array([0, len(at) - 1])
        signals = {key: self._signal(column, kept[key], used) for key, column in self._columns.items()}
        sources = np.array([row.time_source for row in self._rows], np.int64)
        flaws = tuple(flaw for flaw in self._flaws if isinstance(flaw, Flaw))
        texts = tuple(text for text in self._texts if isinstance(text, str))
        return Chunk(at=at[used], sources=sources[used], signals=signals, flaws=flaws, texts=texts)

    @staticmethod
    def _kept(key: str, column: _Column, at: NDArray[np.int64], whole: NDArray[np.bool_]) -> NDArray[np.int64]:
        read = np.flatnonzero(column.is_read)
        # One number for both: a change of either is a change.
        marks = (column.flaws * (1 << 20) + column.words)[read]
        return read[kept_places(at[read], column.values[read], marks, whole[read], KEEPING.get(key, EVERY_CHANGE))]

    @staticmethod
    def _signal(column: _Column, kept: NDArray[np.int64], used: NDArray[np.int64]) -> ChunkSignal:
        return ChunkSignal(
            kind=column.kind,
            places=np.searchsorted(used, kept),
            values=column.values[kept],
            flaws=column.flaws[kept],
            words=column.words[kept],
        )
