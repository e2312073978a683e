"""Numbers with units as users write them: `45 kW`, `60 hp`, `275 lb ft^2`, `15 s`, `7 x FLC`, `40 %`.

The unit text is checked against a plain grammar before pint sees it, so that no expression of a user is ever evaluated.
"""

from __future__ import annotations

import functools
import math
import re

import pint

_NUMBER = r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?"
_BARE = re.compile(_NUMBER)
_WITH_UNIT = re.compile(rf"({_NUMBER})\s*(\S.*)")
_FACTOR = r"[A-Za-z%°µμΩ_]+(?:(?:\^|\*\*)?-?[1-4])?"
_UNIT = re.compile(rf"{_FACTOR}(?:(?:\s*[*/·]\s*|\s+){_FACTOR})*")
_RATIO = re.compile(rf"({_NUMBER})\s*(%|x\b.*|×.*|times\b.*|$)")
_SPEEDS = ("1/min", "r/min", "rev/min", "min^-1")
_SPELLINGS = {"%": "percent", "°C": "degC", "°F": "degF", "µ": "micro", "μ": "micro", "Ω": "ohm", "·": "*"}

EXAMPLES = {
    "kW": "45 kW or 60 hp",
    "V": "400 V",
    "A": "82 A",
    "Hz": "50 Hz",
    "rpm": "1480 rpm",
    "kg m^2": "2.1 kg m^2 or 50 lb ft^2",
    "s": "15 s, 250 ms or 10 min",
    "d": "30 d",
}
"""How a value of each unit may be written, for messages."""


def parse_number(text: str) -> float:
    """Return a plain decimal number; ValueError says what is wrong. Hexadecimal, `1_000`, `12:30`, `nan` and `inf` are not numbers here.

    >>> parse_number("00013"), parse_number("-2.5e3")
    (13.0, -2500.0)
    """
    if not _BARE.fullmatch(text.strip()):
        raise ValueError("not a number")
    number = float(text)
    if not math.isfinite(number):
        raise ValueError("too large a number")
    return number


def parse_whole(text: str) -> int:
    """Return a whole number, decimal or hexadecimal with 0x; ValueError says what is wrong.

    >>> parse_whole("00013"), parse_whole("0xFFFF"), parse_whole("-1")
    (13, 65535, -1)
    """
    plain = text.strip()
    if len(plain) > 30:
        raise ValueError("too long a number")
    if re.fullmatch(r"[+-]?[0-9]+", plain):
        return int(plain)
    if re.fullmatch(r"0[xX][0-9A-Fa-f]+", plain):
        return int(plain, 16)
    raise ValueError("not a whole number")


def parse_quantity(text: str, unit: str) -> float:
    """Return a number with its unit, converted to `unit`; ValueError says what is wrong and how to write it.

    >>> parse_quantity("45 kW", "kW"), round(parse_quantity("60 hp", "kW"), 2), parse_quantity("250 ms", "s")
    (45.0, 44.74, 0.25)
    >>> round(parse_quantity("275 lb ft^2", "kg m^2"), 3)
    11.589
    """
    plain = text.strip()
    if _BARE.fullmatch(plain):
        raise ValueError(f"the unit is missing: {plain} of what?")
    match = _WITH_UNIT.fullmatch(plain)
    if match is None:
        raise ValueError("not a number with a unit")
    number = float(match[1])
    factor = unit_factor(match[2], unit)
    # A whole-number divisor keeps 250 ms at 0.25 s and 80 % at 0.8.
    inverse = 1 / factor
    value = number / round(inverse) if factor < 1 and math.isclose(inverse, round(inverse), rel_tol=1e-12) else number * factor
    if not math.isfinite(value):
        raise ValueError("too large a number")
    return value


def parse_ratio(text: str) -> float:
    """Return a ratio written `7 x FLC`, `350 %` or as a bare number; ValueError says what is wrong.

    >>> parse_ratio("7 x FLC"), parse_ratio("350 %"), parse_ratio("0.86")
    (7.0, 3.5, 0.86)
    """
    match = _RATIO.fullmatch(text.strip())
    if match is None:
        raise ValueError("not a ratio")
    number = float(match[1])
    if not math.isfinite(number):
        raise ValueError("too large a number")
    return number / 100 if match[2] == "%" else number


def unit_factor(unit: str, wanted: str) -> float:
    """Return the factor that turns a value in `unit` into one in `wanted`; ValueError when the two measure different things.

    Revolutions and hertz count as different: 50 Hz is not a shaft speed. Scales with another zero (degF) have no factor and are refused.

    >>> unit_factor("kA", "A"), unit_factor("%", "")
    (1000.0, 0.01)
    """
    if unit.strip() == wanted:
        return 1.0
    given, target = _unit(unit), _unit(wanted)
    # Two nulls on one scale have no factor between them: the difference of their images of 0 and 1 tells.
    registry = _registry()
    try:
        zero = float(registry.Quantity(0.0, given).to(target).magnitude)
        factor = float(registry.Quantity(1.0, given).to(target).magnitude)
    except pint.DimensionalityError:
        raise ValueError(f"{unit.strip()} does not measure the same thing as {wanted or 'a plain number'}") from None
    if _counts_turns(given) != _counts_turns(target):
        raise ValueError(f"{unit.strip()} does not measure the same thing as {wanted or 'a plain number'}")
    if zero != 0:
        raise ValueError(f"{unit.strip()} has another zero than {wanted}: give the value in {wanted}, with scale and offset")
    nice = round(factor, 12 - math.ceil(math.log10(factor)))
    return nice if math.isclose(nice, factor, rel_tol=1e-15) else factor


@functools.cache
def _registry() -> pint.UnitRegistry[float]:
    # Made on first use: it costs a tenth of a second, which `--help` need not pay.
    return pint.UnitRegistry(cache_folder=None)


@functools.lru_cache(maxsize=256)
def _unit(text: str) -> pint.Unit:
    plain = "rpm" if text.strip() in _SPEEDS else text.strip()
    if plain and (len(plain) > 40 or not _UNIT.fullmatch(plain)):
        raise ValueError(f"{plain[:40]} is not a unit")
    for spelling, name in _SPELLINGS.items():
        plain = plain.replace(spelling, name)
    plain = re.sub(r"(?<=[A-Za-z])(?=[1-4])", "^", plain)
    try:
        return _registry().Unit(plain)
    except (pint.UndefinedUnitError, pint.DefinitionSyntaxError, ValueError, AttributeError, TypeError, KeyError) as error:
        raise ValueError(f"{text.strip()[:40]} is not a unit that is known here") from error


def _counts_turns(unit: pint.Unit) -> bool:
    root = _registry().Quantity(1.0, unit).to_root_units().units
    return "radian" in str(root)
