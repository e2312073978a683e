"""Live values as text: every signal with its unit and quality; a bad one is a dash with the reason, never its last good figure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from gateway.motors.reading import Scalar
from gateway.registers.roles import ROLES, RoleKind
from gateway.web.snapshot import MotorNow


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveValue:
    """One signal: its key, what it means ("" for one without a role), value, unit, and what is wrong with it ("" when nothing is)."""

    key: str
    meaning: str
    text: str
    unit: str
    flaw: str


_DECIMALS = {"A": 1, "V": 1, "kW": 1, "kWh": 1, "%": 1, "Hz": 2, "degC": 1, "rpm": 0, "s": 1, "h": 1}
"""Decimals by unit, so that a value keeps its width while it changes; any other unit gets four digits that matter."""
_UNIT_WORDS = {"degC": "°C", "": ""}


def unit_words(motor: MotorNow, key: str) -> str:
    """Return the unit of a signal as the pages write it, "" for one that has none."""
    role = ROLES.get(key)
    unit = motor.starter.signals.units.get(key) or (role.unit if role is not None else "")
    return _UNIT_WORDS.get(unit, unit)


def live_values(motor: MotorNow) -> list[LiveValue]:
    """Return the signals in a steady order: those with a role in the order of the roles, then the others by name."""
    live, facts = motor.live, motor.starter.signals
    keys = set(live.values) | set(live.flaws) | set(facts.keys)
    order = {role: place for place, role in enumerate(ROLES)}
    found = []
    for key in sorted(keys, key=lambda key: (order.get(key, len(order)), key)):
        role = ROLES.get(key)
        unit = facts.units.get(key) or (role.unit if role is not None else "")
        flag = role is not None and role.kind is RoleKind.FLAG
        text = value_text(live.values.get(key), facts.texts.get(key), flag=flag, unit=unit)
        found.append(
            LiveValue(
                key=key,
                meaning=role.meaning if role is not None else "",
                text=text,
                unit=_UNIT_WORDS.get(unit, unit),
                flaw=live.flaws.get(key, ""),
            )
        )
    return found


def value_text(value: Scalar | None, texts: Mapping[int, str] | None = None, *, flag: bool = False, unit: str = "") -> str:
    """Return a value as text: yes or no for a flag, the map's own text for a code, decimals after the unit for a measured one.

    >>> value_text(278.64, unit="A"), value_text(True), value_text(None), value_text(0.8571), value_text(3)
    ('278.6', 'yes', '—', '0.857', '3')
    """
    if value is None:
        return "—"
    if isinstance(value, bool) or (flag and isinstance(value, int | float)):
        return "yes" if value else "no"
    if isinstance(value, str):
        return value if value.strip() else "empty text"
    named = texts.get(int(value)) if texts and float(value).is_integer() else None
    if named is not None:
        return f"{int(value)}, {named}"
    if isinstance(value, int):
        return str(value).replace("-", "−")
    decimals = _DECIMALS.get(unit, 0 if abs(value) >= 1000 else 1 if abs(value) >= 10 else 2 if abs(value) >= 1 else 3)
    return f"{value:.{decimals}f}".replace("-", "−")
