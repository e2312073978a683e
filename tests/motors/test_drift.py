"""Drift: what is learned, what is found and when, what it is called, and where it begins anew."""

from __future__ import annotations

import json
import random
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.instants import MINUTE, SECOND, Instant
from gateway.motors.drift import COLD_BELOW, LEARN, MEASURES, MOST_BREAKS, SETTLED_S, Baseline, DriftWatch
from gateway.motors.drift_hints import MARK, hint_for, text_for
from gateway.motors.drift_terms import Begun, Drift, Figure
from gateway.motors.facts import LoadData, LoadKind, Starter
from gateway.motors.plain import from_plain, to_plain
from gateway.motors.reading import Quality
from gateway.motors.records import DriftFound, MotorState, Outcome, Start, StartBegan, StartEnded, StateChanged, Stop, StopEnded, StopKind
from gateway.motors.watch import Watch
from tests.motors.strips import OFF, RAMPS, SPEED, Piece, falling, starter, strip

PUMP = replace(starter(), load=LoadData(kind=LoadKind.PUMP))


def ended(number: int, **figures: Any) -> StartEnded:
    began_at = number * 60 * MINUTE
    fields: dict[str, Any] = {"duration_s": 9.0, "i2t_flc2s": 70.0, "peak_ratio": 3.5, "at_speed_current_a": 68.0, "unbalance_pct": 1.0}
    fields |= {"outcome": Outcome.AT_SPEED, "heat_before": 0.5} | figures
    start = Start(number=number, began_at=began_at, ended_at=began_at + 9 * SECOND, **fields)
    return StartEnded(at=start.ended_at, start=start)


def fed(watch: DriftWatch, numbers: range, to: Starter = PUMP, **series: Any) -> tuple[Drift, ...]:
    """Feed starts whose figures are functions of their number; return every drift that was new."""
    new: tuple[Drift, ...] = ()
    for number in numbers:
        event = ended(number, **{name: value(number) if callable(value) else value for name, value in series.items()})
        new += watch.take(event, to)
        new += watch.settle(event.start.ended_at + round(SETTLED_S * SECOND), to)
    return new


def noisy(mean: float, seed: int, share: float = 0.01) -> Any:
    draw = random.Random(seed)
    return lambda number: mean * (1.0 + draw.gauss(0.0, share))


# What is found.


def test_a_slow_rise_is_found_and_told_in_words() -> None:
    watch, noise = DriftWatch(), noisy(8.9, 1)
    new = fed(watch, range(1, 100), duration_s=lambda n: noise(n) * (1.0 + 0.003 * max(0, n - 20)))
    assert [(drift.figure, drift.begun) for drift in new] == [(Figure.DURATION, Begun.WARM)]
    (found,) = watch.found
    assert found.baseline == pytest.approx(8.9, rel=0.01)
    assert found.now > 1.15 * found.baseline
    assert found.text.startswith("starts grow longer: 8.9 to 10.")
    assert found.unit == "s" and found.starts == 99
    assert found.hint.endswith(f"({MARK})")
    assert 20 * 60 * MINUTE < found.since_at < 70 * 60 * MINUTE, "found while it was small"


@pytest.mark.parametrize("figure", ["i2t_flc2s", "peak_ratio", "at_speed_current_a"])
@pytest.mark.parametrize("factor", [1.15, 0.85])
def test_a_step_of_any_figure_is_found(figure: str, factor: float) -> None:
    watch, mean = DriftWatch(), {"i2t_flc2s": 70.0, "peak_ratio": 3.5, "at_speed_current_a": 68.0}[figure]
    noise = noisy(mean, 2)
    fed(watch, range(1, 60), **{figure: lambda n: noise(n) * (factor if n > 30 else 1.0)})
    assert len(watch.found) == 1
    assert (watch.found[0].now > watch.found[0].baseline) is (factor > 1.0)


def test_unbalance_drifts_in_percent_points() -> None:
    watch, noise = DriftWatch(), noisy(1.0, 3, 0.05)
    fed(watch, range(1, 60), unbalance_pct=lambda n: noise(n) + (0.6 if n > 30 else 0.0))
    assert watch.found == (), "less than a percent point is no news"
    fed(watch, range(60, 90), unbalance_pct=lambda n: noise(n) + 2.0)
    assert [drift.figure for drift in watch.found] == [Figure.UNBALANCE]
    assert "winding" in watch.found[0].hint


def test_soft_stops_are_watched_and_others_are_not() -> None:
    watch = DriftWatch()

    def stopped(number: int, duration_s: float, kind: StopKind = StopKind.SOFT_STOP) -> None:
        at = number * 10 * MINUTE
        watch.take(StopEnded(at=at, stop=Stop(began_at=at, ended_at=at + round(duration_s * SECOND), kind=kind)), PUMP)

    for number in range(LEARN):
        stopped(number, 10.0)
        stopped(number, 3.0, StopKind.COAST)
    for number in range(LEARN, LEARN + 20):
        stopped(number, 7.0)
    assert [drift.text for drift in watch.found] == ["soft stops grow shorter: 10.0 to 7.0 s"]
    assert "check valve" in watch.found[0].hint


def test_a_shift_that_is_certain_but_small_is_no_news() -> None:
    watch, noise = DriftWatch(), noisy(9.0, 4, 0.002)
    assert fed(watch, range(1, 200), duration_s=lambda n: noise(n) * (1.04 if n > 30 else 1.0)) == ()


@settings(max_examples=60, deadline=None, derandomize=True)
@given(seed=st.integers(0, 2**32), share=st.floats(0.0, 0.03))
def test_starts_that_only_scatter_hardly_ever_drift(seed: int, share: float) -> None:
    # Scatter of 3 % and less, 300 starts: a shift of the weighted mean by 8 % would be eight standard deviations of it.
    assert fed(DriftWatch(), range(1, 300), duration_s=noisy(9.0, seed, share)) == ()


@settings(max_examples=60, deadline=None, derandomize=True)
@given(seed=st.integers(0, 2**32), share=st.floats(0.001, 0.02), step=st.sampled_from([0.8, 0.85, 1.15, 1.25]))
def test_a_step_of_15_percent_is_always_found_within_15_starts(seed: int, share: float, step: float) -> None:
    watch, noise = DriftWatch(), noisy(9.0, seed, share)
    fed(watch, range(1, 56), duration_s=lambda n: noise(n) * (step if n > 40 else 1.0))
    assert [drift.figure for drift in watch.found] == [Figure.DURATION]


def test_a_figure_that_comes_back_drifts_no_more() -> None:
    watch, noise = DriftWatch(), noisy(9.0, 5)
    fed(watch, range(1, 60), duration_s=lambda n: noise(n) * (1.3 if n > 30 else 1.0))
    assert watch.found
    fed(watch, range(60, 90), duration_s=noise)
    assert watch.found == ()
    new = fed(watch, range(90, 120), duration_s=lambda n: noise(n) * 1.3)
    assert [drift.figure for drift in new] == [Figure.DURATION], "and may drift again"


def test_starts_from_cold_and_from_warm_are_held_apart() -> None:
    watch = DriftWatch()
    # Cold ones always take 12 s, warm ones 9 s: taken together that would scatter too much to find anything.
    fed(watch, range(1, 60), duration_s=lambda n: 12.0 if n % 2 else 9.0, heat_before=lambda n: 0.05 if n % 2 else COLD_BELOW)
    assert watch.found == ()
    fed(watch, range(60, 120), duration_s=lambda n: 12.0 if n % 2 else 10.5, heat_before=lambda n: 0.05 if n % 2 else 0.6)
    assert [(drift.figure, drift.begun) for drift in watch.found] == [(Figure.DURATION, Begun.WARM)]


# Which starts count, and when.


@pytest.mark.parametrize("bad", [{"outcome": Outcome.ABORTED}, {"quality": Quality.UNCERTAIN}, {"outcome": Outcome.TRIPPED}])
def test_only_good_starts_that_reached_speed_count(bad: dict[str, Any]) -> None:
    watch = DriftWatch()
    fed(watch, range(1, 40), **bad)
    assert watch.baselines == {}


def test_a_figure_that_was_not_measured_is_left_out() -> None:
    watch = DriftWatch()
    fed(watch, range(1, 4), unbalance_pct=None, at_speed_current_a=None, heat_before=None)
    assert set(watch.baselines) == {"duration:warm", "i2t:warm", "peak:warm"}


def test_a_start_counts_once_with_its_last_figures() -> None:
    watch, event = DriftWatch(), ended(1)
    better = replace(event, start=replace(event.start, duration_s=9.5))
    watch.take(event, PUMP)
    assert watch.settle(event.start.ended_at + SECOND, PUMP) == () and watch.baselines == {}, "it may still change"
    watch.take(better, PUMP)
    watch.settle(event.start.ended_at + round(SETTLED_S * SECOND), PUMP)
    assert watch.baselines["duration:warm"].learned == [9.5]
    watch.settle(event.start.ended_at + 10 * MINUTE, PUMP)
    assert watch.baselines["duration:warm"].count == 1


@pytest.mark.parametrize(
    "following",
    [
        StartBegan(at=30 * MINUTE, number=2),
        ended(2),
        StopEnded(at=30 * MINUTE, stop=Stop(began_at=0, ended_at=1, kind=StopKind.COAST)),
    ],
)
def test_a_start_is_taken_when_the_next_thing_happens(following: Any) -> None:
    watch = DriftWatch()
    watch.take(ended(1), PUMP)
    watch.take(StateChanged(at=0, before=MotorState.STARTING, after=MotorState.RUNNING), PUMP)
    assert watch.baselines == {}
    watch.take(following, PUMP)
    assert watch.baselines["duration:warm"].count == 1


# Beginning anew, and the state as data.


def test_a_note_begins_everything_anew() -> None:
    watch, noise = DriftWatch(), noisy(9.0, 6)
    fed(watch, range(1, 60), duration_s=lambda n: noise(n) * (1.3 if n > 30 else 1.0))
    assert watch.found
    watch.begin_anew(60 * 60 * MINUTE, "bearings changed")
    assert (watch.found, watch.baselines) == ((), {})
    assert [(each.at, each.reason) for each in watch.breaks] == [(60 * 60 * MINUTE, "bearings changed")]
    assert fed(watch, range(61, 120), duration_s=lambda n: noise(n) * 1.3) == (), "the new level is the baseline now"
    for number in range(MOST_BREAKS + 5):
        watch.begin_anew(number, "again")
    assert len(watch.breaks) == MOST_BREAKS


@settings(max_examples=30, deadline=None, derandomize=True)
@given(seed=st.integers(0, 2**32), cuts=st.lists(st.integers(1, 80), max_size=5))
def test_a_restart_changes_nothing(seed: int, cuts: list[int]) -> None:
    whole, watch = DriftWatch(), DriftWatch()
    noise = [noisy(9.0, seed), noisy(9.0, seed)]
    for number in range(1, 80):
        if number in cuts:
            watch = from_plain(DriftWatch, json.loads(json.dumps(to_plain(watch))))
        step = 1.0 if number < 40 else 1.2
        for each, draw in zip((whole, watch), noise, strict=True):
            fed(each, range(number, number + 1), duration_s=lambda n, draw=draw, step=step: draw(n) * step)
    assert watch == whole


def test_the_clock_may_be_set() -> None:
    watch = DriftWatch()
    fed(watch, range(1, 40), duration_s=lambda n: 9.0 if n < 20 else 12.0)
    watch.take(ended(40), PUMP)
    since = watch.baselines["duration:warm"].since_at
    assert since is not None and watch.waiting is not None
    began_at: Instant = watch.waiting.began_at
    watch.shift(-5 * SECOND)
    assert watch.baselines["duration:warm"].since_at == since - 5 * SECOND
    assert watch.waiting.began_at == began_at - 5 * SECOND
    empty = DriftWatch(baselines={"peak:warm": Baseline()})
    empty.shift(3)
    assert empty == DriftWatch(baselines={"peak:warm": Baseline()})


# Words.


@pytest.mark.parametrize("figure", list(Figure))
@pytest.mark.parametrize("now", [0.0, 99.5])
def test_texts_fit_into_an_alert(figure: Figure, now: float) -> None:
    assert len(text_for(figure, Begun.COLD, 9.3, now)) <= 44
    assert set(MEASURES) == set(Figure)


def loaded(kind: LoadKind | None) -> LoadData | None:
    return None if kind is None else LoadData(kind=kind)


@pytest.mark.parametrize(
    ("figure", "rises", "kind", "words"),
    [
        (Figure.DURATION, {Figure.DURATION: True, Figure.I2T: True}, LoadKind.FAN, "clogged filter"),
        (Figure.DURATION, {Figure.DURATION: True, Figure.I2T: True}, LoadKind.FAN, "damper"),
        (Figure.DURATION, {Figure.DURATION: True, Figure.AT_SPEED: False}, LoadKind.CONVEYOR, "belt slip"),
        (Figure.AT_SPEED, {Figure.DURATION: True, Figure.AT_SPEED: False}, None, "belt slip"),
        (Figure.DURATION, {Figure.DURATION: True, Figure.AT_SPEED: False}, LoadKind.PUMP, "pump"),
        (Figure.DURATION, {Figure.DURATION: True}, LoadKind.CONVEYOR, "conveyor"),
        (Figure.I2T, {Figure.I2T: True}, LoadKind.COMPRESSOR, "unloader"),
        (Figure.DURATION, {Figure.DURATION: True}, LoadKind.TABLE, "heavier load"),
        (Figure.DURATION, {Figure.DURATION: True}, None, "heavier load"),
        (Figure.STOP, {Figure.STOP: False}, LoadKind.PUMP, "check valve"),
        (Figure.STOP, {Figure.STOP: True}, LoadKind.PUMP, "brakes"),
        (Figure.STOP, {Figure.STOP: False}, LoadKind.FAN, "brakes"),
        (Figure.UNBALANCE, {Figure.UNBALANCE: True}, LoadKind.FAN, "winding"),
        (Figure.AT_SPEED, {Figure.AT_SPEED: True}, LoadKind.PUMP, "heavier load at speed"),
        (Figure.AT_SPEED, {Figure.AT_SPEED: False}, LoadKind.PUMP, "lighter load"),
        (Figure.PEAK, {Figure.PEAK: True}, LoadKind.FAN, "settings"),
    ],
)
def test_hints(figure: Figure, rises: dict[Figure, bool], kind: LoadKind | None, words: str) -> None:
    hint = hint_for(figure, rises, loaded(kind))
    assert words in hint and hint.endswith("(common practice, no source)")


# Through the watch.


def test_the_watch_finds_it_tells_it_once_and_begins_anew_after_a_note() -> None:
    watch, at = Watch(PUMP), 0
    told: list[DriftFound] = []

    def cycle(long_s: float) -> None:
        nonlocal at
        pieces = [Piece(20.0, 0.0, OFF), Piece(long_s, 3.5, RAMPS), Piece(0.5, falling(3.5, 0.9, 0.5), RAMPS), Piece(40.0, 0.9, SPEED)]
        readings = strip(pieces, 0.1, from_at=at)
        at = readings[-1].at + SECOND
        told.extend(event for reading in readings for event in watch.take(reading) if isinstance(event, DriftFound))

    for number in range(45):
        cycle(4.0 if number < 25 else 5.0)
    figures = [drift.figure for event in told for drift in event.drifts]
    assert Figure.DURATION in figures and len(figures) == len(set(figures)), "each once"
    assert watch.live().drifts and watch.live().drifts[0].text.startswith("starts grow longer: 4.5 to 5.")
    watch.note(at, "impeller changed")
    assert watch.live().drifts == ()
    assert [each.reason for each in watch.drift_breaks()] == ["impeller changed"]
