"""What a watched start must show, by hand-made courses: right, and each way of being wrong."""

from __future__ import annotations

import numpy as np
import pytest

from gateway.bench.company import Company
from gateway.bench.series import Series
from gateway.bench.start_checks import StartCheck, is_started, start_checks
from gateway.registers.model import ModbusPlace, Signal, Span, Table, WordType

AT_S = np.arange(0.0, 20.0, 0.25)
CURRENT = np.where(AT_S < 5, 0.0, np.where(AT_S < 12, 250.0, 60.0))


def series(key: str, values: object, kind: WordType = WordType.UINT16, unit: str = "") -> Series:
    place = ModbusPlace(span=Span(Table.HOLDING, len(key), len(key)), written="")
    numbers = np.asarray(values, dtype=np.float64)
    return Series(Signal(name=key, key=key, role=key, place=place, type=kind, unit=unit), AT_S, numbers, numbers)


def flag(key: str, begin_s: float, end_s: float = 99.0) -> Series:
    return series(key, (begin_s <= AT_S) & (end_s > AT_S), WordType.BIT)


def company(**changed: Series | None) -> Company:
    whole: dict[str, Series | None] = {
        "current": series("current", CURRENT, unit="A"),
        "voltage": series("voltage", np.where((AT_S > 5) & (AT_S < 12), 385.0, 400.0), unit="V"),
        "running": flag("running", 5.0),
        "starting": flag("starting", 5.0, 12.0),
        "at_speed": flag("at_speed", 12.0),
        "start_count": series("start_count", np.where(AT_S < 5, 1207, 1208)),
    }
    return Company({key: each for key, each in (whole | changed).items() if each is not None})


def checks(**changed: Series | None) -> dict[str, StartCheck]:
    return {check.name: check for check in start_checks(company(**changed))}


def test_a_right_start_passes_every_check() -> None:
    found = checks()
    assert is_started(company()) == 5.0
    assert len(found) == 5
    assert all(check.passed is True for check in found.values()), found


@pytest.mark.parametrize(
    ("changed", "name", "passed", "words"),
    [
        ({"current": series("current", 0 * AT_S, unit="A")}, "current rises at the start and falls after it", False, "no start: 0 A"),
        (
            {"current": series("current", CURRENT + 50, unit="A")},
            "current rises at the start and falls after it",
            False,
            "not 0 at standstill",
        ),
        (
            {"current": series("current", np.minimum(CURRENT * 9, 250.0), unit="A")},
            "current rises at the start and falls after it",
            None,
            "ends before",
        ),
        ({"starting": flag("starting", 99.0)}, "status bits change in order", False, "starting stays off"),
        ({"running": flag("running", 7.0)}, "status bits change in order", False, "running more than 0.5 s away from the start at 5.0 s"),
        ({"at_speed": flag("at_speed", 5.0)}, "status bits change in order", False, "at_speed comes with the start itself"),
        ({"at_speed": flag("at_speed", 99.0)}, "status bits change in order", None, "at_speed stays off"),
        ({"starting": flag("starting", 5.0)}, "starting ends when at speed", False, "is still on"),
        ({"start_count": series("start_count", 0 * AT_S + 7)}, "start counter steps by one", None, "a device may count at the end"),
        ({"start_count": series("start_count", np.where(AT_S < 5, 7, 9))}, "start counter steps by one", False, "from 7 to 9"),
        ({"voltage": series("voltage", np.where(AT_S > 5, 200.0, 400.0), unit="V")}, "supply voltage stays", False, "50 % below"),
    ],
)
def test_each_way_of_being_wrong_is_said(changed: dict[str, Series], name: str, passed: bool | None, words: str) -> None:
    check = checks(**changed)[name]
    assert check.passed is passed
    assert words in check.found


def test_a_map_without_the_signals_cannot_tell() -> None:
    found = {check.name: check for check in start_checks(Company({"start_count": series("start_count", 0 * AT_S + 7)}))}
    assert found["current rises at the start and falls after it"].passed is None
    assert found["status bits change in order"].passed is None
    assert found["start counter steps by one"].passed is None


def test_a_counter_that_steps_without_a_start_is_wrong() -> None:
    still = series("current", 0 * AT_S, unit="A")
    found = checks(current=still, running=None, starting=None, at_speed=None)
    assert found["start counter steps by one"].passed is False
