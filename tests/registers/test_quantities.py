from __future__ import annotations

import pytest

from gateway.registers.quantities import parse_number, parse_quantity, parse_ratio, parse_whole, unit_factor


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("45 kW", "kW", 45.0),
        ("45000 W", "kW", 45.0),
        ("0.045 MW", "kW", 45.0),
        # 1 hp = 550 ft lbf/s = 745.69987 W (definition)
        ("60 hp", "kW", 44.741992),
        # 1 lb ft2 = 0.45359237 x 0.3048 x 0.3048 kg m2 (definitions)
        ("275 lb ft^2", "kg m^2", 275 * 0.45359237 * 0.3048**2),
        ("2.1 kg m2", "kg m^2", 2.1),
        ("2.1 kg*m**2", "kg m^2", 2.1),
        ("250 ms", "s", 0.25),
        ("10 min", "s", 600.0),
        ("1.5 h", "s", 5400.0),
        ("30 d", "d", 30.0),
        ("1480 rpm", "rpm", 1480.0),
        ("1480 r/min", "rpm", 1480.0),
        ("1480 1/min", "rpm", 1480.0),
        ("60hp", "kW", 44.741992),
        ("+.5 kA", "A", 500.0),
        ("3 µs", "s", 3e-6),
        ("80 °C", "degC", 80.0),
        ("45 %", "", 0.45),
        ("2e3 V", "V", 2000.0),
    ],
)
def test_quantities(text: str, unit: str, value: float) -> None:
    assert parse_quantity(text, unit) == pytest.approx(value, rel=1e-7)


@pytest.mark.parametrize(
    ("text", "unit", "words"),
    [
        ("45", "kW", "the unit is missing"),
        ("45 A", "kW", "does not measure the same thing"),
        ("50 Hz", "rpm", "does not measure the same thing"),
        ("1480 rpm", "Hz", "does not measure the same thing"),
        ("5 kw", "kW", "not a unit that is known"),
        ("kW", "kW", "not a number with a unit"),
        ("", "s", "not a number with a unit"),
        ("5 m**9**9**9", "s", "is not a unit"),
        ("5 (s)", "s", "is not a unit"),
        ("5 __import__", "s", "not a unit that is known"),
        ("5 " + "s" * 60, "s", "is not a unit"),
        ("1e308 h", "s", "too large"),
        ("80 degF", "degC", "another zero"),
        ("nan s", "s", "not a number with a unit"),
        ("1_000 s", "s", "is not a unit"),
    ],
)
def test_what_is_no_quantity(text: str, unit: str, words: str) -> None:
    with pytest.raises(ValueError, match=words.replace("(", r"\(")):
        parse_quantity(text, unit)


def test_numbers_mean_what_they_look_like_and_not_what_yaml_makes_of_them() -> None:
    assert parse_number("00013") == 13 and parse_number(" -2.50 ") == -2.5 and parse_number("1e-3") == 0.001
    for text in ("12:30", "1_000", "nan", ".inf", "inf", "0x10", "", "1e999", "٣"):
        with pytest.raises(ValueError):
            parse_number(text)
    assert parse_whole("00013") == 13 and parse_whole("0xfFfF") == 65535 and parse_whole("-32768") == -32768
    for text in ("12:30", "1_000", "1.0", "0b11", "", "9" * 31, "٣"):
        with pytest.raises(ValueError):
            parse_whole(text)


@pytest.mark.parametrize(
    ("text", "ratio"),
    [("7 x FLC", 7.0), ("7x", 7.0), ("350 %", 3.5), ("350%", 3.5), ("0.86", 0.86), ("2 times FLC", 2.0), ("3.5 × FLC", 3.5)],
)
def test_ratios(text: str, ratio: float) -> None:
    assert parse_ratio(text) == ratio


def test_what_is_no_ratio() -> None:
    for text in ("seven", "7 A", "", "7 xFLC", "1e999 %"):
        with pytest.raises(ValueError):
            parse_ratio(text)


def test_factors_between_units() -> None:
    assert unit_factor("mA", "A") == 0.001
    assert unit_factor("A", "A") == 1.0
    assert unit_factor("kV", "V") == 1000.0
    assert unit_factor("W", "kW") == 0.001
    assert unit_factor("min", "h") == pytest.approx(1 / 60)
    assert unit_factor("%", "") == 0.01
    with pytest.raises(ValueError, match="a plain number"):
        unit_factor("A", "")
    # The same scale under another name has the same zero and a factor.
    assert unit_factor("°C", "degC") == 1.0
