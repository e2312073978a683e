"""Alerts: each kind raised and returned, the life cycle, and the same alerts from the same readings."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given as cases
from hypothesis import settings
from hypothesis import strategies as st

from gateway.instants import HOUR, MINUTE, SECOND, after
from gateway.motors.alert_rules import AlertKind
from gateway.motors.alert_signs import LABEL_CHARACTERS, hourly_limit
from gateway.motors.alerts import Alert, AlertBoard, AlertChange, AlertState, Change
from gateway.motors.drift_terms import Begun, Drift, Figure
from gateway.motors.facts import AlertSettings, LimitSettings, LoadData, LoadKind, MotorData, SignalFacts, Starter
from gateway.motors.reading import Quality
from gateway.motors.records import (
    CounterReset,
    Event,
    Live,
    MotorState,
    Outcome,
    Start,
    StartBegan,
    StartEnded,
    StateChanged,
    Stop,
    StopEnded,
    StopKind,
    UnseenStarts,
)
from tests.motors.past import T0

FAN = Starter(
    name="F-101",
    motor=MotorData(rated_power_kw=45.0, rated_voltage_v=400.0, flc_a=80.0),
    limits=LimitSettings(starts_per_hour=3, off_time_s=600.0),
    signals=SignalFacts(texts={"trip_code": {3: "phase loss"}}),
)


def live(at_s: float = 0.0, **changes: Any) -> Live:
    """Return a calm running motor so many seconds after T0, with what the test changes."""
    at = after(T0, at_s)
    fields: dict[str, Any] = {
        "at": at,
        "state": MotorState.RUNNING,
        "state_since": T0,
        "current_a": 70.0,
        "current_ratio": 0.875,
        "starts_last_hour": 1,
        "unseen_last_hour": 0,
        "heat": 0.5,
        "heat_quality": Quality.GOOD,
        "quality": Quality.GOOD,
        "reason": "",
        "last_good_at": at,
        "last_start": None,
        "total_starts": 1,
    }
    return Live(starter="F-101", **(fields | changes))


def dark(at_s: float, last_good_s: float, **changes: Any) -> Live:
    return live(at_s, last_good_at=after(T0, last_good_s), flaws={"current": "no reply"}, **changes)


def start(number: int, outcome: Outcome, at_s: float, **figures: Any) -> StartEnded:
    record = Start(number=number, began_at=after(T0, at_s - 10.0), ended_at=after(T0, at_s), outcome=outcome, **figures)
    return StartEnded(at=after(T0, at_s), start=record)


def stopped(at_s: float) -> StopEnded:
    return StopEnded(at=after(T0, at_s), stop=Stop(began_at=T0, ended_at=after(T0, at_s), kind=StopKind.COAST))


def told(changes: tuple[AlertChange, ...]) -> list[tuple[str, str]]:
    return [(change.what.value, change.alert.kind.value) for change in changes]


def test_a_calm_motor_raises_nothing() -> None:
    board = AlertBoard(FAN)
    assert [board.take(live(s), ()) for s in range(20)] == [()] * 20
    assert board.standing() == ()


# --- starts in the hour


def test_starts_warn_one_before_the_limit_and_are_critical_at_it() -> None:
    board = AlertBoard(FAN)
    [warning] = board.take(live(0, starts_last_hour=2), ())
    assert (warning.alert.kind, warning.alert.priority, warning.alert.text) == (
        AlertKind.STARTS_NEAR_LIMIT,
        2,
        "2 starts in 60 min, limit 3",
    )
    [critical] = board.take(live(60, starts_last_hour=3), ())
    assert (critical.alert.kind, critical.alert.priority, critical.alert.text) == (
        AlertKind.STARTS_AT_LIMIT,
        1,
        "3 starts in 60 min, limit 3",
    )
    assert critical.alert.id == f"F-101:starts_at_limit:{T0 + MINUTE}"
    assert told(board.take(live(2000, starts_last_hour=2), ())) == [("returned", "starts_at_limit")]
    assert told(board.take(live(3000, starts_last_hour=1), ())) == [("returned", "starts_near_limit")]


def test_a_count_that_jumps_over_the_limit_raises_the_critical_alert_alone() -> None:
    board = AlertBoard(FAN)
    assert told(board.take(live(0, starts_last_hour=4), ())) == [("raised", "starts_at_limit")]
    # and on the way down there is no new warning
    assert told(board.take(live(900, starts_last_hour=2), ())) == [("returned", "starts_at_limit")]


def test_one_more_start_over_the_limit_raises_again_also_when_acknowledged() -> None:
    board = AlertBoard(FAN)
    [first] = board.take(live(0, starts_last_hour=3), ())
    board.acknowledge(first.alert.id, T0 + SECOND, "shift")
    [again] = board.take(live(60, starts_last_hour=4), ())
    assert (again.what, again.alert.text, again.alert.id) == (Change.RAISED_AGAIN, "4 starts in 60 min, limit 3", first.alert.id)
    assert (again.alert.state, again.alert.acknowledged_by) == (AlertState.UNACKNOWLEDGED, "")
    assert board.take(live(120, starts_last_hour=3), ()) == ()
    assert told(board.take(live(180, starts_last_hour=4), ())) == [("raised_again", "starts_at_limit")]


def test_without_an_hourly_limit_no_count_is_too_high() -> None:
    bare = replace(FAN, limits=LimitSettings())
    assert AlertBoard(bare).take(live(0, starts_last_hour=50), ()) == ()
    assert hourly_limit(bare) is None


def test_a_limit_of_one_has_no_warning_and_none_still_needs_a_start() -> None:
    for allowed in (0, 1):
        board = AlertBoard(replace(FAN, limits=LimitSettings(starts_per_hour=allowed)))
        assert board.take(live(0, starts_last_hour=0), ()) == ()
        assert told(board.take(live(1, starts_last_hour=1), ())) == [("raised", "starts_at_limit")]


def test_the_least_of_all_hourly_limits_counts() -> None:
    motor = replace(FAN.motor, rated_power_kw=25 * 0.745699872, frequency_hz=60.0, poles=4, design="B", starts_per_hour=5.0)
    load = LoadData(kind=LoadKind.FAN, inertia_kg_m2=50 * 0.0421401101)
    pump = replace(FAN, motor=motor, load=load, limits=LimitSettings(starts_per_hour=6, nema_mg10=True))
    assert hourly_limit(pump) == 2  # 2.44 by the MG 10 example
    assert hourly_limit(replace(pump, limits=LimitSettings(starts_per_hour=6))) == 5


# --- heat


def test_heat_is_raised_after_its_on_delay_and_returns_below_the_deadband() -> None:
    board = AlertBoard(FAN)
    assert board.take(live(0, heat=0.85), ()) == ()
    assert board.take(live(4.9, heat=0.85), ()) == ()
    [raised] = board.take(live(5, heat=0.86), ())
    assert (raised.alert.kind, raised.alert.text) == (AlertKind.HEAT, "86 % thermal capacity used, limit 85 %")
    assert board.take(live(10, heat=0.81), ()) == ()
    assert board.take(live(100, heat=0.79), ()) == ()
    assert told(board.take(live(160, heat=0.79), ())) == [("returned", "heat")]


def test_uncertain_heat_raises_nothing_but_clears() -> None:
    board = AlertBoard(FAN)
    for s in range(0, 30, 5):
        assert board.take(live(s, heat=0.95, heat_quality=Quality.UNCERTAIN), ()) == ()
    board.take(live(30, heat=0.95), ())
    assert told(board.take(live(35, heat=0.95), ())) == [("raised", "heat")]
    board.take(live(40, heat=0.5, heat_quality=Quality.UNCERTAIN), ())
    assert told(board.take(live(100, heat=0.5, heat_quality=Quality.UNCERTAIN), ())) == [("returned", "heat")]


@pytest.mark.parametrize("changes", [{"heat": None}, {"heat": 0.1, "heat_quality": Quality.BAD}])
def test_bad_heat_neither_raises_nor_clears(changes: dict[str, Any]) -> None:
    board = AlertBoard(FAN)
    for s in (0, 5):
        board.take(live(s, heat=0.95), ())
    for s in range(10, 300, 10):
        assert board.take(live(s, **changes), ()) == ()
    assert [alert.kind for alert in board.standing()] == [AlertKind.HEAT]


# --- off time


def test_a_start_before_the_off_time_is_over() -> None:
    board = AlertBoard(FAN)
    board.take(live(0, state=MotorState.STOPPED), (stopped(0),))
    [raised] = board.take(live(191), (StartBegan(at=after(T0, 190.0), number=2),))
    assert (raised.alert.kind, raised.alert.text, raised.at) == (
        AlertKind.OFF_TIME_NOT_KEPT,
        "off 3 min 10 s before a start, rule 10 min",
        after(T0, 190.0),
    )
    board.take(live(300), (stopped(300),))
    assert told(board.take(live(900), (StartBegan(at=after(T0, 900.0), number=3),))) == [("returned", "off_time_not_kept")]


def test_off_time_kept_to_the_second_raises_nothing() -> None:
    board = AlertBoard(FAN)
    board.take(live(0), (stopped(0),))
    assert board.take(live(600), (StartBegan(at=after(T0, 600.0), number=2),)) == ()


def test_a_broken_off_time_returns_after_an_hour_and_a_second_one_raises_again() -> None:
    board = AlertBoard(FAN)
    board.take(live(0), (stopped(0), StartBegan(at=after(T0, 60.0), number=2)))
    board.take(live(100), (stopped(100),))
    assert told(board.take(live(160), (StartBegan(at=after(T0, 160.0), number=3),))) == [("raised_again", "off_time_not_kept")]
    assert board.take(live(160 + 3599), ()) == ()
    assert told(board.take(live(160 + 3600), ())) == [("returned", "off_time_not_kept")]


def test_an_aborted_start_counts_as_a_stop_for_the_off_time() -> None:
    board = AlertBoard(FAN)
    board.take(live(0), (start(1, Outcome.ABORTED, 0.0),))
    assert told(board.take(live(30), (StartBegan(at=after(T0, 30.0), number=2),))) == [("raised", "off_time_not_kept")]


def test_after_unseen_starts_the_off_time_is_not_known() -> None:
    board = AlertBoard(FAN)
    board.take(live(0), (stopped(0),))
    board.take(live(50, unseen_last_hour=1), (UnseenStarts(at=after(T0, 50.0), starts=()),))
    assert board.take(live(60, unseen_last_hour=1), (StartBegan(at=after(T0, 60.0), number=2),)) == ()


def test_without_the_rule_no_start_breaks_it() -> None:
    board = AlertBoard(replace(FAN, limits=LimitSettings()))
    assert board.take(live(1), (stopped(0), StartBegan(at=after(T0, 1.0), number=2))) == ()


# --- trips and stalls


@pytest.mark.parametrize(
    ("values", "text"),
    [
        ({"trip_code": 3}, "tripped: phase loss, code 3"),
        ({"trip_code": 9}, "tripped, code 9"),
        ({"trip_code": "overload"}, "tripped: overload"),
        ({}, "tripped, no code from the device"),
    ],
)
def test_a_trip_says_its_code(values: dict[str, Any], text: str) -> None:
    board = AlertBoard(FAN)
    event = StateChanged(at=T0, before=MotorState.RUNNING, after=MotorState.TRIPPED)
    [raised] = board.take(live(0, state=MotorState.TRIPPED, values=values), (event,))
    assert (raised.alert.kind, raised.alert.priority, raised.alert.text) == (AlertKind.TRIPPED, 1, text)
    assert board.take(live(1, state=MotorState.TRIPPED, values=values), ()) == ()
    assert board.take(live(2, state=MotorState.UNKNOWN), ()) == ()
    assert told(board.take(live(3, state=MotorState.STOPPED), ())) == [("returned", "tripped")]


def test_a_trip_that_is_reset_between_two_looks_is_not_lost() -> None:
    board = AlertBoard(FAN)
    events: tuple[Event, ...] = (
        StateChanged(at=T0, before=MotorState.RUNNING, after=MotorState.TRIPPED),
        StateChanged(at=T0 + SECOND // 2, before=MotorState.TRIPPED, after=MotorState.STOPPED),
    )
    assert told(board.take(live(1, state=MotorState.STOPPED), events)) == [("raised", "tripped"), ("returned", "tripped")]
    [alert] = board.standing()
    assert alert.state is AlertState.RETURNED


def test_a_trip_found_without_its_event_is_raised_too() -> None:
    assert told(AlertBoard(FAN).take(live(0, state=MotorState.TRIPPED), ())) == [("raised", "tripped")]


def test_a_stall_stands_until_a_later_start_reaches_speed() -> None:
    board = AlertBoard(FAN)
    [raised] = board.take(live(0), (start(7, Outcome.STALLED, 0.0, duration_s=22.0, peak_ratio=6.13),))
    assert (raised.alert.kind, raised.alert.text) == (AlertKind.STALLED, "stalled for 22 s at up to 6.1 x FLC")
    # the same record again with better figures is no second stall
    assert board.take(live(5), (start(7, Outcome.STALLED, 0.0, duration_s=22.4, peak_ratio=6.2),)) == ()
    assert board.take(live(6), (start(7, Outcome.AT_SPEED, 5.0),)) == ()
    assert told(board.take(live(60), (start(8, Outcome.STALLED, 60.0),))) == [("raised_again", "stalled")]
    assert told(board.take(live(900), (start(9, Outcome.AT_SPEED, 900.0),))) == [("returned", "stalled")]


# --- unseen starts


def test_unseen_starts_stand_while_they_count() -> None:
    board = AlertBoard(FAN)
    unseen = tuple(
        Start(number=n, began_at=T0 - 25 * MINUTE, ended_at=T0, outcome=Outcome.UNSEEN, quality=Quality.UNCERTAIN) for n in (4, 5)
    )
    [raised] = board.take(live(0, unseen_last_hour=2), (UnseenStarts(at=T0, starts=unseen),))
    assert (raised.alert.kind, raised.alert.text) == (AlertKind.UNSEEN_STARTS, "2 starts not seen, within 25 min")
    assert board.take(live(3000, unseen_last_hour=2), ()) == ()
    assert told(board.take(live(3601, unseen_last_hour=0), ())) == [("returned", "unseen_starts")]


def test_other_events_raise_nothing() -> None:
    assert AlertBoard(FAN).take(live(0), (CounterReset(at=T0, before=9, after=0, reason="reset"),)) == ()


# --- no data


def test_three_missed_polls_are_one_alert_and_nothing_else() -> None:
    board = AlertBoard(FAN)
    board.take(live(0, starts_last_hour=2, heat=0.84), ())
    assert board.take(dark(1, 0, starts_last_hour=9, heat=0.99), ()) == ()
    assert board.take(dark(2, 0, starts_last_hour=9, heat=0.99), ()) == ()
    assert board.take(dark(2, 0, starts_last_hour=9, heat=0.99), ()) == ()  # the same poll looked at twice
    [raised] = board.take(dark(3, 0, starts_last_hour=9, heat=0.99), ())
    assert (raised.alert.kind, raised.alert.text) == (AlertKind.NO_DATA, "no data for 3 s")
    for s in range(4, 600):
        assert board.take(dark(s, 0, starts_last_hour=0, heat=0.0, state=MotorState.UNKNOWN, quality=Quality.BAD), ()) == ()
    assert [alert.kind for alert in board.standing()] == [AlertKind.STARTS_NEAR_LIMIT, AlertKind.NO_DATA]


def test_a_gap_is_no_data_at_once() -> None:
    board = AlertBoard(FAN)
    board.take(live(0), ())
    assert told(board.take(dark(5.1, 0), ())) == [("raised", "no_data")]


def test_data_must_stay_for_the_off_delay() -> None:
    board = AlertBoard(FAN)
    board.take(dark(10, 0), ())
    assert board.take(live(11), ()) == ()
    assert board.take(dark(13, 11), ()) == ()
    assert board.take(live(14), ()) == ()
    assert told(board.take(live(19), ())) == [("returned", "no_data")]


def test_a_device_that_never_answered() -> None:
    board = AlertBoard(FAN)
    found = [board.take(live(s, last_good_at=None, quality=Quality.BAD), ()) for s in range(3)]
    assert [told(changes) for changes in found] == [[], [], [("raised", "no_data")]]
    assert found[2][0].alert.text == "no data, 3 polls missed"


def test_before_the_first_reading_only_events_speak() -> None:
    assert AlertBoard(FAN).take(live(0, at=None), ()) == ()


# --- implausible values


def test_implausible_values_name_the_signal() -> None:
    board = AlertBoard(FAN)
    flaws = {"current": "implausible: 812 A, plausible 0 to 800 A", "voltage": "old"}
    [raised] = board.take(live(0, flaws=flaws | {"power": "implausible: -3 kW, plausible 0 to 90 kW"}), ())
    assert (raised.alert.kind, raised.alert.text) == (AlertKind.IMPLAUSIBLE_VALUE, "current: 812 A, plausible 0 to 800 A (+1)")
    board.take(live(10), ())
    assert told(board.take(live(70), ())) == [("returned", "implausible_value")]


def test_a_long_label_is_cut_to_what_fits() -> None:
    board = AlertBoard(FAN)
    flaws = {"winding_temperature": "implausible: 6553.5 degC, plausible -20 to 250 degC"}
    [raised] = board.take(live(0, flaws=flaws), ())
    assert len(raised.alert.text) == LABEL_CHARACTERS


# --- life cycle


def test_acknowledged_then_returned_is_over() -> None:
    board = AlertBoard(FAN)
    [raised] = board.take(live(0, starts_last_hour=3), ())
    seen = board.acknowledge(raised.alert.id, T0 + SECOND, "night shift")
    assert seen is not None
    assert (seen.what, seen.alert.acknowledged_at, seen.alert.acknowledged_by) == (Change.ACKNOWLEDGED, T0 + SECOND, "night shift")
    assert board.acknowledge(raised.alert.id, T0 + 2 * SECOND, "another") is None
    [over] = board.take(live(10, starts_last_hour=1), ())
    assert (over.what, over.alert.state) == (Change.RETURNED, AlertState.NORMAL)
    assert board.standing() == ()
    [new] = board.take(live(20, starts_last_hour=3), ())
    assert (new.what, new.alert.id != raised.alert.id) == (Change.RAISED, True)


def test_returned_then_acknowledged_is_over() -> None:
    board = AlertBoard(FAN)
    [raised] = board.take(live(0, starts_last_hour=3), ())
    board.take(live(10, starts_last_hour=1), ())
    [waiting] = board.standing()
    assert waiting.state is AlertState.RETURNED
    seen = board.acknowledge(raised.alert.id, T0 + MINUTE, "shift")
    assert seen is not None and seen.alert.state is AlertState.NORMAL
    assert board.standing() == ()


def test_returned_and_raised_again_keeps_its_id() -> None:
    board = AlertBoard(FAN)
    [raised] = board.take(live(0, starts_last_hour=3), ())
    board.take(live(10, starts_last_hour=1), ())
    [again] = board.take(live(20, starts_last_hour=3), ())
    assert (again.what, again.alert.id, again.alert.returned_at) == (Change.RAISED_AGAIN, raised.alert.id, None)


def test_an_unknown_alert_cannot_be_acknowledged() -> None:
    assert AlertBoard(FAN).acknowledge("F-101:heat:1", T0, "shift") is None


def test_standing_alerts_come_most_pressing_first() -> None:
    board = AlertBoard(FAN)
    board.take(live(0, starts_last_hour=2, unseen_last_hour=1), (UnseenStarts(at=T0, starts=()),))
    board.take(live(1, starts_last_hour=3, unseen_last_hour=1), ())
    assert [alert.priority for alert in board.standing()] == [1, 2, 3]


def test_kinds_that_the_site_turned_off_stay_silent() -> None:
    off = replace(FAN, alerts=AlertSettings(off=frozenset({"tripped", "starts_at_limit"})))
    event = StateChanged(at=T0, before=MotorState.RUNNING, after=MotorState.TRIPPED)
    assert AlertBoard(off).take(live(0, state=MotorState.TRIPPED, starts_last_hour=5), (event,)) == ()


def test_an_alert_whose_rule_was_turned_off_returns_after_the_restart() -> None:
    board = AlertBoard(FAN)
    board.take(live(0, starts_last_hour=3), ())
    off = AlertBoard(replace(FAN, alerts=AlertSettings(off=frozenset({"starts_at_limit"}))))
    off.restore(board.snapshot())
    assert told(off.take(live(1, starts_last_hour=3), ())) == [("returned", "starts_at_limit")]
    assert off.take(live(2, starts_last_hour=3), ()) == ()


# --- properties

LIVES: st.SearchStrategy[dict[str, Any]] = st.builds(
    dict,
    starts_last_hour=st.integers(0, 5),
    unseen_last_hour=st.integers(0, 1),
    heat=st.one_of(st.none(), st.floats(0.0, 1.2)),
    heat_quality=st.sampled_from(Quality),
    quality=st.sampled_from(Quality),
    state=st.sampled_from(MotorState),
    flaws=st.sampled_from([{}, {"current": "implausible: 812 A, plausible 0 to 800 A"}]),
)
STEPS = st.lists(
    st.tuples(
        st.sampled_from([0.5, 1.0, 5.0, 61.0, 700.0]),
        LIVES,
        st.lists(st.sampled_from(["stop", "begin", "stall", "good", "trip", "unseen"]), max_size=3),
        st.booleans(),
    ),
    max_size=40,
)


def made(word: str, at_s: float, number: int) -> Event:
    match word:
        case "stop":
            return stopped(at_s)
        case "begin":
            return StartBegan(at=after(T0, at_s), number=number)
        case "stall":
            return start(number, Outcome.STALLED, at_s)
        case "good":
            return start(number, Outcome.AT_SPEED, at_s)
        case "trip":
            return StateChanged(at=after(T0, at_s), before=MotorState.RUNNING, after=MotorState.TRIPPED)
        case _:
            return UnseenStarts(at=after(T0, at_s), starts=())


def run(steps: list[Any], restart_each_step: bool) -> tuple[list[AlertChange], tuple[Alert, ...]]:
    """Return every change of a random course of things, and what stands at its end."""
    board, at_s = AlertBoard(FAN), 0.0
    found: list[AlertChange] = []
    for number, (step_s, changes, words, acknowledge) in enumerate(steps):
        at_s += step_s
        found += board.take(live(at_s, **changes), [made(word, at_s, number) for word in words])
        standing = board.standing()
        if acknowledge and standing:
            seen = board.acknowledge(standing[-1].id, after(T0, at_s), "shift")
            found += [] if seen is None else [seen]
        if restart_each_step:
            text = json.dumps(board.snapshot())
            board = AlertBoard(FAN)
            board.restore(json.loads(text))
    return found, board.standing()


ALLOWED = {
    (AlertState.NORMAL, AlertState.UNACKNOWLEDGED),
    (AlertState.UNACKNOWLEDGED, AlertState.ACKNOWLEDGED),
    (AlertState.UNACKNOWLEDGED, AlertState.UNACKNOWLEDGED),  # raised again while nobody has seen it
    (AlertState.UNACKNOWLEDGED, AlertState.RETURNED),
    (AlertState.ACKNOWLEDGED, AlertState.UNACKNOWLEDGED),
    (AlertState.ACKNOWLEDGED, AlertState.NORMAL),
    (AlertState.RETURNED, AlertState.UNACKNOWLEDGED),
    (AlertState.RETURNED, AlertState.NORMAL),
}


@cases(STEPS)
@settings(max_examples=300, deadline=None)
def test_no_alert_makes_a_step_that_the_life_cycle_does_not_know(steps: list[Any]) -> None:
    changes, standing = run(steps, restart_each_step=False)
    state: dict[str, AlertState] = {}
    open_kinds: dict[AlertKind, str] = {}
    for change in changes:
        alert = change.alert
        step = (state.get(alert.id, AlertState.NORMAL), alert.state)
        assert step in ALLOWED  # so there is no A -> C, no A -> D and no D -> C
        state[alert.id] = alert.state
        assert open_kinds.setdefault(alert.kind, alert.id) == alert.id  # at most one alert a kind
        if alert.state is AlertState.NORMAL:
            del open_kinds[alert.kind]
        assert 0 < len(alert.text) <= LABEL_CHARACTERS
    assert {alert.id for alert in standing} == set(open_kinds.values())


@cases(STEPS)
@settings(max_examples=150, deadline=None)
def test_a_restart_at_every_step_gives_the_same_alerts(steps: list[Any]) -> None:
    assert run(steps, restart_each_step=True) == run(steps, restart_each_step=False)


@cases(STEPS)
@settings(max_examples=150, deadline=None)
def test_looks_without_data_never_touch_an_alert_on_the_process(steps: list[Any]) -> None:
    board, at_s = AlertBoard(FAN), 0.0
    board.take(live(0, starts_last_hour=3, heat=0.95, state=MotorState.TRIPPED), ())
    process = board.standing()
    for step_s, changes, _, _ in steps:
        at_s += step_s
        seen = board.take(live(at_s, **(changes | {"quality": Quality.BAD})), ())
        assert all(change.alert.kind is AlertKind.NO_DATA for change in seen)
    assert [alert for alert in board.standing() if alert.kind is not AlertKind.NO_DATA] == list(process)


def test_an_hour_of_chatter_at_one_hertz_is_one_alert() -> None:
    board = AlertBoard(FAN)
    changes = [change for s in range(HOUR // SECOND) for change in board.take(live(s, heat=0.9 if s % 2 else 0.7), ())]
    assert changes == []  # the on-delay of 5 s never passes


# --- drift


def drifting(now: float, *, more: int = 0, baseline: float = 8.9) -> tuple[Drift, ...]:
    first = Drift(
        figure=Figure.DURATION,
        begun=Begun.WARM,
        baseline=baseline,
        now=now,
        unit="s",
        since_at=T0,
        starts=30,
        text=f"starts grow longer: {baseline:.1f} to {now:.1f} s",
        hint="longer starts of a pump: bearings (common practice, no source)",
    )
    return (first, *(replace(first, figure=Figure.PEAK) for _ in range(more)))


def test_a_drift_stands_with_its_own_words_and_hint() -> None:
    board = AlertBoard(FAN)
    (raised,) = board.take(live(0, drifts=drifting(9.8)), ())
    assert (raised.what, raised.alert.kind, raised.alert.priority) == (Change.RAISED, AlertKind.DRIFT, 2)
    assert raised.alert.text == "starts grow longer: 8.9 to 9.8 s"
    assert raised.alert.advice == "longer starts of a pump: bearings (common practice, no source)"
    (over,) = board.take(live(10), ())
    assert over.what is Change.RETURNED


def test_its_words_follow_it_without_a_new_call() -> None:
    board = AlertBoard(FAN)
    (raised,) = board.take(live(0, drifts=drifting(9.8)), ())
    board.acknowledge(raised.alert.id, T0 + SECOND, "night shift")
    assert board.take(live(10, drifts=drifting(9.8)), ()) == ()
    (said,) = board.take(live(20, drifts=drifting(10.1)), ())
    assert (said.what, said.alert.text, said.alert.acknowledged_by) == (Change.REWORDED, "starts grow longer: 8.9 to 10.1 s", "night shift")
    (again,) = board.take(live(30, drifts=drifting(10.8)), ())
    assert (again.what, again.alert.acknowledged_at) == (Change.RAISED_AGAIN, None), "a fifth longer now"
    board.take(live(40, drifts=drifting(10.5)), ())
    assert [change.what for change in board.take(live(50, drifts=drifting(10.8)), ())] == [Change.REWORDED], "it wavers: no new call"


def test_several_drifts_are_counted_and_no_label_is_too_long() -> None:
    (raised,) = AlertBoard(FAN).take(live(0, drifts=drifting(9.8, more=2)), ())
    assert raised.alert.text == "starts grow longer: 8.9 to 9.8 s (+2)"
    long = tuple(replace(drift, text="x" * 44) for drift in drifting(9.8, more=1))
    (raised,) = AlertBoard(FAN).take(live(0, drifts=long), ())
    assert raised.alert.text == "x" * 44


def test_a_baseline_of_nothing_has_no_grade() -> None:
    board = AlertBoard(FAN)
    board.take(live(0, drifts=drifting(2.0, baseline=0.0)), ())
    assert [change.what for change in board.take(live(10, drifts=drifting(9.0, baseline=0.0)), ())] == [Change.REWORDED]
