"""Events in order, day by day, the same for the same seed."""

from __future__ import annotations

import pytest

from simulators.timetable import DAY_S, Action, DailyRuns, Event, Timetable


def taken(table: Timetable, until_s: float) -> list[Event]:
    events = []
    while (event := table.peek()) is not None and event.at_s < until_s:
        events.append(table.pop())
    return events


def test_runs_of_a_day() -> None:
    table = Timetable(daily=(DailyRuns(first_s=3600.0, every_s=7200.0, last_s=4 * 3600.0, run_s=600.0),))
    assert [(event.at_s, event.action) for event in taken(table, DAY_S)] == [
        (3600.0, Action.START),
        (4200.0, Action.STOP),
        (10800.0, Action.START),
        (11400.0, Action.STOP),
    ]


def test_a_run_over_midnight_ends_in_the_next_day() -> None:
    table = Timetable(daily=(DailyRuns(first_s=23 * 3600.0, run_s=7200.0),))
    assert [event.at_s / 3600.0 for event in taken(table, 2 * DAY_S)] == [23.0, 25.0, 47.0]


def test_days_of_the_week() -> None:
    table = Timetable(daily=(DailyRuns(first_s=0.0, run_s=60.0, days=frozenset({1, 3})),))
    assert [event.at_s / DAY_S for event in taken(table, 10 * DAY_S) if event.action is Action.START] == [0.0, 2.0, 7.0, 9.0]


def test_jitter_is_bounded_and_the_same_for_the_same_seed() -> None:
    daily = (DailyRuns(first_s=3600.0, every_s=3600.0, run_s=60.0, jitter_s=300.0),)
    first, second, other = (taken(Timetable(daily=daily, seed=seed), 7 * DAY_S) for seed in (3, 3, 4))
    assert first == second != other
    late = [event.at_s % 3600.0 for event in first if event.action is Action.START]
    assert min(late) >= 0.0
    assert max(late) < 300.0
    assert len({round(each, 3) for each in late}) > 100


def test_single_events_come_in_between_and_may_be_added() -> None:
    table = Timetable(daily=(DailyRuns(first_s=100.0, run_s=50.0),), single=(Event(120.0, Action.TRIP),))
    table.add(Event(110.0, Action.RESET))
    assert [event.action for event in taken(table, 200.0)] == [Action.START, Action.RESET, Action.TRIP, Action.STOP]


def test_an_empty_timetable_has_nothing() -> None:
    table = Timetable()
    assert table.peek() is None
    with pytest.raises(IndexError):
        table.pop()


def test_a_pattern_that_never_comes_ends_the_search() -> None:
    assert Timetable(daily=(DailyRuns(first_s=0.0, run_s=1.0, days=frozenset({9})),)).peek() is None
