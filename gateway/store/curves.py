"""A start curve to bytes and back, to the last bit: a column a signal, bytes of equal weight side by side (they repeat), then zstd."""

from __future__ import annotations

import json
import struct

import numpy as np
import zstandard

from gateway.motors.records import Curve

FORMAT = 1
_HEAD = struct.Struct("<BIH")
_LEVEL = 3


def pack_curve(curve: Curve) -> bytes:
    """Return a curve as bytes. No value is kept as NaN, which no value ever is.

    >>> curve = Curve(at_s=(0.0, 0.1), columns={"current": (1.5, None)})
    >>> unpack_curve(pack_curve(curve)) == curve
    True
    """
    rows = [curve.at_s, *curve.columns.values()]
    table = np.array([[np.nan if value is None else value for value in row] for row in rows], dtype="<f8")
    keys = json.dumps(list(curve.columns)).encode()
    weights = np.ascontiguousarray(table).view(np.uint8).reshape(-1, 8).T.tobytes()
    return _HEAD.pack(FORMAT, len(curve.at_s), len(keys)) + keys + zstandard.ZstdCompressor(level=_LEVEL).compress(weights)


def unpack_curve(body: bytes) -> Curve:
    """Return the curve that was packed; ValueError when the bytes are none."""
    try:
        version, count, key_bytes = _HEAD.unpack_from(body)
        keys = json.loads(body[_HEAD.size : _HEAD.size + key_bytes])
        weights = zstandard.ZstdDecompressor().decompress(body[_HEAD.size + key_bytes :])
    except (struct.error, zstandard.ZstdError, ValueError) as error:
        raise ValueError(f"not a start curve: {error}") from error
    if version != FORMAT:
        raise ValueError(f"a start curve of format {version}, this version knows {FORMAT}")
    table = np.frombuffer(weights, np.uint8).reshape(8, -1).T.copy().view("<f8").reshape(len(keys) + 1, count)
    return Curve(at_s=tuple(table[0].tolist()), columns={key: _values(row) for key, row in zip(keys, table[1:], strict=True)})


def _values(row: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> tuple[float | None, ...]:
    return tuple(None if value != value else value for value in row.tolist())
