"""All limits together: the least, the latest, and which one decides."""

from __future__ import annotations

import itertools
from typing import Any

import pytest
from hypothesis import given as cases
from hypothesis import strategies as st

from gateway.instants import MINUTE, SECOND
from gateway.motors.budget import budget
from gateway.motors.facts import LoadData, LoadKind, Starter
from gateway.motors.reading import Quality
from gateway.motors.records import LimitName, MotorState, Outcome
from tests.motors.past import T0, heat, learned, mark, past, starter


def held(**limits: Any) -> Starter:
    """Return a starter held against every limit there is."""
    return starter(
        limits={"starts_per_hour": 3, "off_time_s": 600.0, "cold_hot": True, "nema_mg10": True} | limits,
        device={"rating": "80 A: AC-53b: 3-10: 350"},
        load=LoadData(kind=LoadKind.FAN, inertia_kg_m2=2.0),
        frequency_hz=60.0,
        poles=4,
        design="B",
        starts_per_hour=4.0,
    )


def test_every_limit_is_there_with_its_source() -> None:
    said = budget(held(), past(), T0)
    assert {verdict.limit for verdict in said.limits} == set(LimitName)
    assert all(verdict.source for verdict in said.limits)
    assert (said.quality, said.next_start_at, said.as_of) == (Quality.GOOD, T0, T0)


def test_a_starter_without_any_rule_still_has_its_thermal_capacity() -> None:
    said = budget(starter(), past(), T0)
    assert [verdict.limit for verdict in said.limits] == [LimitName.THERMAL_CAPACITY]
    assert (said.deciding_limit, said.starts_left) == (LimitName.THERMAL_CAPACITY, 7)


def test_the_latest_next_start_decides_and_the_least_count_is_left() -> None:
    marks = [mark(m, winding_i2t_flc2s=72.0) for m in (50, 30, 12)]
    said = budget(held(), past(marks, off_minutes=2.0), T0)
    assert (said.deciding_limit, said.next_start_at, said.starts_left) == (LimitName.SITE_STARTS_PER_HOUR, T0 + 10 * MINUTE, 0)
    assert said.reason == "next start in 10 min: 3 of 3 starts in 60 min; the oldest lets go in 10 min"
    assert [verdict.limit for verdict in said.limits[:2]] == [LimitName.SITE_STARTS_PER_HOUR, LimitName.SITE_OFF_TIME]


def test_when_a_start_is_permitted_the_fewest_left_decides() -> None:
    said = budget(starter(limits={"starts_per_hour": 3}), past([mark(50), mark(20)], heat=heat(0.2)), T0)
    assert (said.deciding_limit, said.starts_left) == (LimitName.SITE_STARTS_PER_HOUR, 1)
    assert said.reason == "1 start left: 2 of 3 starts in 60 min"
    hot = budget(starter(limits={"starts_per_hour": 9}), past(heat=heat(0.95)), T0)
    assert (hot.deciding_limit, hot.starts_left) == (LimitName.THERMAL_CAPACITY, 1)


def test_ties_are_broken_by_the_order_of_the_limits() -> None:
    said = budget(held(), past(learned=learned(heat=0.4)), T0)
    ties = [verdict.limit for verdict in said.limits if verdict.starts_left == 2]
    order = list(LimitName)
    assert len(ties) > 1
    assert ties == sorted(ties, key=order.index)


def test_a_limit_that_never_permits_a_start_decides() -> None:
    said = budget(held(), past([mark(5)], off_minutes=2.0, learned=learned(heat=1.2), heat=heat(0.3)), T0)
    assert (said.deciding_limit, said.next_start_at, said.quality) == (LimitName.THERMAL_CAPACITY, None, Quality.GOOD)
    assert said.starts_left == 0
    assert said.reason.startswith("no start is permitted: 25 % used, a start adds 120 %")


def test_without_readings_it_says_so_and_nothing_else() -> None:
    said = budget(held(), past([mark(50)], blind_since=T0 - 90 * SECOND), T0)
    assert (said.quality, said.next_start_at, said.deciding_limit, said.starts_left) == (Quality.BAD, None, None, 0)
    assert said.reason == "no readings for 90 s, the next start cannot be told"
    assert not any(verdict.certain for verdict in said.limits)


def test_doubt_makes_the_budget_uncertain() -> None:
    assert budget(held(), past(heat=heat(0.5, certain=False)), T0).quality is Quality.UNCERTAIN
    assert budget(held(), past(quality=Quality.BAD, reason="current is bad"), T0).quality is Quality.UNCERTAIN


def test_a_gap_never_makes_a_budget_better() -> None:
    marks = [mark(50), mark(20)]
    without = budget(held(), past(marks, off_minutes=15.0), T0)
    with_gap = budget(held(), past(marks, off_minutes=15.0, unexplained=((T0 - 9 * MINUTE, T0 - 3 * MINUTE),)), T0)
    assert with_gap.next_start_at is not None and without.next_start_at is not None
    assert with_gap.next_start_at > without.next_start_at
    assert (with_gap.starts_left or 0) <= (without.starts_left or 0)


@cases(
    minutes=st.lists(st.floats(0.5, 100.0), max_size=6),
    state=st.sampled_from([MotorState.STOPPED, MotorState.RUNNING, MotorState.TRIPPED, MotorState.UNKNOWN]),
    off=st.floats(0.1, 50.0),
    x=st.floats(0.0, 1.5),
    later_s=st.floats(0.0, 7200.0),
)
def test_budget_is_the_least_and_the_latest_of_its_limits(
    minutes: list[float], state: MotorState, off: float, x: float, later_s: float
) -> None:
    history = past([mark(m) for m in sorted(minutes, reverse=True)], state=state, off_minutes=off, heat=heat(x))
    said = budget(held(), history, T0 + round(later_s * SECOND))
    nexts = [verdict.next_start_at for verdict in said.limits if verdict.next_start_at is not None]
    assert said.next_start_at == max(nexts)
    assert said.starts_left == min(verdict.starts_left for verdict in said.limits if verdict.starts_left is not None)
    assert said.deciding_limit is said.limits[0].limit
    for earlier, later in itertools.pairwise(said.limits):
        assert (earlier.next_start_at or 0) >= (later.next_start_at or 0)
    for verdict in said.limits:
        assert verdict.wait_s is not None and verdict.wait_s >= 0.0
        assert verdict.starts_left is None or verdict.starts_left == 0 or verdict.limit is LimitName.NEMA_MG10 or verdict.wait_s == 0.0


@cases(minutes=st.lists(st.floats(0.5, 100.0), max_size=5), x=st.floats(0.0, 1.5), off=st.floats(0.1, 50.0), extra=st.floats(0.2, 60.0))
def test_one_more_start_never_makes_a_budget_better(minutes: list[float], x: float, off: float, extra: float) -> None:
    marks = [mark(m, Outcome.ABORTED, duration_s=1.0) for m in minutes]
    more = [*marks, mark(extra, Outcome.ABORTED, duration_s=1.0)]
    without, with_it = (
        budget(held(), past(sorted(some, key=lambda one: one.began_at), off_minutes=off, heat=heat(x)), T0) for some in (marks, more)
    )
    assert with_it.next_start_at is not None and without.next_start_at is not None
    assert with_it.next_start_at >= without.next_start_at
    assert (with_it.starts_left or 0) <= (without.starts_left or 0)


@pytest.mark.parametrize("minutes", [0.0, 5.0, 9.99])
def test_a_permitted_start_made_at_its_instant_is_permitted_again_when_asked_then(minutes: float) -> None:
    history = past([mark(50), mark(30), mark(12)], off_minutes=2.0)
    first = budget(held(), history, T0 + round(minutes * MINUTE))
    assert first.next_start_at is not None
    assert budget(held(), history, first.next_start_at).next_start_at == first.next_start_at
