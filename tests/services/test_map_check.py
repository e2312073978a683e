"""A map in service against its readings: what is right stays plausible, what cannot be true is said, what never came is not read."""

from __future__ import annotations

from pathlib import Path

from gateway.bench.judge import Verdict
from gateway.instants import SECOND
from gateway.registers.load import load_map
from gateway.services.map_check import Course, check_map

MAP = load_map(Path(__file__).parents[2] / "config" / "maps" / "ramp-pro-metered.yaml")
COUNT = 600


def course(values: list[float | None]) -> Course:
    return [place * SECOND for place in range(len(values))], values


def healthy() -> dict[str, Course]:
    """Return ten minutes: standstill, a start of 10 s at 280 A, running at 70 A."""
    amps = [0.0] * 100 + [280.0] * 10 + [70.0] * (COUNT - 110)
    on = [float(value > 0) for value in amps]
    found = {key: course([*amps]) for key in ("current", "current_l1", "current_l2", "current_l3")}
    found |= {"running": course([*on]), "voltage": course([400.0] * COUNT), "start_count": course([7.0] * 100 + [8.0] * (COUNT - 100))}
    return found


def verdicts(courses: dict[str, Course], flaws: dict[str, str] | None = None) -> dict[str, tuple[Verdict, str]]:
    return {line.signal: (line.verdict, line.hint) for line in check_map(MAP, courses, flaws or {}, 80.2).lines}


def test_what_fits_is_plausible() -> None:
    check = check_map(MAP, healthy(), {}, 80.2)
    found = verdicts(healthy())
    assert {found[key][0] for key in healthy()} == {Verdict.PLAUSIBLE}
    assert (check.moments, check.starts) == (COUNT, 1)
    assert check.count(Verdict.UNREADABLE) == len(MAP.signals) - len(healthy()) - 1


def test_what_cannot_be_is_wrong_and_comes_first() -> None:
    courses = healthy() | {"current_l2": course([9000.0] * COUNT)}
    check = check_map(MAP, courses, {}, 80.2)
    assert (check.lines[0].signal, check.lines[0].verdict) == ("current_l2", Verdict.WRONG)
    assert "plausible range" in check.lines[0].hint
    assert verdicts(courses)["current"][0] is Verdict.PLAUSIBLE


def test_a_counter_that_does_not_count_is_doubtful() -> None:
    found = verdicts(healthy() | {"start_count": course([7.0] * 100 + [700.0] * (COUNT - 100))})
    assert found["start_count"][0] is not Verdict.PLAUSIBLE


def test_what_never_came_is_not_read_with_its_reason() -> None:
    found = verdicts(healthy() | {"voltage": course([None] * COUNT)}, {"voltage": "implausible: 9000 V"})
    assert found["voltage"] == (Verdict.UNREADABLE, "implausible: 9000 V")
    assert verdicts({})["current"] == (Verdict.UNREADABLE, "nothing usable was stored in this time")


def test_a_slow_signal_holds_its_value_between_its_readings() -> None:
    courses = healthy() | {"winding_temperature": ([0, 300 * SECOND], [50.0, 52.0])}
    assert verdicts(courses)["winding_temperature"][0] is Verdict.PLAUSIBLE
