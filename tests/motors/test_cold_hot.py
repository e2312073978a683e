"""Two from cold, one from hot; by temperature and never by the hour."""

from __future__ import annotations

import pytest

from gateway.instants import MINUTE, SECOND, after
from gateway.motors import cold_hot
from gateway.motors.cold_hot import made_in_series_from_cold, succession
from gateway.motors.history import StartMark
from gateway.motors.records import MotorState
from gateway.motors.thermal import thermal_model
from tests.motors.past import T0, given, heat, mark, past, starter

FAN = starter(limits={"cold_hot": True})
RATED = thermal_model(FAN).rated_used


def series(*before: float | None) -> list[StartMark]:
    return [mark(10.0 * (len(before) - place), heat_before=level) for place, level in enumerate(before)]


def test_it_is_held_only_where_the_site_asks_for_it() -> None:
    assert cold_hot.verdict(starter(), past(), T0) is None


# NEMA MG 1 12.54.1: two starts from ambient, or one from a temperature not above rated load.
def test_two_from_cold() -> None:
    said = given(cold_hot.verdict(FAN, past(), T0))
    assert (said.starts_left, said.wait_s, said.used) == (2, 0.0, None)


def test_one_from_rated_load_temperature() -> None:
    said = given(cold_hot.verdict(FAN, past(heat=heat(1.0), state=MotorState.RUNNING), T0))
    assert (said.starts_left, said.wait_s) == (1, 0.0)


def test_above_rated_load_temperature_it_must_cool_to_it() -> None:
    said = given(cold_hot.verdict(FAN, past(heat=heat(1.2)), T0))
    assert said.starts_left == 0
    assert said.wait_s == pytest.approx(984.5, abs=0.1)  # 5400 s ln 1.2
    assert said.holds == ((T0, after(T0, said.wait_s or 0.0)),)


def test_an_old_start_alone_blocks_nothing() -> None:
    # Not "two per hour": four starts within the hour, but cooled down again by the model.
    said = given(cold_hot.verdict(FAN, past([mark(m) for m in (55, 45, 35, 25)], heat=heat(0.02)), T0))
    assert said.starts_left == 2


def test_the_second_start_of_a_cold_series_is_permitted_whatever_the_first_left() -> None:
    said = given(cold_hot.verdict(FAN, past(series(0.0), heat=heat(1.15)), T0))
    assert (said.starts_left, said.wait_s, said.reason) == (1, 0.0, "1 of 2 starts from cold made")
    third = given(cold_hot.verdict(FAN, past(series(0.0, 0.9), heat=heat(1.15)), T0))
    assert third.starts_left == 0


@pytest.mark.parametrize(
    ("before", "made"),
    [((), None), ((0.0,), 1), ((0.0, 0.4), 2), ((0.5,), None), ((0.0, None), None), ((None, 0.0), 1), ((0.0, 0.5, 0.03, 0.4), 2)],
)
def test_how_many_starts_the_series_has(before: tuple[float | None, ...], made: int | None) -> None:
    assert made_in_series_from_cold(FAN, past(series(*before)), T0, 0.1 * RATED) == made


def test_a_gap_in_the_series_makes_it_unknown() -> None:
    gap = ((T0 - 5 * MINUTE, T0 - 4 * MINUTE),)
    assert made_in_series_from_cold(FAN, past(series(0.0), unexplained=gap), T0, 0.1 * RATED) is None


def test_a_motor_with_no_starts_from_hot_must_be_cold() -> None:
    found = succession(FAN, past(heat=heat(0.5)), T0, 2, 0)
    assert found.starts_left == 0
    assert found.next_start_at == pytest.approx(T0 + 5400 * SECOND * 1.6094379, rel=1e-9)


def test_uncertain_heat_makes_an_uncertain_verdict() -> None:
    said = given(cold_hot.verdict(FAN, past(heat=heat(1.0, certain=False)), T0))
    assert (said.certain, said.reason.endswith("heat is a guess")) == (False, True)


def test_while_blind_nothing_can_be_told() -> None:
    said = given(cold_hot.verdict(FAN, past(blind_since=T0 - 30 * SECOND), T0))
    assert (said.next_start_at, said.starts_left, said.certain) == (None, 0, False)
