"""Starts against the starter's rating."""

from __future__ import annotations

import pytest

from gateway.instants import MINUTE, SECOND, after
from gateway.motors import starter_rating
from gateway.motors.records import MotorState, Outcome
from tests.motors.past import T0, given, learned, mark, past, starter

TYPE_A = starter(device={"rating": "80 A: AC-53a: 3.5-17: 90-5"})  # cycle 720 s, off part 72 s
TYPE_B = starter(device={"rating": "80 A: AC-53b: 3-10: 350"})  # 90 Ie2s


def test_no_rating_says_nothing() -> None:
    assert starter_rating.verdict(starter(), past(), T0) is None


def test_a_rested_starter_may_start() -> None:
    said = given(starter_rating.verdict(TYPE_B, past([mark(30, winding_i2t_flc2s=72.0)]), T0))
    assert (said.wait_s, said.starts_left, said.used, said.allowed) == (0.0, None, 1, 10.0)
    assert said.source == "starter rating 80 A: AC-53b: 3-10: 350, IEC 60947-4-2"
    assert said.holds == ()


def test_type_b_counts_from_the_end_of_the_start_even_while_running() -> None:
    last = mark(3, duration_s=10.0, winding_i2t_flc2s=72.0)
    for state in (MotorState.RUNNING, MotorState.STOPPED):
        said = given(starter_rating.verdict(TYPE_B, past([last], state=state, off_minutes=1.0), T0))
        assert said.next_start_at == after(last.ended_at, 350.0)


def test_a_heavier_start_lengthens_the_rest_in_proportion_and_says_it_is_an_estimate() -> None:
    last = mark(3, duration_s=10.0, winding_i2t_flc2s=180.0)
    said = given(starter_rating.verdict(TYPE_B, past([last]), T0))
    assert said.next_start_at == after(last.ended_at, 700.0)
    assert "(estimate: that start carried 2 x the rated I2t)" in said.reason


def test_the_base_is_the_current_of_the_rating_then_the_device_then_the_motor() -> None:
    last = past([mark(3, duration_s=10.0, winding_i2t_flc2s=180.0)])
    for device, rest_s in (
        ({"rating": "AC-53b: 3-10: 350"}, 700.0),
        ({"rating": "AC-53b: 3-10: 350", "rated_current_a": 160.0}, 350.0),
        ({"rating": "160 A: AC-53b: 3-10: 350", "rated_current_a": 40.0}, 350.0),
    ):
        said = given(starter_rating.verdict(starter(device=device), last, T0))
        assert said.next_start_at == after(last.marks[-1].ended_at, rest_s)


def test_an_earlier_heavy_start_may_decide() -> None:
    marks = [mark(20, duration_s=10.0, winding_i2t_flc2s=900.0), mark(5, duration_s=10.0, winding_i2t_flc2s=72.0)]
    said = given(starter_rating.verdict(TYPE_B, past(marks), T0))
    assert said.next_start_at == after(marks[0].ended_at, 3500.0)


def test_type_a_spaces_the_begins_of_starts() -> None:
    last = mark(5, winding_i2t_flc2s=100.0)
    said = given(starter_rating.verdict(TYPE_A, past([last], off_minutes=4.0), T0))
    assert said.next_start_at == after(last.began_at, 720.0)
    assert said.reason == "5 min since the last start, rated 12 min"


def test_type_a_needs_the_off_part_of_the_cycle() -> None:
    said = given(starter_rating.verdict(TYPE_A, past([mark(60, winding_i2t_flc2s=100.0)], off_minutes=1.0), T0))
    assert said.wait_s == 12.0
    running = given(starter_rating.verdict(TYPE_A, past([mark(60, winding_i2t_flc2s=100.0)], state=MotorState.RUNNING), T0))
    assert running.wait_s == 72.0


def test_the_off_part_of_a_running_motor_holds_from_the_stop_that_is_to_come() -> None:
    running = given(starter_rating.verdict(TYPE_A, past([mark(60)], state=MotorState.RUNNING), T0))
    assert running.holds == ((T0, after(T0, 72.0)),)


def test_type_a_of_full_on_load_needs_no_off_time() -> None:
    full = starter(device={"rating": "80 A: AC-53a: 3.5-17: 100-5"})
    assert given(starter_rating.verdict(full, past([mark(60)], state=MotorState.RUNNING), T0)).wait_s == 0.0


def test_the_start_under_way_rests_from_now_at_the_learned_cost_at_least() -> None:
    history = past([mark(0.1, duration_s=1.0, winding_i2t_flc2s=5.0)], state=MotorState.STARTING, learned=learned(i2t_flc2s=135.0))
    assert given(starter_rating.verdict(TYPE_B, history, T0)).wait_s == pytest.approx(1.5 * 350.0)


def test_an_unseen_start_is_charged_at_the_learned_cost_and_doubted() -> None:
    history = past([mark(2, Outcome.UNSEEN, duration_s=0.0)], learned=learned(i2t_flc2s=180.0))
    said = given(starter_rating.verdict(TYPE_B, history, T0))
    assert said.wait_s == pytest.approx(580.0)
    assert not said.certain


def test_a_gap_may_hide_a_start() -> None:
    gap = ((T0 - 4 * MINUTE, T0 - MINUTE),)
    said = given(starter_rating.verdict(TYPE_B, past(unexplained=gap), T0))
    assert (said.next_start_at, said.certain) == (after(T0 - MINUTE, 360.0), False)
    behind = past([mark(0.5, duration_s=10.0, winding_i2t_flc2s=72.0)], unexplained=gap)
    assert given(starter_rating.verdict(TYPE_B, behind, T0)).certain  # a later start that was seen decides
    older = given(starter_rating.verdict(TYPE_B, past(unexplained=((T0 - 9 * MINUTE, T0 - 7 * MINUTE),)), T0))
    assert (older.wait_s, older.certain) == (0.0, True)


def test_a_rating_that_cannot_be_read_tells_nothing_but_says_why() -> None:
    said = given(starter_rating.verdict(starter(device={"rating": "AC-53b: 3,5-10: 350"}), past(), T0))
    assert (said.next_start_at, said.certain) == (None, False)
    assert "decimal comma" in said.reason


def test_while_blind_nothing_can_be_told() -> None:
    assert given(starter_rating.verdict(TYPE_B, past(blind_since=T0 - 30 * SECOND), T0)).next_start_at is None
