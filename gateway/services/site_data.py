"""What the machine model refuses, told in the words of the site file: which entry, what is wrong with it, what to write."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from gateway.errors import InputError, Problem
from gateway.machine.nameplate import NameplateError
from gateway.machine.starter_drive import MissingDatumError
from gateway.motors.facts import Method, Starter
from gateway.registers.findings import Findings
from gateway.registers.yaml_tree import YamlMap, YamlNode, read_tree

Made = TypeVar("Made")

_ENTRIES = {
    "rated_power_w": "motor.rated_power",
    "voltage_v": "motor.rated_voltage",
    "frequency_hz": "motor.frequency",
    "pole_pairs": "motor.poles",
    "rated_speed_rpm": "motor.rated_speed",
    "power_factor": "motor.power_factor",
    "efficiency": "motor.efficiency",
    "flc_a": "motor.full_load_current",
    "locked_rotor_current_ratio": "motor.locked_rotor_current",
    "locked_rotor_torque_ratio": "motor.locked_rotor_torque",
    "breakdown_torque_ratio": "motor.breakdown_torque",
    "inertia_kg_m2": "load.inertia",
    "load": "load",
    "load.table": "load.table",
    "points": "load.table",
    "speed": "load.table",
    "torque": "load.table",
    "rated_torque_nm": "load.torque",
    "breakaway_part": "load.breakaway",
    "breakaway_ratio": "load.breakaway",
    "static_head_part": "load.static_head",
    "initial_voltage_ratio": "starter.initial_voltage",
    "ramp_time_s": "starter.ramp_time",
    "kick_voltage_ratio": "starter.kick_voltage",
    "kick_time_s": "starter.kick_time",
    "star_time_s": "starter.star_time",
    "tap_ratio": "starter.tap",
    "tap_time_s": "starter.tap_time",
    "voltage_ratio": "starter.resistor",
    "until_s": "starter.resistor_time",
    "trip class": "motor.trip_class",
}
"""Entry of the site file for what the model calls a datum."""
_EXAMPLES = {
    "load": "load: {kind: fan, torque: 90 %, inertia: 10 kg m^2}; kinds are fan, pump, conveyor, compressor and table",
    "load.table": "load: {kind: table, table: [[0 %, 20 %], [100 %, 90 %]]}",
    "load.breakaway": "for a fan the part of its rated torque that breaks it away, for a conveyor 1 to 5 x its running torque",
    "starter.ramp_time": "0.1 s to 600 s; a start without a ramp is `method: direct_on_line`",
    "starter.kick_time": "0 s to nine tenths of the ramp time",
}


def told_of_site(starter: Starter, file: Path, make: Callable[[], Made]) -> Made:
    """Return what `make` returns; what the model refuses comes back as an InputError that names the entry of the site file."""
    _check_ramp(starter, file)
    try:
        return make()
    except (MissingDatumError, NameplateError) as error:
        raise InputError([problem_at(starter.name, file, _ENTRIES.get(error.datum, error.datum), error.message)]) from error
    except ValueError as error:
        datum, _, message = str(error).partition(": ")
        entry = _ENTRIES.get(datum)
        if entry is None:
            raise InputError([problem_at(starter.name, file, "motor", str(error))]) from error
        raise InputError([problem_at(starter.name, file, entry, message)]) from error


def problem_at(name: str, file: Path, entry: str, message: str, found: str = "") -> Problem:
    """Return a problem of one entry of a starter, with its line when the file can be read."""
    field = f"starters.{name}.{entry}"
    line, allowed = _line_of(file, name, entry), _EXAMPLES.get(entry, "")
    return Problem(file=str(file), line=line, field=field, found=found, allowed=allowed, message=message)


def _check_ramp(starter: Starter, file: Path) -> None:
    ramped = starter.device.method in (Method.SOFT_STARTER, Method.FREQUENCY_DRIVE)
    if ramped and starter.device.ramp_time_s is not None and starter.device.ramp_time_s < 0.1:
        message = "a ramp this short is no ramp"
        raise InputError([problem_at(starter.name, file, "starter.ramp_time", message, f"{starter.device.ramp_time_s:g} s")])


def _line_of(file: Path, name: str, entry: str) -> int | None:
    """Return the line of an entry: its own, else that of the section it is missing from; what `defaults` give stands there."""
    if not file.is_file():
        return None
    tree = read_tree(file, Findings(str(file)))
    if tree is None:
        return None
    places = [_deepest(tree, ("starters", name, *entry.split("."))), _deepest(tree, ("defaults", *entry.split(".")))]
    depth, line = max(places, key=lambda place: place[0] if place[1] is not None else 0)
    return line if depth else places[0][1]


def _deepest(tree: YamlMap, path: tuple[str, ...]) -> tuple[int, int | None]:
    """Return how many names of a path are there, and the line of the last one."""
    node: YamlNode = tree
    line: int | None = None
    for depth, key in enumerate(path):
        if not isinstance(node, YamlMap) or key not in node.entries:
            return depth - (1 if path[0] == "defaults" else 2), line
        line, node = node.lines[key], node.entries[key]
    return len(path) - (1 if path[0] == "defaults" else 2), line
