"""A reading to a row and back, to the last bit.

The values of a reading go into one blob, in the order of its layout: 8 bytes a float or integer, 1 byte a bit. What does not fit (texts,
reasons of flaws) goes into a JSON text that most readings do not have. Kinds: `d` float, `q` integer, `?` bit, `t` text, `x` no value but
a flaw. A starter whose readings take ever new shapes is no reason to grow for ever: beyond `MOST_LAYOUTS` its readings are kept as JSON
(kind `j`), which is larger, not lossy.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple
from zlib import crc32

from gateway.instants import Instant
from gateway.motors.reading import NO_FLAWS, Flaw, Quality, Reading, Scalar, TimeSource

MOST_LAYOUTS = 256
JSON_KIND = "j"

TIME_SOURCES = tuple(TimeSource)
_SOURCE_NUMBERS = {source: number for number, source in enumerate(TIME_SOURCES)}
_PACKED_KINDS = "dq?"


class Layout:
    """Keys and kinds of a starter's packed readings. Equal ones are one object in a Packer."""

    __slots__ = ("keys", "kinds", "packed_keys", "struct", "text_keys", "value_keys")

    def __init__(self, keys: tuple[str, ...], kinds: str) -> None:
        self.keys = keys
        self.kinds = kinds
        pairs = tuple(zip(keys, kinds, strict=True)) if kinds != JSON_KIND else ()
        self.packed_keys = tuple(key for key, kind in pairs if kind in _PACKED_KINDS)
        self.text_keys = tuple(key for key, kind in pairs if kind == "t")
        self.value_keys = tuple(key for key, kind in pairs if kind != "x")
        self.struct = struct.Struct("<" + "".join(kind for _, kind in pairs if kind in _PACKED_KINDS))

    @property
    def flawed_keys(self) -> tuple[str, ...]:
        """Keys that have a flaw and no value."""
        return tuple(key for key, kind in zip(self.keys, self.kinds, strict=False) if kind == "x")


class PackedReading(NamedTuple):
    """A reading ready to be stored. (A named tuple because one is made for every poll.)"""

    layout: Layout
    at: Instant
    time_source: int
    packed: bytes
    extra: str | None

    @property
    def size_bytes(self) -> int:
        """Return about how much memory it holds while it waits."""
        return 150 + len(self.packed) + (len(self.extra) if self.extra else 0)


def checksum_of(number: int, starter_id: int, layout_id: int, at: Instant, source: int, packed: bytes, extra: str | None) -> int:
    """Return the CRC-32 of a reading as stored. What is not in its bytes goes into the register's first value, so that one flipped bit
    anywhere changes the sum."""
    found = crc32(packed, (at ^ at >> 32 ^ number * 0x9E3779B1 ^ starter_id << 20 ^ layout_id << 8 ^ source) & 0xFFFFFFFF)
    return found if extra is None else crc32(extra.encode(), found)


def is_sound(row: Sequence[Any]) -> bool:
    """Return whether a stored reading, all its columns in their order, is as it was written; one from before there were checksums is taken
    as such."""
    number, starter_id, layout_id, at, source, packed, extra, then = row
    if then is None:
        return True
    return bool(then == checksum_of(number, starter_id, layout_id, at, source, packed, extra))


class Packer:
    """Packs one starter's readings; knows the layouts that it has seen."""

    def __init__(self) -> None:
        self._layouts: dict[tuple[object, ...], Layout] = {}
        self._json = Layout((), JSON_KIND)

    def pack(self, reading: Reading) -> PackedReading:
        """Return a reading as a row."""
        values, flaws = reading.values, reading.flaws
        shape = (*values, *map(type, values.values()), *flaws) if flaws else (*values, *map(type, values.values()))
        layout = self._layouts.get(shape)
        if layout is None:
            layout = self._new_layout(shape, values, flaws)
        source = _SOURCE_NUMBERS[reading.time_source]
        if layout.kinds != JSON_KIND:
            try:
                if layout.text_keys:
                    packed = layout.struct.pack(*[values[key] for key in layout.packed_keys])
                else:
                    packed = layout.struct.pack(*values.values())
            except struct.error:
                pass  # an integer beyond 64 bits signed: JSON takes it
            else:
                extra = _extra(layout, values, flaws) if flaws or layout.text_keys else None
                return PackedReading(layout, reading.at, source, packed, extra)
        return PackedReading(self._json, reading.at, source, b"", _as_json(reading))

    def _new_layout(self, shape: tuple[object, ...], values: Mapping[str, Scalar], flaws: Mapping[str, Flaw]) -> Layout:
        if len(self._layouts) >= MOST_LAYOUTS:
            return self._json
        only_flawed = tuple(key for key in flaws if key not in values)
        kinds = "".join(_kind_of(value) for value in values.values()) + "x" * len(only_flawed)
        layout = Layout((*values, *only_flawed), kinds)
        self._layouts[shape] = layout
        return layout


def unpack(layout: Layout, at: Instant, time_source: int, packed: bytes, extra: str | None) -> Reading:
    """Return the reading that was packed."""
    source = TIME_SOURCES[time_source]
    if layout.kinds == JSON_KIND:
        return _from_json(extra or "{}", at, source)
    numbers = layout.struct.unpack(packed)
    if extra is None:
        return Reading(at, dict(zip(layout.keys, numbers, strict=True)), NO_FLAWS, source)
    more = json.loads(extra)
    found: dict[str, Scalar] = dict(zip(layout.packed_keys, numbers, strict=True))
    found.update(zip(layout.text_keys, more.get("texts", ()), strict=True))
    values = {key: found[key] for key in layout.value_keys}
    return Reading(at, values, _flaws_from(layout, more), source)


def _kind_of(value: Scalar) -> str:
    if isinstance(value, bool):
        return "?"
    if isinstance(value, int):
        return "q"
    return "t" if isinstance(value, str) else "d"


def _extra(layout: Layout, values: Mapping[str, Scalar], flaws: Mapping[str, Flaw]) -> str:
    """Texts in the layout's order; flaws without a value as [severity, reason] in its order, once when all are the same; others by key."""
    more: dict[str, Any] = {}
    if layout.text_keys:
        more["texts"] = [values[key] for key in layout.text_keys]
    lost = [[int(flaws[key].quality), flaws[key].reason] for key in layout.flawed_keys]
    if lost:
        more["lost"] = lost[:1] if all(entry == lost[0] for entry in lost) else lost
    doubtful = {key: [int(flaw.quality), flaw.reason] for key, flaw in flaws.items() if key in values}
    if doubtful:
        more["doubtful"] = doubtful
    return json.dumps(more, separators=(",", ":"))


def _flaws_from(layout: Layout, more: Mapping[str, Any]) -> Mapping[str, Flaw]:
    lost, keys = more.get("lost", ()), layout.flawed_keys
    if len(lost) == 1:
        flaws = dict.fromkeys(keys, Flaw(Quality(lost[0][0]), lost[0][1]))
    else:
        flaws = {key: Flaw(Quality(severity), reason) for key, (severity, reason) in zip(keys, lost, strict=True)}
    flaws.update((key, Flaw(Quality(severity), reason)) for key, (severity, reason) in more.get("doubtful", {}).items())
    return flaws or NO_FLAWS


def _as_json(reading: Reading) -> str:
    flaws = {key: [int(flaw.quality), flaw.reason] for key, flaw in reading.flaws.items()}
    return json.dumps({"values": dict(reading.values), "flaws": flaws}, separators=(",", ":"))


def _from_json(text: str, at: Instant, source: TimeSource) -> Reading:
    found = json.loads(text)
    flaws = {key: Flaw(Quality(severity), reason) for key, (severity, reason) in found.get("flaws", {}).items()}
    return Reading(at, found.get("values", {}), flaws or NO_FLAWS, source)
