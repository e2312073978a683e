"""What stands behind a budget: how it was decided, the heat to come, what a start would do, what the duty may do for ever."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given as cases
from hypothesis import strategies as st

from gateway.instants import HOUR, MINUTE, SECOND, after
from gateway.motors.budget import budget
from gateway.motors.facts import Starter
from gateway.motors.history import History
from gateway.motors.outlook import HEAT_POINTS, with_outlook
from gateway.motors.outlook_terms import Outlook
from gateway.motors.reading import Quality
from gateway.motors.records import LimitName, MotorState
from gateway.motors.sustained import Duty, sustained_starts_per_hour
from gateway.motors.thermal import thermal_model
from gateway.motors.watch import Watch
from tests.motors.past import T0, heat, learned, mark, past, starter
from tests.motors.strips import OFF, RAMPS, SPEED, Piece, falling, fold, strip
from tests.motors.strips import starter as fan


def outlook(of: Starter, history: History, at: int = T0) -> Outlook:
    found = with_outlook(of, history, budget(of, history, at)).outlook
    assert found is not None
    return found


# Decided by.


def test_by_how_much_the_latest_limit_decides() -> None:
    limited = starter(limits={"starts_per_hour": 3, "off_time_s": 300.0})
    found = outlook(limited, past([mark(m) for m in (50, 30, 12)], off_minutes=2.0))
    assert (found.runner_up, found.decides_by_s, found.decides_by_starts) == (LimitName.SITE_OFF_TIME, 420.0, None)


def test_by_how_many_starts_when_one_is_permitted_now() -> None:
    limited = starter(limits={"starts_per_hour": 3})
    found = outlook(limited, past([mark(50)], heat=heat(0.2)))
    assert (found.runner_up, found.decides_by_s) == (LimitName.THERMAL_CAPACITY, None)
    assert found.decides_by_starts == 3, "2 left by the rule, 5 by the heat"


def test_a_limit_that_does_not_count_is_no_measure() -> None:
    limited = starter(limits={"off_time_s": 60.0})
    found = outlook(limited, past())
    assert (found.runner_up, found.decides_by_s, found.decides_by_starts) == (LimitName.SITE_OFF_TIME, None, None)


def test_alone_there_is_nobody_to_beat() -> None:
    found = outlook(starter(), past())
    assert (found.runner_up, found.decides_by_s, found.decides_by_starts) == (None, None, None)


def test_never_is_no_number_of_seconds() -> None:
    limited = starter(limits={"starts_per_hour": 3})
    found = outlook(limited, past(learned=learned(heat=1.2)))
    assert (found.runner_up, found.decides_by_s) == (LimitName.SITE_STARTS_PER_HOUR, None)
    assert LimitName.THERMAL_CAPACITY in found.if_started.broken
    assert found.if_started.next_start_at is None


# Heat to come.


def test_the_heat_falls_from_now_to_the_next_permitted_start() -> None:
    limited = starter(limits={"starts_per_hour": 2})
    history = past([mark(40), mark(20)], heat=heat(0.9))
    found = with_outlook(limited, history, budget(limited, history, T0))
    assert found.outlook is not None and found.next_start_at == T0 + 20 * MINUTE
    points = found.outlook.heat
    assert (points[0][0], points[-1][0], len(points)) == (T0, T0 + 20 * MINUTE, HEAT_POINTS)
    used = [point for _, point in points]
    assert used == sorted(used, reverse=True)
    model = thermal_model(limited)
    assert used[-1] == pytest.approx(model.used(model.after(history.heat, T0 + 20 * MINUTE, 0.0, False)))


def test_an_hour_is_told_when_a_start_is_permitted_now() -> None:
    assert outlook(starter(), past()).heat[-1][0] == T0 + HOUR


# If it were started all the same.


def test_a_refused_start_made_anyway() -> None:
    limited = starter(limits={"starts_per_hour": 2, "off_time_s": 600.0})
    history = past([mark(40), mark(20)], heat=heat(1.1), off_minutes=5.0)
    made = outlook(limited, history).if_started
    assert set(made.broken) == {LimitName.SITE_STARTS_PER_HOUR, LimitName.SITE_OFF_TIME, LimitName.THERMAL_CAPACITY}
    assert made.heat_before == pytest.approx(1.1 / 1.21)
    assert made.heat_after == pytest.approx(1.1 / 1.21 + 0.14)
    assert made.over_by == pytest.approx(1.1 / 1.21 + 0.14 - 1.0)
    assert made.next_start_at == T0 + 40 * MINUTE, "then the second last one must let go too"
    assert not made.estimated


def test_a_permitted_start_breaks_nothing() -> None:
    made = outlook(starter(limits={"starts_per_hour": 3}), past(heat=heat(0.2))).if_started
    assert (made.broken, made.over_by) == ((), 0.0)
    assert made.next_start_at == after(T0, learned().duration_s), "and leaves two"


def test_an_estimate_is_said() -> None:
    assert outlook(starter(), past(learned=learned(estimated=True))).if_started.estimated


@cases(
    minutes=st.lists(st.floats(0.5, 70.0), max_size=5),
    used=st.floats(0.0, 1.3),
    rise=st.floats(0.01, 0.6),
    allowed=st.integers(1, 4),
    off=st.floats(0.1, 60.0),
)
def test_what_is_foretold_of_a_start_is_what_happens(minutes: list[float], used: float, rise: float, allowed: int, off: float) -> None:
    limited = starter(limits={"starts_per_hour": allowed, "off_time_s": 300.0}, device={"rating": "80 A: AC-53b: 3-10: 350"})
    history = past(
        [mark(m, winding_i2t_flc2s=72.0) for m in sorted(minutes, reverse=True)], heat=heat(used), learned=learned(rise), off_minutes=off
    )
    before = budget(limited, history, T0)
    made = outlook(limited, history).if_started
    assert made.heat_after == pytest.approx(made.heat_before + rise)
    permitted = before.next_start_at == T0
    assert permitted is not bool(made.broken)
    if made.next_start_at is not None:
        assert made.next_start_at >= after(T0, learned().duration_s)
        assert before.next_start_at is None or made.next_start_at >= before.next_start_at, "a start never brings the next one forward"


# For ever.


def test_the_present_duty_comes_from_the_last_runs() -> None:
    watch = Watch(fan())
    start = (Piece(6.0, 3.5, RAMPS), Piece(0.6, falling(3.5, 0.9, 0.6), RAMPS))
    cycle = (Piece(10.0, 0.0, OFF), *start, Piece(120.0, 0.8, SPEED))
    fold(watch, strip([*cycle, *cycle, *cycle, Piece(5.0, 0.0, OFF)], 0.2))
    history = watch.history()
    assert history.run_s == pytest.approx(120.0, abs=1.0)
    assert history.run_ratio == pytest.approx(0.8)
    said = watch.explained_budget(history.at).outlook
    assert said is not None and said.sustained is not None
    duty = Duty(run_s=history.run_s or 0.0, run_ratio=history.run_ratio or 0.0)
    assert said.sustained.starts_per_hour == sustained_starts_per_hour(watch.starter, history.learned, duty)


def test_without_a_run_there_is_no_duty() -> None:
    assert outlook(starter(), past()).sustained is None


def test_a_rating_that_cannot_be_read_gives_no_rates() -> None:
    unreadable = starter(device={"rating": "AC-53b: 3,5-10: 350"})
    assert outlook(unreadable, past(run_s=600.0, run_ratio=0.9)).sustained is None


# While nothing can be told.


def test_while_blind_there_is_no_outlook() -> None:
    history = past(blind_since=T0 - HOUR, quality=Quality.BAD)
    said = budget(starter(), history, T0)
    assert with_outlook(starter(), history, said) == said


@pytest.mark.parametrize("state", [MotorState.RUNNING, MotorState.STARTING])
def test_a_motor_that_is_on_is_told_as_stopped_now(state: MotorState) -> None:
    extra: dict[str, Any] = {"heat": heat(1.0)}
    found = outlook(starter(limits={"off_time_s": 600.0}), past([mark(5)], state=state, **extra))
    assert found.heat[0][1] > found.heat[-1][1]
    assert found.if_started.broken == (LimitName.SITE_OFF_TIME,)


def test_a_later_instant() -> None:
    limited = starter(limits={"starts_per_hour": 2})
    history = past([mark(40), mark(20)], heat=heat(0.9))
    later = replace(history, at=T0 + 30 * MINUTE)
    found = outlook(limited, later, T0 + 30 * MINUTE)
    assert found.if_started.broken == ()
    assert found.heat[0][0] == T0 + 30 * MINUTE
    assert found.heat[0][1] < heat(0.9).nodes[0]


def test_starts_in_the_hour_before() -> None:
    watch = Watch(fan())
    pieces = [Piece(5.0, 0.0, OFF), Piece(3.0, 3.5, RAMPS), Piece(5.0, 0.0, OFF), Piece(3.0, 3.5, RAMPS)]
    fold(watch, strip(pieces, 0.2))
    at = watch.live().at or 0
    assert watch.starts_since(at) == 2, "the one under way included"
    assert watch.starts_since(at + HOUR - 6 * SECOND) == 1
    assert watch.starts_since(at + HOUR) == 0
