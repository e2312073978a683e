"""Sections of a scenario written in one line, as an option of a command: `45 kW 400 V 1478 rpm`, `fan, torque: 80 %`.

A line is a first word or numbers with units, then `name: value` pieces behind commas; a list stands in square brackets.
"""

from __future__ import annotations

import re

from gateway.errors import InputError, Problem
from gateway.registers.yaml_tree import YamlList, YamlMap, YamlNode, YamlText

PLACE = "command line"
_PIECE = re.compile(r"[^,\[\]]*(?:\[[^\]]*\][^,\[\]]*)*")
_NAMED = re.compile(r"([a-z_]+)\s*[:=]\s*(.+)", re.DOTALL)
_NUMBER = r"[0-9]+(?:\.[0-9]+)?"
_PLATE = re.compile(rf"({_NUMBER})\s*(kW|W|MW|hp|kV|V|A|rpm|1/min|Hz|poles|pole|kg\s?m\^2|lb\s?ft\^2)(?=[\s,]|$)")
_PLATE_FIELDS = {
    "kW": "rated_power",
    "W": "rated_power",
    "MW": "rated_power",
    "hp": "rated_power",
    "kV": "rated_voltage",
    "V": "rated_voltage",
    "A": "full_load_current",
    "rpm": "rated_speed",
    "1/min": "rated_speed",
    "Hz": "frequency",
    "poles": "poles",
    "pole": "poles",
    "kg m^2": "inertia",
    "lb ft^2": "inertia",
}


def refusal(option: str, found: str, allowed: str, message: str) -> InputError:
    """Return the error that an option of the command line is wrong."""
    return InputError([Problem(file=PLACE, field=option, found=found, allowed=allowed, message=message)])


def pieces(option: str, text: str, first: str | None) -> dict[str, str]:
    """Return the named values of a line; a first piece without a name is that of `first`.

    >>> pieces("--load", "pump, torque: 80 %, static_head = 60 %", "kind")
    {'kind': 'pump', 'torque': '80 %', 'static_head': '60 %'}
    """
    found: dict[str, str] = {}
    for number, piece in enumerate(part.strip() for part in _PIECE.findall(text)):
        if not piece:
            continue
        named = _NAMED.fullmatch(piece)
        if named is None and (number > 0 or first is None):
            raise refusal(option, piece, "name: value, name: value", "every piece needs a name: write it as name: value")
        name, value = (first or "", piece) if named is None else (named[1], named[2].strip())
        if name in found:
            raise refusal(option, piece, "each name once", f"{name} is given twice")
        found[name] = value
    return found


def plate(option: str, text: str) -> dict[str, str]:
    """Return the motor's data from a line in which numbers are known by their units.

    >>> plate("--motor", "45 kW 400 V, 1478 rpm, 4 poles, power_factor: 0.86")
    {'rated_power': '45 kW', 'rated_voltage': '400 V', 'rated_speed': '1478 rpm', 'poles': '4', 'power_factor': '0.86'}
    """
    found: dict[str, str] = {}
    for piece in (part.strip() for part in text.split(",")):
        if _NAMED.fullmatch(piece):
            found |= pieces(option, piece, None)
            continue
        for number, unit in _PLATE.findall(piece):
            plain = re.sub(r"\s", " ", unit)
            field = _PLATE_FIELDS[plain if plain in _PLATE_FIELDS else plain.replace("m^", " m^").replace("ft^", " ft^")]
            found[field] = number if field == "poles" else f"{number} {unit}"
        left = _PLATE.sub("", piece).strip()
        if left:
            allowed = "45 kW 400 V 50 Hz 4 poles 1478 rpm 80 A, power_factor: 0.86"
            raise refusal(option, left, allowed, "this is no number with a unit that a motor's plate has, and no name: value")
    return found


def section_node(values: dict[str, str]) -> YamlMap:
    """Return named values as a section's node; a value in square brackets is a list."""
    return YamlMap(entries={name: _node(text) for name, text in values.items()}, lines={}, line=1)


def _node(text: str) -> YamlNode:
    if text.startswith("[") and text.endswith("]"):
        items = [item.strip() for item in text[1:-1].split(",")]
        return YamlList(items=tuple(YamlText(item, 1) for item in items if item), line=1)
    return YamlText(text, 1)
