"""Replay: a trace folded into one result, and its published shape."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from gateway.drivers.recorded import read_trace
from gateway.instants import HOUR, MINUTE, SECOND, from_iso
from gateway.motors.facts import LimitSettings, Starter
from gateway.motors.reading import Reading
from gateway.motors.records import Outcome
from gateway.motors.watch import Watch
from gateway.services.replay import replay
from tests.motors.strips import EASES, OFF, RAMPS, SILENT, SPEED, Piece, falling, starter, strip

T0 = from_iso("2026-03-02T06:00:00Z")
STANDS = Piece(10.0, 0.0, OFF)
SOFT = (Piece(7.5, 3.5, RAMPS), Piece(0.6, falling(3.5, 0.9, 0.6), RAMPS))
RUNS = Piece(60.0, 0.9, SPEED)
DAY = (STANDS, *SOFT, RUNS, Piece(8.0, 1.2, EASES), STANDS, Piece(2.0, 3.5, RAMPS), STANDS, *SOFT, RUNS, STANDS)


def facts() -> Starter:
    return replace(starter(), limits=LimitSettings(starts_per_hour=3, off_time_s=120.0, starts_per_hour_source="site rule 4"))


def test_the_published_shape() -> None:
    result = json.loads(json.dumps(replay(facts(), strip(DAY, from_at=T0)).as_json(), allow_nan=False))
    assert {"starter", "starts", "stops", "starts_last_hour", "thermal_used", "budget"} <= set(result)
    assert result["starter"] == "F-101"
    assert [start["outcome"] for start in result["starts"]] == ["at_speed", "aborted", "at_speed"]
    first = result["starts"][0]
    assert {
        "began_at", "ended_at", "outcome", "duration_s", "peak_current_a", "peak_ratio", "i2t_a2s", "i2t_flc2s", "i2t_error_pct",
        "equivalent_rating", "thermal_before", "thermal_after",
    } <= set(first)  # fmt: skip
    assert first["began_at"] == "2026-03-02T06:00:09.950000Z"
    assert first["duration_s"] == pytest.approx(7.98, abs=0.15)
    assert first["peak_ratio"] == pytest.approx(3.5)
    assert first["i2t_a2s"] == pytest.approx(first["i2t_flc2s"] * 80.0**2)
    assert set(first["equivalent_rating"]) == {"x", "t_s"}
    assert first["thermal_after"] > first["thermal_before"]
    assert [stop["kind"] for stop in result["stops"]] == ["soft_stop", "coast"]
    assert {"began_at", "ended_at", "kind"} <= set(result["stops"][0])
    assert result["starts_last_hour"] == result["total_starts"] == 3
    budget = result["budget"]
    assert (budget["starts_left"], budget["deciding_limit"]) == (0, "site_starts_per_hour")
    assert budget["as_of"] > result["stops"][-1]["ended_at"]
    assert budget["next_start_at"] == "2026-03-02T07:00:09.950000Z", "60 minutes after the first start began"
    by_name = {limit["limit"]: limit for limit in budget["limits"]}
    assert {"site_starts_per_hour", "site_off_time", "thermal_capacity"} <= set(by_name)
    for limit in by_name.values():
        assert {"limit", "source", "starts_left", "next_start_at", "wait_s", "reason"} <= set(limit)
        assert limit["source"]
    assert by_name["site_starts_per_hour"]["source"] == "site rule 4"


def test_the_budget_at_a_later_instant() -> None:
    readings = strip(DAY, from_at=T0)
    now = replay(facts(), readings)
    soon = replay(facts(), readings, at=readings[-1].at + 3 * SECOND)
    assert now.budget is not None and soon.budget is not None
    assert soon.budget.as_of == now.budget.as_of + 3 * SECOND
    assert soon.budget.next_start_at == now.budget.next_start_at


def test_the_result_is_what_a_live_watch_says() -> None:
    readings = strip(DAY, from_at=T0)
    watch = Watch(facts())
    for reading in readings:
        watch.take(reading)
    result = replay(facts(), iter(readings))
    assert result.live == watch.live()
    assert result.history == watch.history()
    assert result.readings == len(readings)
    assert result == replay(facts(), readings)


def test_a_gap_with_unseen_starts_at_the_very_end() -> None:
    quiet = [Reading(T0 + second * SECOND, {"current": 0.0, "start_count": 7}) for second in range(30)]
    back = [Reading(T0 + HOUR + second * SECOND, {"current": 0.0, "start_count": 9}) for second in range(3)]
    result = replay(facts(), [*quiet, *back])
    assert [(start.number, start.outcome) for start in result.starts] == [(1, Outcome.UNSEEN), (2, Outcome.UNSEEN)]
    shape = result.as_json()
    assert shape["total_starts"] == 2
    assert shape["starts"][0]["began_at"] == "2026-03-02T06:00:29.000000Z"
    assert shape["starts"][0]["ended_at"] == "2026-03-02T07:00:00.000000Z"
    assert shape["starts"][0]["duration_s"] is None and shape["starts"][0]["equivalent_rating"] is None
    assert [gap["reason"] for gap in shape["gaps"]] == ["no readings"]
    (per_hour,) = [limit for limit in shape["budget"]["limits"] if limit["limit"] == "site_starts_per_hour"]
    assert (per_hour["used"], per_hour["starts_left"]) == (2, 1)
    later = replay(facts(), [*quiet, *back, *(Reading(T0 + HOUR + s * SECOND, {"current": 0.0, "start_count": 9}) for s in range(3, 60))])
    assert later.starts == result.starts, "entered by now, and the same"


def test_a_reset_is_in_the_result() -> None:
    counts = [400] * 20 + [0] * 20
    readings = [Reading(T0 + index * SECOND, {"current": 0.0, "start_count": count}) for index, count in enumerate(counts)]
    (reset,) = replay(facts(), readings).as_json()["counter_resets"]
    assert (reset["before"], reset["after"]) == (400, 0)


def test_nothing_at_all() -> None:
    result = replay(facts(), [])
    assert (result.readings, result.budget, result.starts) == (0, None, ())
    assert result.as_json()["budget"] is None


def test_an_hour_of_silence_leaves_the_budget_uncertain() -> None:
    result = replay(facts(), strip((STANDS, *SOFT, RUNS, Piece(3600.0, SILENT), STANDS), from_at=T0, bits=False))
    assert result.budget is not None
    assert result.budget.quality.name == "UNCERTAIN"
    assert result.budget.starts_left == 0, "the gap may hide any number of starts"


def test_a_trace_from_a_file(tmp_path: Path) -> None:
    trace = tmp_path / "fan.csv"
    lines = ["time,current,running,start_count"]
    for reading in strip(DAY, from_at=T0):
        seconds = (reading.at - T0) / SECOND
        current = reading.values["current"]
        lines.append(f"{seconds:.1f},{current},{int(bool(reading.values['running']))},")
    trace.write_text("\n".join(lines) + "\n")
    result = replay(facts(), read_trace(trace))
    assert [start.outcome.value for start in result.starts] == ["at_speed", "aborted", "at_speed"]
    assert result.as_of is not None and result.as_of < 10 * MINUTE
