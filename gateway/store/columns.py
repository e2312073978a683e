"""Columns of numbers to bytes and back, exactly: differences in the fewest bytes, bytes of equal weight side by side, then zstd where that
is shorter."""

from __future__ import annotations

import struct
import threading
from typing import Any

import numpy as np
import zstandard
from numpy.typing import NDArray

_LEVEL = 3
_HEAD = struct.Struct("<Bq")
_ZIPPED = 0x80
_WIDTHS = (0, 1, 2, 4, 8)
_MOST_DECIMALS = 4
_EXACT = 2.0**53
_FLOAT32, _FLOAT64 = 0x20, 0x21


def pack_integers(values: NDArray[np.int64]) -> bytes:
    """Return at least one integer as bytes.

    >>> packed = pack_integers(np.array([1_000_000, 2_000_001, 3_000_002]))
    >>> len(packed), unpack_integers(packed, 3).tolist()
    (17, [1000000, 2000001, 3000002])
    """
    with np.errstate(over="ignore"):
        steps = np.diff(values)
        folded = ((steps << 1) ^ (steps >> 63)).view(np.uint64)
    largest = int(folded.max()) if len(folded) else 0
    place = next(place for place, width in enumerate(_WIDTHS) if largest < 1 << (8 * width))
    body, zipped = _zipped(_shuffled(folded.astype(f"<u{_WIDTHS[place]}"))) if place else (b"", 0)
    return _HEAD.pack(place | zipped, int(values[0])) + body


def unpack_integers(packed: bytes, count: int) -> NDArray[np.int64]:
    """Return the integers that were packed."""
    code, first = _HEAD.unpack_from(packed)
    width = _WIDTHS[code & ~_ZIPPED]
    if not width or count <= 1:
        return np.full(count, first, np.int64)
    folded = _unshuffled(_unzipped(packed[_HEAD.size :], code), f"<u{width}")
    values = np.empty(count, np.int64)
    values[0] = first
    values[1:] = folded >> 1
    values[1:] ^= -(folded & 1).astype(np.int64)
    # Sums wrap around, as the differences did.
    return np.cumsum(values, out=values)


def pack_floats(values: NDArray[np.float64]) -> bytes:
    """Return at least one float as bytes, to the last bit: as decimals of up to four places where they are such, else in four bytes where
    that is exact, else in eight.

    >>> unpack_floats(pack_floats(np.array([12.5, 0.1, 400.0])), 3).tolist()
    [12.5, 0.1, 400.0]
    """
    if np.abs(values).max() < _EXACT / 10**_MOST_DECIMALS:
        for decimals in range(_MOST_DECIMALS + 1):
            whole = np.rint(values * 10.0**decimals).astype(np.int64)
            if _same_bits(whole / 10.0**decimals, values):
                return bytes([decimals]) + pack_integers(whole)
    with np.errstate(over="ignore"):
        short = values.astype("<f4")
    code, column = (_FLOAT32, short) if _same_bits(short.astype("<f8"), values) else (_FLOAT64, values.astype("<f8"))
    body, zipped = _zipped(_shuffled(column))
    return bytes([code | zipped]) + body


def unpack_floats(packed: bytes, count: int) -> NDArray[np.float64]:
    """Return the floats that were packed."""
    code = packed[0]
    if code <= _MOST_DECIMALS:
        return unpack_integers(packed[1:], count) / 10.0**code
    column = _unshuffled(_unzipped(packed[1:], code), "<f4" if code & ~_ZIPPED == _FLOAT32 else "<f8")
    return column.astype(np.float64)


def _same_bits(one: NDArray[np.float64], other: NDArray[np.float64]) -> bool:
    # Bits, not values: -0.0 is not 0.0.
    return one.tobytes() == other.tobytes()


def _shuffled(column: NDArray[np.generic]) -> bytes:
    return column.view(np.uint8).reshape(-1, column.itemsize).T.tobytes()


def _unshuffled(data: bytes, kind: str) -> NDArray[Any]:
    width = np.dtype(kind).itemsize
    if width == 1:
        return np.frombuffer(data, kind)
    return np.frombuffer(data, np.uint8).reshape(width, -1).T.copy().view(kind).reshape(-1)


def _zipped(data: bytes) -> tuple[bytes, int]:
    shorter = zstandard.ZstdCompressor(level=_LEVEL, write_content_size=True).compress(data)
    return (shorter, _ZIPPED) if len(shorter) < len(data) else (data, 0)


def _unzipped(data: bytes, code: int) -> bytes:
    return unzipped(data) if code & _ZIPPED else data


class _OfThread(threading.local):
    """A decompressor of each thread's own: making one costs as much as using it, and two threads may not use one."""

    def __init__(self) -> None:
        self.decompressor = zstandard.ZstdDecompressor()


_own = _OfThread()


def unzipped(data: bytes) -> bytes:
    """Return what zstd compressed; ZstdError when these bytes are no such."""
    return _own.decompressor.decompress(data)
