"""Rolling windows, hidden starts and off time, against brute force and at their edges."""

from __future__ import annotations

import pytest
from hypothesis import given as cases
from hypothesis import strategies as st

from gateway.instants import MINUTE, SECOND, Instant, after
from gateway.motors.reading import Quality
from gateway.motors.records import LimitName, MotorState, Outcome
from gateway.motors.verdicts import hidden_starts, is_blind, judged, off_since, rolling_window, start_under_way, verdict_of
from tests.motors.past import T0, learned, mark, past, starter

HOUR_US = 60 * MINUTE


@cases(begins=st.lists(st.integers(0, 8000), max_size=12), allowed=st.integers(1, 6), at_s=st.integers(3600, 9000))
def test_window_agrees_with_trying_every_second(begins: list[int], allowed: int, at_s: int) -> None:
    begins = [begin for begin in begins if begin <= at_s]
    window = rolling_window([begin * SECOND for begin in begins], allowed, 3600.0, at_s * SECOND)

    def counting(second: int) -> int:
        return sum(1 for begin in begins if second - 3600 < begin <= second)

    assert window.used == counting(at_s)
    assert window.starts_left == max(0, allowed - counting(at_s))
    assert window.next_start_at == next(second for second in range(at_s, at_s + 3601) if counting(second) < allowed) * SECOND


@cases(begins=st.lists(st.integers(0, 3600 * 4), min_size=1, max_size=30), allowed=st.integers(1, 5))
def test_starts_made_when_permitted_never_exceed_the_rule(begins: list[int], allowed: int) -> None:
    made: list[Instant] = []
    for wish in sorted(begins):
        at = max(wish * SECOND, made[-1] if made else 0)
        next_at = rolling_window(made, allowed, 3600.0, at).next_start_at
        assert next_at is not None
        made.append(next_at)
    for end in made:
        assert sum(1 for begin in made if end - HOUR_US < begin <= end) <= allowed


def test_a_start_lets_go_after_exactly_its_window() -> None:
    assert rolling_window([0], 1, 3600.0, HOUR_US - 1).starts_left == 0
    assert rolling_window([0], 1, 3600.0, HOUR_US).starts_left == 1


def test_none_allowed_is_never() -> None:
    window = rolling_window([], 0, 3600.0, 0)
    assert (window.starts_left, window.next_start_at) == (0, None)


def test_holds_are_the_spans_of_the_counting_starts() -> None:
    assert rolling_window([5 * MINUTE, 0], 3, 3600.0, 10 * MINUTE).holds == ((0, HOUR_US), (5 * MINUTE, HOUR_US + 5 * MINUTE))


def test_starts_in_the_future_do_not_count() -> None:
    assert rolling_window([10 * MINUTE], 1, 3600.0, 5 * MINUTE).used == 0


@pytest.mark.parametrize(
    ("gap_s", "found"),
    [(5.0, 1), (9.9, 1), (10.0, 2), (25.0, 3), (4000.0, 4)],  # a cycle is 9.4 s of start and 0.6 s of off
)
def test_how_many_starts_a_gap_may_hide(gap_s: float, found: int) -> None:
    ended_at = T0 - MINUTE
    hidden = hidden_starts(starter(), past(unexplained=((after(ended_at, -gap_s), ended_at),)), T0, 3600.0, 4)
    assert hidden.begins == (ended_at,) * found
    assert "may be hidden" in hidden.reason


def test_gaps_outside_the_window_hide_nothing() -> None:
    old = past(unexplained=((T0 - 90 * MINUTE, T0 - HOUR_US),))
    assert hidden_starts(starter(), old, T0, 3600.0, 4).begins == ()
    coming = past(unexplained=((T0 + MINUTE, T0 + 2 * MINUTE),))
    assert hidden_starts(starter(), coming, T0, 3600.0, 4).begins == ()


def test_hidden_starts_of_several_gaps_add_up_to_no_more_than_matter() -> None:
    gaps = tuple((T0 - m * MINUTE - 30 * SECOND, T0 - m * MINUTE) for m in (40, 20, 5))
    assert len(hidden_starts(starter(), past(unexplained=gaps), T0, 3600.0, 5).begins) == 5


@pytest.mark.parametrize(("blind_s", "blind"), [(5.0, False), (5.1, True)])
def test_blind_is_longer_than_the_gap_time(blind_s: float, blind: bool) -> None:
    assert is_blind(starter(), past(blind_since=after(T0, -blind_s))) is blind


def test_off_since_is_pushed_back_by_what_was_not_seen() -> None:
    fan = starter()
    assert off_since(fan, past(off_minutes=30.0), T0) == (T0 - 30 * MINUTE, "")
    unseen = mark(10, Outcome.UNSEEN, duration_s=0.0)
    since, doubt = off_since(fan, past([unseen], off_minutes=30.0), T0)
    assert (since, bool(doubt)) == (T0 - 10 * MINUTE, True)
    assert off_since(fan, past([mark(40, Outcome.UNSEEN, duration_s=0.0)], off_minutes=30.0), T0) == (T0 - 30 * MINUTE, "")
    assert off_since(fan, past(off_minutes=3.0, unexplained=((T0 - 9 * MINUTE, T0 - 8 * MINUTE),)), T0) == (T0 - 3 * MINUTE, "")
    since, doubt = off_since(fan, past(off_minutes=30.0, unexplained=((T0 - 8 * MINUTE, T0 - 7 * MINUTE),)), T0)
    assert (since, bool(doubt)) == (T0 - 7 * MINUTE, True)


@pytest.mark.parametrize(
    ("state", "doubted"),
    [(MotorState.RUNNING, False), (MotorState.STARTING, False), (MotorState.STOPPED, True), (MotorState.UNKNOWN, True)],
)
def test_off_since_when_it_is_not_there(state: MotorState, doubted: bool) -> None:
    since, doubt = off_since(starter(), past(state=state, off_minutes=None), T0)
    assert (since, bool(doubt)) == (None, doubted)


def test_start_under_way_is_the_last_one_of_a_starting_motor() -> None:
    under_way = mark(0.1)
    assert start_under_way(past([mark(30), under_way], state=MotorState.STARTING)) is under_way
    assert start_under_way(past([mark(30)])) is None
    assert start_under_way(past(state=MotorState.STARTING)) is None


def test_a_next_start_in_the_past_is_now() -> None:
    said = verdict_of(LimitName.SITE_OFF_TIME, "site rule", T0, T0 - 5, "kept")
    assert (said.next_start_at, said.wait_s, said.certain) == (T0, 0.0, True)


def test_blindness_tells_nothing() -> None:
    said = verdict_of(LimitName.SITE_STARTS_PER_HOUR, "site rule", T0, T0, "0 of 3", starts_left=3)
    blind = judged(said, starter(), past(blind_since=T0 - MINUTE))
    assert (blind.starts_left, blind.next_start_at, blind.wait_s, blind.certain) == (0, None, None, False)
    assert blind.reason == "no readings for 60 s, the next start cannot be told"


def test_a_bad_history_makes_a_verdict_uncertain_with_its_reason() -> None:
    said = verdict_of(LimitName.SITE_STARTS_PER_HOUR, "site rule", T0, T0, "0 of 3", starts_left=3)
    doubted = judged(said, starter(), past(quality=Quality.BAD, reason="current is bad"))
    assert (doubted.certain, doubted.reason) == (False, "0 of 3; current is bad")
    assert judged(said, starter(), past(quality=Quality.BAD)).reason == "0 of 3"
    assert judged(said, starter(), past(quality=Quality.UNCERTAIN, reason="stamps differ")) == said


def test_learned_length_sets_the_shortest_cycle() -> None:
    gap = ((T0 - 2 * MINUTE, T0 - MINUTE),)
    long = past(unexplained=gap, learned=learned(duration_s=59.4))
    assert len(hidden_starts(starter(), long, T0, 3600.0, 9).begins) == 2
