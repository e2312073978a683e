"""Starts against the motor's data sheet."""

from __future__ import annotations

from typing import Any

import pytest

from gateway.instants import MINUTE, SECOND
from gateway.motors import motor_data
from gateway.motors.records import MotorState
from tests.motors.past import T0, given, heat, mark, past, starter


def test_data_that_say_nothing_give_no_verdict() -> None:
    assert motor_data.verdict(starter(), past(), T0) is None


def test_two_starts_in_an_hour_are_more_than_1_8_per_hour() -> None:
    said = given(motor_data.verdict(starter(starts_per_hour=1.8), past([mark(25)]), T0))
    assert (said.starts_left, said.used, said.allowed) == (0, 1, 1.8)
    assert said.next_start_at == T0 + 35 * MINUTE
    assert said.source == "motor data, starts per hour"


def test_less_than_one_an_hour_is_one_in_a_longer_window() -> None:
    said = given(motor_data.verdict(starter(starts_per_hour=0.5), past([mark(80)]), T0))
    assert said.next_start_at == T0 + 40 * MINUTE
    assert given(motor_data.verdict(starter(starts_per_hour=0.5), past([mark(120)]), T0)).starts_left == 1


def test_no_starts_at_all() -> None:
    assert given(motor_data.verdict(starter(starts_per_hour=0.0), past(), T0)).next_start_at is None


def test_starts_in_succession_are_judged_by_temperature() -> None:
    fan = starter(cold_starts=3, hot_starts=2)
    assert given(motor_data.verdict(fan, past(), T0)).starts_left == 3
    hot = given(motor_data.verdict(fan, past(heat=heat(0.9), state=MotorState.RUNNING), T0))
    assert (hot.starts_left, hot.source) == (2, "motor data, 3 cold / 2 hot starts in succession")
    over = given(motor_data.verdict(fan, past(heat=heat(1.1)), T0))
    assert over.starts_left == 0
    assert over.holds == ((T0, over.next_start_at),)


@pytest.mark.parametrize(("given_data", "cold", "hot"), [({"cold_starts": 3}, 3, 1), ({"hot_starts": 3}, 3, 3), ({"cold_starts": 0}, 0, 0)])
def test_the_count_that_is_not_given(given_data: dict[str, Any], cold: int, hot: int) -> None:
    fan = starter(**given_data)
    assert given(motor_data.verdict(fan, past(), T0)).starts_left == cold
    assert given(motor_data.verdict(fan, past(heat=heat(0.9)), T0)).starts_left == hot


def test_the_stricter_rule_is_the_verdict_and_the_fewest_starts_are_left() -> None:
    fan = starter(starts_per_hour=2.0, cold_starts=2, hot_starts=1)
    by_rate = given(motor_data.verdict(fan, past([mark(50), mark(20)]), T0))
    assert (by_rate.source, by_rate.wait_s) == ("motor data, starts per hour", 600.0)
    by_heat = given(motor_data.verdict(fan, past([mark(50)], heat=heat(1.2)), T0))
    assert (by_heat.source, by_heat.starts_left) == ("motor data, 2 cold / 1 hot starts in succession", 0)
    now = given(motor_data.verdict(fan, past([], heat=heat(0.9)), T0))
    assert (now.wait_s, now.starts_left) == (0.0, 1)


def test_doubt_of_one_rule_makes_the_whole_uncertain() -> None:
    fan = starter(starts_per_hour=2.0, cold_starts=2, hot_starts=1)
    assert not given(motor_data.verdict(fan, past(heat=heat(0.9, certain=False)), T0)).certain


def test_while_blind_nothing_can_be_told() -> None:
    said = given(motor_data.verdict(starter(starts_per_hour=2.0), past(blind_since=T0 - 30 * SECOND), T0))
    assert (said.next_start_at, said.starts_left) == (None, 0)
