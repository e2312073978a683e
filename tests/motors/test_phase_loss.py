"""A lost phase: by current, by the device's word, in starts and in runs, and what it does to records, heat and alerts."""

from __future__ import annotations

import json
from dataclasses import replace
from types import MappingProxyType

import pytest

from gateway.instants import SECOND
from gateway.motors.alert_rules import AlertKind
from gateway.motors.alerts import AlertBoard, Change
from gateway.motors.facts import SignalFacts, Starter
from gateway.motors.phase_loss import A_PHASE, PhaseWatch, lost_phase, phases_of, told_by_device
from gateway.motors.reading import Quality, Reading, Scalar
from gateway.motors.records import Event, Outcome, PhaseLost
from gateway.motors.watch import Watch
from tests.motors.strips import FLC_A, OFF, RAMPS, SPEED, TRIPPED, Bits, fold, starter, starts_in

ON_A = 12.0
TEXTS = MappingProxyType({"trip_code": MappingProxyType({0: "none", 4: "phase loss", 7: "overload"})})


def facts() -> Starter:
    return replace(starter(), signals=SignalFacts(keys=frozenset({"current_l1", "current_l2", "current_l3"}), texts=TEXTS))


def three(pieces: list[tuple[float, tuple[float, float, float], Bits]], period_s: float = 0.1) -> list[Reading]:
    """Return readings of three currents x FLC, one piece after another: (seconds, currents, bits)."""
    readings, at = [], 0
    for duration_s, ratios, bits in pieces:
        for _ in range(round(duration_s / period_s)):
            values: dict[str, Scalar] = {f"current_l{place}": ratio * FLC_A for place, ratio in enumerate(ratios, start=1)}
            readings.append(Reading(at, values | dict(bits)))
            at += round(period_s * SECOND)
    return readings


def losses(events: list[Event]) -> list[tuple[str, int | None]]:
    return [(event.phase, event.number) for event in events if isinstance(event, PhaseLost)]


NOTHING = (0.0, 0.0, 0.0)
STANDS = (3.0, NOTHING, OFF)
STARTS = (4.0, (3.5, 3.5, 3.5), RAMPS)
RUNS = (6.0, (0.9, 0.9, 0.9), SPEED)


# In starts and runs.


def test_a_start_on_two_phases_is_one_start_that_says_so() -> None:
    events = fold(Watch(facts()), three([STANDS, (5.0, (6.0, 6.0, 0.0), RAMPS), STANDS]))
    (start,) = starts_in(events)
    assert losses(events) == [("L3", 1)]
    assert start.outcome is Outcome.ABORTED
    assert start.quality is Quality.UNCERTAIN
    assert "L3 without current" in start.remark


def test_a_stall_on_two_phases() -> None:
    short = replace(facts(), thresholds=replace(facts().thresholds, max_start_s=4.0))
    events = fold(Watch(short), three([STANDS, (8.0, (6.0, 0.0, 6.0), RAMPS), STANDS]))
    (start,) = starts_in(events)
    assert start.outcome is Outcome.STALLED
    assert "L2 without current" in start.remark


def test_a_phase_lost_within_a_start() -> None:
    events = fold(Watch(facts()), three([STANDS, (2.0, (3.5, 3.5, 3.5), RAMPS), (2.0, (0.0, 5.0, 5.0), RAMPS), RUNS]))
    (start,) = starts_in(events)
    assert (start.outcome, losses(events)) == (Outcome.AT_SPEED, [("L1", 1)])
    assert "L1 without current" in start.remark


def test_a_phase_lost_at_speed_leaves_the_start_alone() -> None:
    readings = three([STANDS, STARTS, (30.0, (0.9, 0.9, 0.9), SPEED), (30.0, (1.1, 1.1, 0.0), SPEED), RUNS])
    watch = Watch(facts())
    events = fold(watch, readings)
    (start,) = starts_in(events)
    assert (start.remark, losses(events)) == ("", [("L3", None)])
    assert watch.live().lost_phase == "", "over, since all three flow again"


def test_a_start_that_follows_a_lost_phase_is_told_too() -> None:
    two = (2.0, (6.0, 6.0, 0.0), RAMPS)
    watch = Watch(facts())
    events = fold(watch, three([STANDS, two, STANDS, two, STANDS]))
    assert [start.remark for start in starts_in(events)] == [starts_in(events)[0].remark] * 2
    assert losses(events) == [("L3", 1)], "lost once: a standstill tells nothing of it"
    assert watch.live().lost_phase == "L3"


def test_the_short_way_of_steady_running_misses_none() -> None:
    # Once a second, currents within the steady band, all bits as before: only the third current tells.
    pieces = [STANDS, (4.0, (3.5, 3.5, 3.5), RAMPS), (60.0, (0.9, 0.9, 0.9), SPEED)]
    watch = Watch(facts())
    readings = three(pieces, 0.1)
    fold(watch, readings)
    last = readings[-1].at
    run = [
        Reading(last + SECOND * n, {"current_l1": 90.0, "current_l2": 90.0, "current_l3": 0.0 if n > 30 else 90.0} | dict(SPEED))
        for n in range(1, 60)
    ]
    found = [event for reading in run for event in watch.take(reading)]
    assert losses(found) == [("L3", None)]
    assert [event.at for event in found if isinstance(event, PhaseLost)] == [last + 32 * SECOND], "with the reading that confirms it"


# What is no lost phase.


def test_one_reading_alone_says_nothing() -> None:
    # Three registers read at different moments while the current comes.
    events = fold(Watch(facts()), three([STANDS, (0.1, (3.5, 3.5, 0.0), RAMPS), STARTS, RUNS]))
    assert losses(events) == []
    assert starts_in(events)[0].remark == ""


def test_the_open_gap_of_a_change_over_is_none() -> None:
    pieces = [STANDS, (3.0, (2.3, 2.3, 2.3), RAMPS), (0.3, NOTHING, RAMPS), (1.0, (5.0, 5.0, 5.0), RAMPS), RUNS]
    assert losses(fold(Watch(facts()), three(pieces))) == []


@pytest.mark.parametrize(
    ("phases", "expected"),
    [
        ((80.0, 81.0, 79.0), ""),
        ((80.0, 81.0, 8.2), ""),
        ((80.0, 81.0, 8.1), "L3"),
        ((0.0, 81.0, 80.0), "L1"),
        ((80.0, 0.0, 80.0), "L2"),
        ((80.0, 0.0, 0.0), None),
        ((0.0, 0.0, 0.0), None),
        ((11.0, 11.0, 0.0), None),
        ((12.0, 12.0, 0.0), "L3"),
    ],
)
def test_which_phase(phases: tuple[float, float, float], expected: str | None) -> None:
    assert lost_phase(phases, ON_A) == expected


def test_three_currents_are_needed() -> None:
    assert phases_of({"current_l1": 1.0, "current_l2": 2.0}) is None
    assert phases_of({"current_l1": 1.0, "current_l2": 2.0, "current_l3": "high"}) is None


def test_another_phase_or_a_return_needs_confirming_too() -> None:
    watch = PhaseWatch()
    assert [watch.take(at * SECOND, seen, None) for at, seen in enumerate(["L1", "L2", "L1", "L1"])] == [None, None, None, "L1"]
    assert not watch.doubtful
    watch.take(4 * SECOND, "", None)
    assert watch.doubtful and watch.lost == "L1"
    watch.take(5 * SECOND, None, None)
    watch.take(6 * SECOND, "", None)
    assert watch.lost == "L1", "nothing between them may say otherwise, standing still included"
    watch.take(7 * SECOND, "", None)
    assert watch.lost == ""


def test_the_clock_may_be_set() -> None:
    watch = PhaseWatch()
    watch.shift(5)
    watch.take(SECOND, "L1", None)
    watch.shift(-SECOND // 2)
    assert watch.seen_at == SECOND // 2


# The device's own word.


@pytest.mark.parametrize(
    ("values", "code", "expected"),
    [
        ({}, None, None),
        ({"phase_loss": True}, None, True),
        ({"phase_loss": False}, None, False),
        ({"phase_loss": "yes"}, None, None),
        ({"phase_loss": False, "tripped": True}, 4, True),
        ({"tripped": True}, 4, True),
        ({"tripped": True}, 7, False),
        ({"tripped": True}, 99, False),
        ({"tripped": True}, "Phase failure L2", True),
        ({"tripped": True}, None, False),
        ({"tripped": False}, 4, False),
    ],
)
def test_what_the_device_says(values: dict[str, Scalar], code: Scalar | None, expected: bool | None) -> None:
    assert told_by_device(facts(), values, code) is expected


def test_a_trip_for_phase_loss_stands_in_the_record_of_the_start() -> None:
    tripped = {**TRIPPED, "trip_code": 4}
    watch = Watch(facts())
    events = fold(watch, three([STANDS, STARTS, (2.0, NOTHING, tripped)]))
    (start,) = starts_in(events)
    assert (start.outcome, start.trip_code) == (Outcome.TRIPPED, 4)
    assert A_PHASE in start.remark
    assert losses(events) == [(A_PHASE, 1)]
    fold(watch, [Reading(60 * SECOND, {"current_l1": 0.0, "current_l2": 0.0, "current_l3": 0.0, **OFF, "trip_code": 4})])
    assert watch.live().lost_phase == "", "reset: the device says so no more"


def test_the_device_names_no_phase_the_currents_do() -> None:
    watch = PhaseWatch()
    assert watch.take(0, "L2", True) == A_PHASE
    watch.take(SECOND, "L2", True)
    assert (watch.lost, watch.by_device) == ("L2", False)
    watch.take(2 * SECOND, None, False)
    assert watch.lost == "L2", "now the currents have said it"
    told = PhaseWatch()
    told.take(0, None, True)
    told.take(SECOND, "", True)
    told.take(2 * SECOND, "", True)
    assert told.lost == A_PHASE, "three currents do not make the device a liar"


# Alert and state.


def test_the_alert_stands_until_three_currents_flow() -> None:
    board, watch = AlertBoard(facts()), Watch(facts())
    told = []
    for reading in three([STANDS, STARTS, (5.0, (1.1, 1.1, 0.0), SPEED), RUNS]):
        events = watch.take(reading)
        told += [change for change in board.take(watch.live(), events) if change.alert.kind is AlertKind.PHASE_LOSS]
    assert [change.what for change in told] == [Change.RAISED, Change.RETURNED]
    assert (told[0].alert.text, told[0].alert.priority) == ("phase loss: L3 carries no current", 1)
    assert "fuses" in told[0].alert.advice


def test_restarts_between_any_two_readings_change_nothing() -> None:
    readings = three([STANDS, (1.0, (6.0, 6.0, 0.0), RAMPS), STANDS, STARTS, (4.0, (0.0, 1.1, 1.1), SPEED), RUNS])
    whole, watch = Watch(facts()), Watch(facts())
    for reading in readings:
        watch = Watch.restored(watch.starter, json.loads(json.dumps(watch.snapshot())))
        assert watch.take(reading) == whole.take(reading)
    assert watch.snapshot() == whole.snapshot()
