"""The control charts of drift are the fold of drift itself: the same baselines, the same limits, begun anew at the same starts."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from gateway.instants import SECOND
from gateway.motors.control_charts import ewma_half_width
from gateway.motors.drift import DECISION, FACTOR, LEARN, SETTLED_S, WEIGHT, Baseline, DriftWatch
from gateway.motors.drift_chart import drift_charts
from gateway.motors.drift_terms import DriftBreak
from gateway.motors.records import Outcome, Start
from tests.motors.test_drift import PUMP, ended


def _starts(count: int, seed: int = 7) -> list[Start]:
    draw = random.Random(seed)
    return [
        ended(
            number,
            duration_s=9.0 * (1.0 + draw.gauss(0.0, 0.01) + 0.012 * max(0, number - 40)),
            heat_before=0.1 if number % 5 == 0 else 0.6,
            peak_ratio=None if number % 11 == 0 else 3.5 + draw.gauss(0.0, 0.02),
            outcome=Outcome.ABORTED if number % 13 == 0 else Outcome.AT_SPEED,
        ).start
        for number in range(1, count + 1)
    ]


def test_after_every_start_the_charts_stand_where_the_watch_stands() -> None:
    watch, starts = DriftWatch(), _starts(90)
    breaks: list[DriftBreak] = []
    for count, start in enumerate(starts, 1):
        watch.take(replace(ended(start.number), start=start), PUMP)
        watch.settle(start.ended_at + round(SETTLED_S * SECOND), PUMP)
        if count in (30, 60):
            watch.begin_anew(start.ended_at + 60 * SECOND, f"note {count}")
            breaks = list(watch.breaks)
        if count % 9 and count < 88:
            continue
        charts = {f"{chart.figure}:{chart.begun}": chart for chart in drift_charts(starts[:count], breaks, PUMP.motor.flc_a)}
        for key, baseline in watch.baselines.items():
            assert charts[key].baseline == baseline
            assert charts[key].latest.drifts == (baseline.since_at is not None)
        assert all(chart.baseline.count == 0 for key, chart in charts.items() if key not in watch.baselines)
    drifting = {(chart.figure, chart.begun) for chart in charts.values() if chart.latest.drifts}
    assert drifting == {(drift.figure, drift.begun) for drift in watch.found} != set()


def test_a_limit_is_the_one_that_held_at_that_start() -> None:
    chart = drift_charts(_starts(40), [], PUMP.motor.flc_a)[1]
    assert chart.begun == "warm"
    learned = [point.value for point in chart.points[:LEARN]]
    assert [point.mean for point in chart.points[: LEARN - 1]] == [None] * (LEARN - 1)
    mean = sum(learned) / LEARN
    for place, point in enumerate(chart.points[LEARN:], 1):
        half = ewma_half_width(chart.baseline.deviation, WEIGHT, FACTOR, place)
        assert (point.low_limit, point.high_limit) == (pytest.approx(mean - half), pytest.approx(mean + half))
        assert point.decision == pytest.approx(DECISION * chart.baseline.deviation)


def test_a_start_that_was_not_settled_when_the_machine_was_changed_counts_nowhere() -> None:
    starts = _starts(20)
    change = DriftBreak(at=starts[9].ended_at + 5 * SECOND, reason="belt changed")
    numbers = {point.number for chart in drift_charts(starts, [change], PUMP.motor.flc_a) for point in chart.points}
    assert 9 in numbers
    assert 10 not in numbers
    assert 11 in numbers
    parts = {point.number: point.part for chart in drift_charts(starts, [change], PUMP.motor.flc_a) for point in chart.points}
    assert (parts[9], parts[11]) == (0, 1)


def test_a_change_after_the_last_start_ends_what_stood() -> None:
    starts = _starts(20)
    (chart, *_) = drift_charts(starts, [DriftBreak(at=starts[-1].ended_at + 60 * SECOND, reason="belt changed")], PUMP.motor.flc_a)
    assert chart.baseline.count == 0
    assert chart.stands is None
    assert chart.points


def test_nothing_seen_gives_no_chart() -> None:
    assert drift_charts([], [], 80.0) == []
    assert Baseline().half_width == 0.0
