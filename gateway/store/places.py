"""Whose readings stand where in a block: the numbers of each starter's readings, a few bytes a reading, so that one starter's readings are
found without going through those of all others. An index in the database would do the same at the cost of a page a starter a commit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import zstandard
from numpy.typing import NDArray

from gateway.store.columns import pack_integers, unpack_integers

_HEAD_NUMBERS = 2


def pack_places(ids: Mapping[int, Sequence[int]]) -> bytes:
    """Return the reading numbers of each starter as bytes.

    >>> packed = pack_places({7: [100, 102, 104], 9: [101, 103]})
    >>> places_of(packed, 9).tolist(), places_of(packed, 8).tolist()
    ([101, 103], [])
    """
    starters = np.array(sorted(ids), np.int64)
    counts = np.array([len(ids[starter]) for starter in starters.tolist()], np.int64)
    numbers = np.concatenate([np.array(ids[starter], np.int64) for starter in starters.tolist()])
    parts = [pack_integers(starters), pack_integers(counts), pack_integers(numbers)]
    head = np.array([len(starters), *map(len, parts[:_HEAD_NUMBERS])], "<u4").tobytes()
    return zstandard.ZstdCompressor(level=1).compress(head + b"".join(parts))


def places_of(packed: bytes, starter_id: int) -> NDArray[np.int64]:
    """Return the reading numbers of one starter, ascending; none when it has none."""
    body = zstandard.ZstdDecompressor().decompress(packed)
    count, first, second = np.frombuffer(body, "<u4", 3).tolist()
    starters = unpack_integers(body[12 : 12 + first], count)
    place = int(np.searchsorted(starters, starter_id))
    if place == count or starters[place] != starter_id:
        return np.empty(0, np.int64)
    counts = unpack_integers(body[12 + first : 12 + first + second], count)
    begin = int(counts[:place].sum())
    numbers = unpack_integers(body[12 + first + second :], int(counts.sum()))
    return numbers[begin : begin + int(counts[place])]
