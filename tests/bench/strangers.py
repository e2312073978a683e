"""Devices that nobody here has seen, and maps of them with known mistakes: made from a seed, packed with `struct`, no code of ours."""

from __future__ import annotations

import math
import random
import struct
from dataclasses import dataclass, field, replace

from tests.bench.stranger_motors import Motor

HOLDING, INPUT = "holding", "input"
FUNCTION = {HOLDING: 3, INPUT: 4}
FLAGS = ("running", "starting", "at_speed", "tripped")
PACKED = {
    "uint16": ">H",
    "int16": ">h",
    "uint32": ">I",
    "int32": ">i",
    "float32": ">f",
    "float64": ">d",
    "uint64": ">Q",
    "int64": ">q",
}
UNITS = {
    "current": "A",
    "current_l1": "A",
    "current_l2": "A",
    "current_l3": "A",
    "voltage": "V",
    "power": "kW",
    "frequency": "Hz",
    "speed": "rpm",
    "running_hours": "h",
    "winding_temperature": "degC",
    "ambient_temperature": "degC",
    "thermal_used": "%",
    "set_flc": "A",
    "set_ramp_time": "s",
}
CURRENT = (
    ("uint16", 0.1),
    ("uint16", 0.01),
    ("int16", 0.1),
    ("uint32", 0.001),
    ("uint32", 0.01),
    ("int32", 0.1),
    ("float32", 1),
    ("float64", 1),
)
KINDS: dict[str, tuple[tuple[str, float], ...]] = {
    "current": CURRENT,
    "current_l1": CURRENT,
    "current_l2": CURRENT,
    "current_l3": CURRENT,
    "voltage": (("uint16", 0.1), ("uint16", 1), ("int16", 1), ("uint32", 0.1), ("float32", 1)),
    "power": (("int16", 0.1), ("int32", 0.001), ("uint32", 0.01), ("float32", 1), ("int32", 0.1)),
    "power_factor": (("int16", 0.001), ("int16", 0.01), ("float32", 1)),
    "frequency": (("uint16", 0.01), ("uint16", 0.1), ("float32", 1)),
    "speed": (("uint16", 1), ("int16", 1), ("float32", 1)),
    "start_count": (("uint16", 1), ("uint32", 1), ("uint64", 1)),
    "running_hours": (("uint32", 1), ("uint32", 0.1), ("float32", 1), ("float64", 1), ("uint16", 1)),
    "winding_temperature": (("int16", 0.1), ("int16", 1), ("float32", 1)),
    "ambient_temperature": (("int16", 0.1), ("int16", 1), ("float32", 1)),
    "thermal_used": (("uint16", 1), ("uint16", 0.1), ("float32", 1)),
    "trip_code": (("uint16", 1),),
    "set_flc": (("uint16", 0.1), ("float32", 1), ("uint32", 0.01)),
    "set_ramp_time": (("uint16", 0.1), ("uint16", 1), ("float32", 1)),
}
MOSTLY = ("current", "current_l1", "current_l2", "current_l3", "voltage", "start_count", "trip_code")
SOMETIMES = (
    "power",
    "power_factor",
    "frequency",
    "speed",
    "running_hours",
    "winding_temperature",
    "ambient_temperature",
    "thermal_used",
    "set_flc",
    "set_ramp_time",
)


@dataclass(frozen=True)
class Line:
    """How one value lies in a device, or how a map says that it does. bit: of a flag."""

    name: str
    table: str
    first: int
    type: str
    scale: float = 1.0
    low_words: bool = False
    low_bytes: bool = False
    bit: int | None = None

    @property
    def count(self) -> int:
        return 1 if self.bit is not None else struct.calcsize(PACKED[self.type]) // 2

    def words(self, value: float) -> list[int]:
        """Return the registers that hold a value."""
        raw = value / self.scale
        whole = not self.type.startswith("float")
        octets = struct.pack(PACKED[self.type], round(raw) if whole else raw)
        return ordered([octets[at : at + 2] for at in range(0, len(octets), 2)], self.low_words, self.low_bytes)

    def value(self, words: list[int]) -> float:
        """Return what registers mean."""
        if self.bit is not None:
            word = words[0] if not self.low_bytes else (words[0] >> 8) | (words[0] & 0xFF) << 8
            return float(word >> self.bit & 1)
        again = ordered([struct.pack(">H", word) for word in words], self.low_words, self.low_bytes)
        number = struct.unpack(PACKED[self.type], b"".join(struct.pack(">H", word) for word in again))[0]
        return float(number) * self.scale


def ordered(pairs: list[bytes], low_words: bool, low_bytes: bool) -> list[int]:
    if low_words:
        pairs = pairs[::-1]
    return [int.from_bytes(pair, "little" if low_bytes else "big") for pair in pairs]


@dataclass
class Stranger:
    """A device. other: what it does when the other table is asked: 2 and 1 exceptions, 0 zeros."""

    rng: random.Random
    motor: Motor
    lines: list[Line] = field(default_factory=list)
    filler: dict[tuple[str, int], int] = field(default_factory=dict)
    status_rest: int = 0
    other: int = 2
    first_address: int = 0

    def image(self, at_s: float) -> dict[tuple[str, int], int]:
        """Return every word that it has at a moment."""
        cells, values = dict(self.filler), self.motor.values(at_s)
        for line in self.lines:
            if line.bit is None:
                for place, word in enumerate(line.words(values[line.name])):
                    cells[line.table, line.first + place] = word
            else:
                key = (line.table, line.first)
                bit = 1 << ((line.bit + 8) % 16 if line.low_bytes else line.bit)
                cells[key] = cells.get(key, self.status_rest) & ~bit | (bit if values[line.name] else 0)
        return cells

    def answer(self, cells: dict[tuple[str, int], int], function: int, first: int, count: int) -> list[int] | int:
        """Return the words of a request, or the code of an exception."""
        table = {3: HOLDING, 4: INPUT}.get(function)
        if table is None:
            return 1
        if self.other != 2 and not any(own == table for own, _ in cells):
            return 1 if self.other == 1 else [0] * count
        found = [cells.get((table, first + place)) for place in range(count)]
        known = [word for word in found if word is not None]
        return known if len(known) == count else 2


def stranger(seed: int, *, is_small: bool | None = None) -> Stranger:
    """Return the device of a seed."""
    rng = random.Random(seed)
    device = Stranger(rng, Motor(rng, is_small))
    device.first_address, device.other = rng.choice([0, 1]), rng.choice([2, 2, 2, 1, 0])
    names = [name for name in MOSTLY if rng.random() < 0.85] + [name for name in SOMETIMES if rng.random() < 0.55]
    if not {"current", "current_l1"} & set(names):
        names.insert(0, "current")
    low_words, low_bytes = rng.random() < 0.5, rng.random() < 0.15
    measured, settings = rng.choice([(HOLDING, HOLDING), (INPUT, HOLDING), (INPUT, INPUT), (HOLDING, HOLDING)])
    status_at = {HOLDING: rng.randint(0, 400), INPUT: rng.randint(0, 400)}
    bits = rng.sample(range(16), len(FLAGS))
    device.status_rest = rng.choice([0, 0, rng.getrandbits(16)])
    device.lines = [
        Line(name, measured, status_at[measured], "uint16", low_bytes=low_bytes, bit=bit) for name, bit in zip(FLAGS, bits, strict=True)
    ]
    at = {HOLDING: status_at[HOLDING] + 1, INPUT: status_at[INPUT] + 1}
    style = rng.choice(["16", "32", "mixed"])
    for name in names:
        table = settings if name.startswith("set_") else measured
        at[table] += rng.choice([0, 0, 0, 1, 2, 6])
        kind, scale = _kind(rng, device.motor, name, style)
        line = Line(name, table, at[table], kind, scale, low_words, low_bytes)
        device.lines.append(line)
        at[table] += line.count
    _fill(rng, device, status_at, at)
    return device


def _kind(rng: random.Random, motor: Motor, name: str, style: str) -> tuple[str, float]:
    fitting = []
    for kind, scale in KINDS[name]:
        highest = max(abs(motor.values(at_s)[name]) for at_s in (0.0, 5.7, 6.0, 60.0)) * 1.2
        room = {"uint16": 65_000, "int16": 32_000, "uint32": 4e9, "int32": 2e9}.get(kind, math.inf)
        fine = scale <= max(motor.flc_a / 15, 0.01) if "current" in name or name == "set_flc" else True
        wide = kind not in ("uint16", "int16")
        if highest / scale <= room and fine and (style == "mixed" or wide == (style == "32")):
            fitting.append((kind, scale))
    if not fitting:
        return ("float32", 1.0) if name not in ("trip_code", "start_count") else ("uint16", 1.0)
    return rng.choice(fitting)


def _fill(rng: random.Random, device: Stranger, begins: dict[str, int], ends: dict[str, int]) -> None:
    """Put something, or nothing, into the registers between and around."""
    used = {(line.table, line.first + place) for line in device.lines for place in range(line.count)}
    way = rng.choice(["absent", "zero", "settings"])
    for table in sorted({line.table for line in device.lines}):
        for address in range(max(0, begins[table] - 2), ends[table] + 3):
            if (table, address) not in used and way != "absent":
                device.filler[table, address] = (
                    0 if way == "zero" else rng.choice([0, 0, 1, 5, 50, 100, 230, 1000, 0xFFFF, rng.getrandbits(16)])
                )


def map_text(device: Stranger, lines: list[Line], *, first_address: int | None = None, written_with: int | None = None) -> str:
    """Return the map file that a user would write. written_with: how the numbers count; first_address: what the head says."""
    counted = device.first_address if written_with is None else written_with
    head = counted if first_address is None else first_address
    words = [line.low_words for line in lines if line.count > 1]
    usual_words = bool(words) and sum(words) * 2 > len(words)
    usual_bytes = sum(line.low_bytes for line in lines) * 2 > len(lines)
    text = [
        "map: stranger",
        "protocol: modbus",
        f"first_address: {head}",
        f"word_order: {'low_first' if usual_words else 'high_first'}",
        f"byte_order: {'low_first' if usual_bytes else 'high_first'}",
        "largest_gap: 0",
        "signals:",
    ]
    for line in lines:
        parts = [f"at: {line.table} {line.first + counted}"]
        parts += [f"bit: {line.bit}"] if line.bit is not None else [f"type: {line.type}"]
        parts += [f"scale: {line.scale:.12g}"] if line.scale != 1 else []
        parts += [f"unit: {UNITS[line.name] if UNITS[line.name] != '%' else chr(34) + '%' + chr(34)}"] if line.name in UNITS else []
        parts += (
            [f"word_order: {'low_first' if line.low_words else 'high_first'}"] if line.count > 1 and line.low_words != usual_words else []
        )
        parts += [f"byte_order: {'low_first' if line.low_bytes else 'high_first'}"] if line.low_bytes != usual_bytes else []
        text.append(f"  {line.name}: {{{', '.join(parts)}}}")
    return "\n".join(text) + "\n"


@dataclass(frozen=True)
class Mistake:
    """A map with one mistake. keys: names of the lines that differ from the truth; where: "map" or "line"."""

    kind: str
    where: str
    lines: list[Line]
    names: tuple[str, ...]
    first_address: int

    def map_text(self, device: Stranger) -> str:
        """Return the map file with the mistake in it; a wrong `first_address` moves lines that are written right."""
        is_head = (self.where, self.kind) == ("map", "shift")
        return map_text(device, device.lines if is_head else self.lines, first_address=self.first_address)


def mistakes(device: Stranger) -> list[Mistake]:
    """Return a map for each mistake that makes sense for this device, drawn with its own randomness."""
    rng, true = device.rng, device.lines
    found = [_whole(device, "shift", [replace(line, first=line.first + 2 * device.first_address - 1) for line in true])]
    if any(line.count > 1 for line in true):
        found.append(_whole(device, "words", [replace(line, low_words=not line.low_words) if line.count > 1 else line for line in true]))
    if len({line.table for line in true}) == 1:
        found.append(_whole(device, "table", [replace(line, table=INPUT if line.table == HOLDING else HOLDING) for line in true]))
    numbers = [line for line in true if line.bit is None]
    for kind in ("shift", "words", "bytes", "table", "scale", "sign", "type"):
        changed = [(line, wrong) for line in numbers if (wrong := _wrong(rng, line, kind)) is not None]
        if changed:
            line, wrong = rng.choice(changed)
            lines = [wrong if each is line else each for each in true]
            found.append(Mistake(kind, "line", lines, (line.name,), device.first_address))
    return [each for each in found if all(line.first + device.first_address >= 0 and line.first >= 0 for line in each.lines)]


def _whole(device: Stranger, kind: str, lines: list[Line]) -> Mistake:
    names = tuple(now.name for now, true in zip(lines, device.lines, strict=True) if now != true)
    head = 1 - device.first_address if kind == "shift" else device.first_address
    return Mistake(kind, "map", lines, names, head)


def _wrong(rng: random.Random, line: Line, kind: str) -> Line | None:
    if kind == "shift":
        return replace(line, first=line.first + rng.choice([-1, 1]))
    if kind == "words":
        return replace(line, low_words=not line.low_words) if line.count > 1 else None
    if kind == "bytes":
        return replace(line, low_bytes=not line.low_bytes)
    if kind == "table":
        return replace(line, table=INPUT if line.table == HOLDING else HOLDING)
    if kind == "scale":
        counts = line.name in ("start_count", "trip_code")
        return None if counts else replace(line, scale=float(f"{line.scale * rng.choice([0.01, 0.1, 10, 100, 1000, 0.001]):.6g}"))
    other = {"sign": {"int16": "uint16", "int32": "uint32"}, "type": {"float32": "uint32", "uint32": "float32", "int32": "float32"}}[kind]
    return replace(line, type=other[line.type]) if line.type in other else None
