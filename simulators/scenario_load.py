"""The driven machine of a scenario's starter."""

from __future__ import annotations

import re
from enum import StrEnum

from gateway.machine.loads import Compressor, Conveyor, Fan, Load, Pump, TorqueTable
from gateway.machine.nameplate import Nameplate
from gateway.registers.quantities import parse_ratio
from gateway.registers.sections import Section

_POINT = re.compile(r"([0-9.]+ ?%?)\s+([0-9.]+ ?%?)")


class LoadWord(StrEnum):
    """Kinds of load that a scenario knows."""

    FAN = "fan"
    PUMP = "pump"
    CONVEYOR = "conveyor"
    COMPRESSOR = "compressor"
    TABLE = "table"
    """The user's own torque over speed."""


_LOAD_FIELDS = {
    LoadWord.FAN: ("constant", "breakaway"),
    LoadWord.PUMP: ("static_head", "shut_off"),
    LoadWord.CONVEYOR: ("breakaway",),
    LoadWord.COMPRESSOR: ("unloaded", "loads_after"),
    LoadWord.TABLE: ("points",),
}


def read_load(section: Section, nameplate: Nameplate) -> Load | None:
    """Return the load; its torque is a ratio of the motor's rated torque."""
    if "kind" not in section:
        section.require("kind", "fan")
    kind = section.choice("kind", LoadWord)
    if kind is None:
        return None
    if kind is LoadWord.TABLE:
        return _table(section, nameplate)
    section.allow(("kind", "torque", "inertia", *_LOAD_FIELDS[kind]))
    if "torque" not in section:
        section.require("torque", "90 %")
    ratio = section.ratio("torque", 0.0, 5.0, "90 % of the motor's rated torque")
    if ratio is None:
        return None
    torque = ratio * nameplate.rated_torque_nm

    def part(key: str, default: float, high: float = 5.0) -> float:
        value = section.ratio(key, 0.0, high, "40 %")
        return default if value is None else value

    match kind:
        case LoadWord.FAN:
            return Fan(rated_torque_nm=torque, constant_part=part("constant", 0.03, 1.0), breakaway_part=part("breakaway", 0.0, 3.0))
        case LoadWord.PUMP:
            return Pump(rated_torque_nm=torque, static_head_part=part("static_head", 0.0, 0.95), shut_off_part=part("shut_off", 0.4, 1.0))
        case LoadWord.CONVEYOR:
            breakaway = section.ratio("breakaway", 1.0, 5.0, "1.4 x")
            return Conveyor(rated_torque_nm=torque, breakaway_ratio=1.4 if breakaway is None else breakaway)
        case LoadWord.COMPRESSOR:
            loads_after = section.quantity("loads_after", "s", 0.0, 3600.0)
            return Compressor(
                rated_torque_nm=torque, unloaded_part=part("unloaded", 0.25, 1.0), loads_after_s=5.0 if loads_after is None else loads_after
            )


def _table(section: Section, nameplate: Nameplate) -> TorqueTable | None:
    """Return the user's own curve: `points: [0 % 30 %, 20 % 15 %, 100 % 90 %]`, speed and torque of each point x rated."""
    section.allow(("kind", "points", "inertia"))
    example = "[0 % 30 %, 20 % 15 %, 100 % 90 %]"
    if "points" not in section:
        section.require("points", example)
    points = []
    for text in section.texts("points") or ():
        match = _POINT.fullmatch(text.text.strip())
        try:
            if match is None:
                raise ValueError("a point is two ratios: speed and torque")
            points.append((parse_ratio(match[1]), parse_ratio(match[2]) * nameplate.rated_torque_nm))
        except ValueError as error:
            section.refuse("points", str(error), found=text.text, allowed=example)
            return None
    try:
        return TorqueTable(points=tuple(points)) if points else None
    except ValueError as error:
        section.refuse("points", str(error), found=f"{len(points)} points", allowed=example)
        return None
