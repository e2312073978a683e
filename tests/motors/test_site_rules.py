"""The site's rules: starts in 60 minutes and off time."""

from __future__ import annotations

import pytest

from gateway.instants import MINUTE, SECOND
from gateway.motors import site_rules
from gateway.motors.records import MotorState, Outcome
from tests.motors.past import T0, given, mark, past, starter

FAN = starter(limits={"starts_per_hour": 3, "off_time_s": 600.0, "starts_per_hour_source": "site rule, motor maker's letter"})


def test_a_rule_that_is_not_set_says_nothing() -> None:
    assert site_rules.starts_per_hour(starter(), past(), T0) is None
    assert site_rules.off_time(starter(), past(), T0) is None


def test_every_kind_of_start_counts() -> None:
    marks = [mark(50, Outcome.ABORTED), mark(40, Outcome.UNSEEN), mark(30, Outcome.STALLED), mark(70)]
    said = given(site_rules.starts_per_hour(FAN, past(sorted(marks, key=lambda one: one.began_at)), T0))
    assert (said.used, said.allowed, said.starts_left) == (3, 3.0, 0)
    assert said.next_start_at == T0 + 10 * MINUTE
    assert said.wait_s == 600.0
    assert said.reason == "3 of 3 starts in 60 min; the oldest lets go in 10 min"
    assert said.source == "site rule, motor maker's letter"
    assert len(said.holds) == 3
    assert said.certain


def test_the_start_under_way_counts() -> None:
    said = given(site_rules.starts_per_hour(FAN, past([mark(0.05)], state=MotorState.STARTING), T0))
    assert (said.used, said.starts_left) == (1, 2)


def test_more_starts_than_allowed_wait_for_enough_of_them() -> None:
    said = given(site_rules.starts_per_hour(FAN, past([mark(m) for m in (50, 40, 30, 20)]), T0))
    assert (said.used, said.next_start_at) == (4, T0 + 20 * MINUTE)
    assert "enough of them" in said.reason


def test_a_gap_may_hide_starts_and_the_verdict_says_so() -> None:
    said = given(site_rules.starts_per_hour(FAN, past([mark(50)], unexplained=((T0 - 20 * MINUTE, T0 - 5 * MINUTE),)), T0))
    assert (said.certain, said.starts_left, said.next_start_at) == (False, 0, T0 + 55 * MINUTE)
    assert "3 starts may be hidden there" in said.reason


def test_a_rule_of_no_starts_permits_none() -> None:
    said = given(site_rules.starts_per_hour(starter(limits={"starts_per_hour": 0}), past(), T0))
    assert (said.starts_left, said.next_start_at, said.wait_s) == (0, None, None)
    assert "no start is permitted" in said.reason


def test_a_future_instant_lets_starts_go() -> None:
    history = past([mark(m) for m in (50, 40, 30)])
    assert given(site_rules.starts_per_hour(FAN, history, T0 + 10 * MINUTE)).starts_left == 1


def test_off_time_counts_from_the_stop() -> None:
    said = given(site_rules.off_time(FAN, past(off_minutes=4.0), T0))
    assert (said.next_start_at, said.starts_left, said.certain) == (T0 + 6 * MINUTE, None, True)
    assert said.reason == "off for 4 min of 10 min"
    assert said.holds == ((T0 - 4 * MINUTE, T0 + 6 * MINUTE),)


@pytest.mark.parametrize(("off_minutes", "wait_s"), [(10.0, 0.0), (10.0 - 1 / 60, 1.0)])
def test_off_time_edge(off_minutes: float, wait_s: float) -> None:
    assert given(site_rules.off_time(FAN, past(off_minutes=off_minutes), T0)).wait_s == pytest.approx(wait_s)


def test_off_time_of_a_running_motor_counts_from_a_stop_now() -> None:
    said = given(site_rules.off_time(FAN, past([mark(20)], state=MotorState.RUNNING), T0))
    assert (said.wait_s, said.certain) == (600.0, True)
    assert "counts from the stop" in said.reason


def test_off_time_of_a_tripped_motor_counts_like_any_other() -> None:
    assert given(site_rules.off_time(FAN, past(state=MotorState.TRIPPED, off_minutes=9.0), T0)).wait_s == 60.0


def test_off_time_is_doubted_only_while_it_matters() -> None:
    gap = ((T0 - 30 * MINUTE, T0 - 4 * MINUTE),)
    doubted = given(site_rules.off_time(FAN, past(off_minutes=60.0, unexplained=gap), T0))
    assert (doubted.wait_s, doubted.certain) == (360.0, False)
    later = given(site_rules.off_time(FAN, past(off_minutes=60.0, unexplained=gap), T0 + 6 * MINUTE))
    assert (later.wait_s, later.certain) == (0.0, True)


def test_while_blind_nothing_can_be_told() -> None:
    said = given(site_rules.off_time(FAN, past(blind_since=T0 - 30 * SECOND), T0))
    assert (said.next_start_at, said.certain, said.starts_left) == (None, False, None)
