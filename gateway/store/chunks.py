"""A chunk: what is kept of one starter's readings over a stretch of time, a column a signal, to bytes and back.

The instants at which anything was kept stand once, in one column; each signal has the places of its samples among them, its values, and
what was flawed. To read one signal of a chunk the other signals need be neither unpacked nor checked: the head has a checksum of each
signal's bytes, the row one of the head.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import orjson
import zstandard
from numpy.typing import NDArray

from gateway.motors.reading import Flaw, Quality
from gateway.store.columns import pack_floats, pack_integers, unpack_floats, unpack_integers, unzipped

FORMAT = 1
_HEAD = struct.Struct("<BI")
_KEY = struct.Struct("<qqqqq")
_SIZES = 5
"""Where in the entry of a signal the sizes of its parts begin; before them stands the checksum over all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChunkSignal:
    """The kept samples of one signal.

    places: where among the chunk's instants each sample stands. values: NaN where there is no number. kind: `d` float, `q` integer,
    `?` bit, `t` text, `x` never a value. flaws: 0 for none, else the number of the flaw in the chunk, from 1. words: the same for texts.
    """

    kind: str
    places: NDArray[np.int64]
    values: NDArray[np.float64]
    flaws: NDArray[np.int64]
    words: NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Chunk:
    """Kept samples of one starter: instants in order, the clock that gave each (see `packing.TIME_SOURCES`), signals by key."""

    at: NDArray[np.int64]
    sources: NDArray[np.int64]
    signals: Mapping[str, ChunkSignal]
    flaws: tuple[Flaw, ...] = ()
    texts: tuple[str, ...] = field(default=())

    @property
    def samples(self) -> int:
        """Return how many samples of all signals are in it."""
        return sum(len(signal.places) for signal in self.signals.values())


def pack_chunk(chunk: Chunk) -> bytes:
    """Return a chunk as bytes."""
    parts = [pack_integers(chunk.at), pack_integers(chunk.sources)]
    common_sum = zlib.crc32(b"".join(parts))
    entries: list[list[Any]] = []
    for key, signal in chunk.signals.items():
        usable = signal.values[~np.isnan(signal.values)]
        own = [
            pack_integers(signal.places),
            _packed_values(signal.kind, usable) if len(usable) else b"",
            pack_integers(signal.flaws) if signal.flaws.any() else b"",
            pack_integers(signal.words) if signal.words.any() else b"",
            pack_integers((~np.isnan(signal.values)).astype(np.int64)) if 0 < len(usable) < len(signal.places) else b"",
        ]
        entries.append([key, signal.kind, len(signal.places), len(usable), zlib.crc32(b"".join(own)), *map(len, own)])
        parts += own
    head = {
        "n": len(chunk.at),
        "at": [len(parts[0]), len(parts[1])],
        "sum": common_sum,
        "signals": entries,
        "flaws": [[int(flaw.quality), flaw.reason] for flaw in chunk.flaws],
        "texts": chunk.texts,
    }
    packed_head = zstandard.ZstdCompressor(level=3).compress(orjson.dumps(head))
    return _HEAD.pack(FORMAT, len(packed_head)) + packed_head + b"".join(parts)


def unpack_chunk(body: bytes) -> Chunk:
    """Return the chunk that was packed; ValueError when the bytes are none or are damaged."""
    opened = _Opened(body)
    signals = {entry[0]: opened.signal(number) for number, entry in enumerate(opened.entries)}
    flaws = tuple(Flaw(Quality(severity), reason) for severity, reason in opened.head["flaws"])
    return Chunk(at=opened.at(), sources=opened.sources(), signals=signals, flaws=flaws, texts=tuple(opened.head["texts"]))


def samples_in(body: bytes, key: str) -> tuple[NDArray[np.int64], NDArray[np.float64]] | None:
    """Return instants and values of one signal of a packed chunk, NaN where there was no number; None when the signal is not in it.

    ValueError when what is needed of the chunk is damaged.
    """
    opened = _Opened(body)
    for number, entry in enumerate(opened.entries):
        if entry[0] == key:
            places, values = opened.samples(number)
            return opened.at()[places], values
    return None


def checksum(body: bytes, *key: int) -> int:
    """Return the CRC-32 of the head of a chunk and of the five numbers of its row that say whose it is."""
    whole = _HEAD.size + (_HEAD.unpack_from(body)[1] if len(body) >= _HEAD.size else 0)
    return zlib.crc32(body[:whole], zlib.crc32(_KEY.pack(*key)))


def is_sound(body: bytes, then: int, *key: int) -> bool:
    """Return whether a chunk is as it was written, every byte of it; `then` is the checksum in its row."""
    try:
        if checksum(body, *key) != then:
            return False
        if body:
            opened = _Opened(body)
            for number in range(len(opened.entries)):
                opened.parts(number)
            return len(body) == opened.end
    except (ValueError, struct.error):
        return False
    return True


class _Opened:
    """A packed chunk whose head was read."""

    def __init__(self, body: bytes) -> None:
        try:
            version, length = _HEAD.unpack_from(body)
            if version != FORMAT:
                raise ValueError(f"format {version}, this version knows {FORMAT}")
            self._body = body
            self._begin = _HEAD.size + length
            self.head = orjson.loads(unzipped(body[_HEAD.size : self._begin]))
        except (struct.error, zstandard.ZstdError, ValueError) as error:
            raise ValueError(f"not a chunk of samples: {error}") from error
        self.entries: list[list[Any]] = self.head["signals"]
        common = self._begin + sum(self.head["at"])
        if zlib.crc32(body[self._begin : common]) != self.head["sum"]:
            raise ValueError("the instants of a chunk are damaged")

    @property
    def end(self) -> int:
        """Return where the last signal's bytes end."""
        return int(self._begin + sum(self.head["at"]) + sum(sum(entry[_SIZES:]) for entry in self.entries))

    def at(self) -> NDArray[np.int64]:
        return unpack_integers(self._part(self._begin, self.head["at"][0]), self.head["n"])

    def sources(self) -> NDArray[np.int64]:
        first, second = self.head["at"]
        return unpack_integers(self._part(self._begin + first, second), self.head["n"])

    def samples(self, number: int) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        kind, count, usable = self.entries[number][1:4]
        places, values, _, _, has_value = self.parts(number)
        numbers = _unpacked_values(kind, values, usable) if usable else np.empty(0)
        if usable == count:
            return unpack_integers(places, count), numbers
        spread = np.full(count, np.nan)
        if usable:
            spread[unpack_integers(has_value, count) == 1] = numbers
        return unpack_integers(places, count), spread

    def signal(self, number: int) -> ChunkSignal:
        kind, count = self.entries[number][1:3]
        places, values = self.samples(number)
        _, _, flaws, words, _ = self.parts(number)
        none = np.zeros(count, np.int64)
        return ChunkSignal(
            kind=kind,
            places=places,
            values=values,
            flaws=unpack_integers(flaws, count) if flaws else none,
            words=unpack_integers(words, count) if words else none,
        )

    def parts(self, number: int) -> list[bytes]:
        """Return the bytes of one signal, checked."""
        entry = self.entries[number]
        begin = self._begin + sum(self.head["at"]) + sum(sum(before[_SIZES:]) for before in self.entries[:number])
        if zlib.crc32(self._part(begin, sum(entry[_SIZES:]))) != entry[_SIZES - 1]:
            raise ValueError(f"the samples of {entry[0]} in a chunk are damaged")
        parts = []
        for size in entry[_SIZES:]:
            parts.append(self._part(begin, size))
            begin += size
        return parts

    def _part(self, begin: int, size: int) -> bytes:
        return self._body[begin : begin + size]


def _packed_values(kind: str, values: NDArray[np.float64]) -> bytes:
    return pack_floats(values) if kind == "d" else pack_integers(values.astype(np.int64))


def _unpacked_values(kind: str, packed: bytes, count: int) -> NDArray[np.float64]:
    return unpack_floats(packed, count) if kind == "d" else unpack_integers(packed, count).astype(np.float64)
