"""The variables of an OPC UA server as lines of a map: named by namespace URI, with unit and range where the server gives them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from gateway.bench.map_line import map_line, quoted
from gateway.drivers.opcua_browse import FoundVariable
from gateway.registers.model import OpcuaPlace, Signal
from gateway.registers.roles import ROLES

_WORDS = re.compile(r"[A-Z]+(?=[A-Z][a-z])|[A-Z]?[a-z]+|[A-Z]+|[0-9]+")


@dataclass(frozen=True, slots=True, kw_only=True)
class BrowseLine:
    """A variable, the map line that names it, and what to know about it."""

    found: FoundVariable
    name: str
    line: str
    note: str

    def as_json(self) -> dict[str, Any]:
        """Return the variable as plain data."""
        found = self.found
        return {
            "signal": self.name,
            "namespace": found.namespace_uri,
            "node": found.identifier,
            "path": [name for _, name in found.path],
            "data_type": found.data_type,
            "unit": found.unit,
            "range": None if found.low is None or found.high is None else [found.low, found.high],
            "value": found.value if isinstance(found.value, (bool, int, float, str)) else None,
            "status": found.status,
            "line": self.line,
        }


def browse_lines(variables: Sequence[FoundVariable]) -> tuple[BrowseLine, ...]:
    """Return a line for each variable; a name that comes twice gets the name of its folder before it, then a number."""
    names: dict[str, int] = {}
    lines = []
    for found in variables:
        name = signal_name(found.path[-1][1])
        if name in names and len(found.path) > 1:
            name = signal_name(f"{found.path[-2][1]} {found.path[-1][1]}")
        names[name] = names.get(name, 0) + 1
        if names[name] > 1:
            name = f"{name}_{names[name]}"
        lines.append(BrowseLine(found=found, name=name, line=_line(found, name), note=_note(found, name)))
    return tuple(lines)


def _line(found: FoundVariable, name: str) -> str:
    limits = (found.low, found.high)
    plausible = (limits[0], limits[1]) if limits[0] is not None and limits[1] is not None and limits[0] < limits[1] else None
    is_number = not isinstance(found.value, (bool, str))
    signal = Signal(
        name=name,
        key=name,
        role=None,
        place=OpcuaPlace(namespace_uri=found.namespace_uri, identifier=found.identifier),
        type=None,
        unit=found.unit if is_number else "",
        plausible=plausible if is_number else None,
    )
    return map_line(signal)


def _note(found: FoundVariable, name: str) -> str:
    parts = [found.data_type or "type not known"]
    if found.status != "Good":
        parts.append(f"now {found.status}")
    elif isinstance(found.value, (bool, int, float, str)):
        parts.append(f"now {_shown(found.value)}{f' {found.unit}' if found.unit else ''}")
    else:
        parts.append("no single value: a map cannot use it")
    role = ROLES.get(name)
    if role is not None and role.unit and not found.unit:
        parts.append(f"the server gives no unit: add unit, such as {quoted(role.unit)}")
    return ", ".join(parts)


def _shown(value: float | str | bool) -> str:
    if isinstance(value, bool):
        return "on" if value else "off"
    return f"{value:.6g}" if isinstance(value, float) else str(value)[:40]


def signal_name(browse_name: str) -> str:
    """Return a browse name as the name of a signal: one plain word in small letters.

    >>> signal_name("Motor.LineCurrentL1"), signal_name("AtSpeed"), signal_name("3rd")
    ('line_current_l1', 'at_speed', 'n3_rd')
    """
    last = browse_name.rsplit(".", 1)[-1] or browse_name
    words = [word.lower() for word in _WORDS.findall(last)]
    joined = re.sub(r"_(?=[0-9]+(?:_|$))", "", "_".join(words)) if words else "value"
    name = joined if joined[:1].isalpha() else f"n{joined}"
    return name[:60]
