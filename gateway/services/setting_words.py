"""Settings of starting methods in words, with units."""

from __future__ import annotations

from collections.abc import Mapping

_NAMES = {
    "initial_voltage_ratio": "from",
    "ramp_time_s": "ramp",
    "current_limit_ratio": "limit",
    "kick_voltage_ratio": "kick",
    "kick_time_s": "for",
    "star_time_s": "star",
    "open_gap_s": "gap",
    "tap_ratio": "tap",
    "tap_time_s": "for",
    "resistance_ohm": "resistor",
    "resistor_time_s": "for",
    "boost_ratio": "boost",
}


def setting_texts(settings: Mapping[str, float]) -> list[str]:
    """Return each setting as a short text.

    >>> setting_texts({"initial_voltage_ratio": 0.4, "ramp_time_s": 10.0, "current_limit_ratio": 3.5})
    ['from 40 %', 'ramp 10 s', 'limit 3.5 x FLC']
    """
    return [f"{_NAMES.get(name, name)} {_value(name, value)}" for name, value in settings.items()]


def _value(name: str, value: float) -> str:
    if name == "current_limit_ratio":
        return f"{value:g} x FLC"
    if name.endswith("_s"):
        return f"{value:g} s" if value >= 0.1 else f"{1000 * value:.0f} ms"
    if name.endswith("_ohm"):
        return f"{value:.3g} ohm"
    return f"{100 * value:.0f} %"
