"""Actual starts against the rating index of their starter: each thing that can be exceeded, at and beyond what is allowed."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given as cases
from hypothesis import strategies as st

from gateway.instants import MINUTE, SECOND
from gateway.motors.rating_check import Exceeded, check_start
from gateway.motors.rating_index import parse_rating
from gateway.motors.records import Outcome, Start, Stop, StopKind
from tests.motors.past import T0, starter

B = parse_rating("80 A: AC-53b: 3.5-15: 345")
A = parse_rating("80 A: AC-53a: 3.5-17: 90-5")
FAN = starter()


def start(minutes: float = 0.0, number: int = 100, outcome: Outcome = Outcome.AT_SPEED, lasts_s: float = 10.0, **figures: Any) -> Start:
    """Return a start so many minutes before T0: by default 3 x for 10 s, 5.8e5 A2 s."""
    began_at = T0 - round(minutes * MINUTE)
    fields: dict[str, Any] = {"steady_peak_current_a": 240.0, "i2t_a2s": 240.0**2 * 10.0, "i2t_error_pct": 2.0} | figures
    return Start(number=number, began_at=began_at, ended_at=began_at + round(lasts_s * SECOND), outcome=outcome, **fields)


def stop(minutes: float, run_min: float | None = 5.0) -> Stop:
    ended_at = T0 - round(minutes * MINUTE)
    run_began_at = None if run_min is None else ended_at - round(run_min * MINUTE)
    return Stop(began_at=ended_at, ended_at=ended_at, kind=StopKind.COAST, run_began_at=run_began_at)


def told(
    rating: Any, held: Start, earlier: list[Start] | None = None, stops: list[Stop] | None = None
) -> dict[Exceeded, tuple[float, float, bool]]:
    found = check_start(rating, FAN, held, earlier or [], stops or [])
    return {finding.what: (round(finding.found, 3), round(finding.allowed, 3), finding.certain) for finding in found}


@pytest.mark.parametrize("rating", [A, B])
def test_a_start_within_its_rating_exceeds_nothing(rating: Any) -> None:
    assert told(rating, start()) == {}


@pytest.mark.parametrize(("peak_a", "expected"), [(280.0, {}), (280.1, {Exceeded.PEAK: (3.501, 3.5, True)}), (None, {})])
def test_peak(peak_a: float | None, expected: dict[Exceeded, Any]) -> None:
    assert told(B, start(steady_peak_current_a=peak_a)) == expected


def test_the_largest_sample_serves_where_there_is_no_steady_one() -> None:
    assert Exceeded.PEAK in told(B, start(steady_peak_current_a=None, peak_current_a=300.0))


def test_time_is_that_of_the_same_heat() -> None:
    rated = (3.5 * 80.0) ** 2
    assert told(B, start(i2t_a2s=rated * 15.0)) == {}
    assert told(B, start(i2t_a2s=rated * 15.2)) == {Exceeded.TIME: (15.2, 15.0, False)}, "within its band"
    assert told(B, start(i2t_a2s=rated * 16.0)) == {Exceeded.TIME: (16.0, 15.0, True)}
    assert told(B, start(i2t_a2s=None)) == {}
    # 25 s at 2.5 x is longer than Tx and still less heat than 15 s at 3.5 x.
    assert told(B, start(lasts_s=25.0, steady_peak_current_a=200.0, i2t_a2s=200.0**2 * 25.0)) == {}


def test_the_rated_current_is_that_of_the_index_else_of_the_device_else_of_the_motor() -> None:
    unnamed = parse_rating("AC-53b: 3.5-15: 345")
    assert told(unnamed, start(steady_peak_current_a=290.0)) != {}
    larger = starter(device={"rated_current_a": 100.0})
    assert check_start(unnamed, larger, start(steady_peak_current_a=290.0), [], []) == ()


# Type b: OFF seconds from the end of one start to the begin of the next.


@pytest.mark.parametrize(("minutes", "off_s"), [(5.0, 290.0), (355.0 / 60.0, None), (5.9, 344.0)])
def test_off_time_of_the_semiconductors(minutes: float, off_s: float | None) -> None:
    expected = {} if off_s is None else {Exceeded.OFF_TIME: (off_s, 345.0, True)}
    assert told(B, start(), [start(60.0, 1), start(minutes, 2)]) == expected


def test_an_unseen_start_before_it_is_placed_late_and_uncertain() -> None:
    unseen = start(30.0, 2, Outcome.UNSEEN, lasts_s=28 * 60.0)
    assert told(B, start(), [unseen]) == {Exceeded.OFF_TIME: (120.0, 345.0, False)}


def test_the_start_itself_and_later_ones_do_not_count() -> None:
    held = start()
    assert told(B, held, [held, start(-1.0, 101)]) == {}


# Type a: S starts an hour, F on-load, off part of the cycle.


def test_rate() -> None:
    five = [start(minutes, number) for number, minutes in enumerate((58.0, 45.0, 32.0, 20.0, 10.0))]
    assert told(A, start(), five[1:]) == {}, "five in the hour are rated"
    assert told(A, start(), five) == {Exceeded.RATE: (6.0, 5.0, True)}
    unseen = [*five[1:], start(12.0, 50, Outcome.UNSEEN, lasts_s=60.0)]
    assert told(A, start(), unseen) == {Exceeded.RATE: (6.0, 5.0, False)}
    exactly = [start(60.0, 1), *five[1:]]
    assert told(A, start(), exactly) == {}, "a start counts for 60 min and not longer"


def test_off_part_of_the_cycle() -> None:
    # 90 % of 720 s on: 72 s off.
    assert told(A, start(), [start(6.0, 1)], [stop(1.0)]) == {Exceeded.OFF_TIME: (60.0, 72.0, True)}
    assert told(A, start(), [start(7.0, 1)], [stop(1.2)]) == {}
    assert told(A, start(), [start(1.0, 1, Outcome.ABORTED, lasts_s=5.0)]) == {Exceeded.OFF_TIME: (55.0, 72.0, True)}


def test_on_load_factor() -> None:
    assert told(A, start(), [start(58.0, 1)], [stop(2.0, run_min=56.0)]) == {Exceeded.ON_LOAD: (93.333, 90.0, True)}
    assert told(A, start(), [start(58.0, 1)], [stop(8.0, run_min=50.0)]) == {}
    long = told(A, start(), [start(300.0, 1)], [stop(2.0, run_min=298.0)])
    assert long == {Exceeded.ON_LOAD: (96.667, 90.0, True)}, "only the hour counts"


def test_without_a_known_stop_neither_is_judged() -> None:
    assert told(A, start(), [start(1.0, 1)]) == {}
    assert told(A, start(), [start(1.5, 1)], [stop(1.2, run_min=None)]) == {}


@cases(
    peak=st.floats(50.0, 600.0),
    i2t=st.floats(1e4, 1e7),
    minutes=st.lists(st.floats(0.2, 120.0), max_size=8),
    which=st.sampled_from([A, B]),
)
def test_what_is_told_is_always_beyond_what_is_allowed(peak: float, i2t: float, minutes: list[float], which: Any) -> None:
    earlier = [start(minute, number) for number, minute in enumerate(sorted(minutes, reverse=True))]
    stops = [stop(minute / 2.0, run_min=minute / 2.0) for minute in minutes]
    for finding in check_start(which, FAN, start(steady_peak_current_a=peak, i2t_a2s=i2t), earlier, stops):
        if finding.what is Exceeded.OFF_TIME:
            assert 0.0 <= finding.found < finding.allowed
        else:
            assert finding.found > finding.allowed
