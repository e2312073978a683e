"""The table by itself, and life as it is: every kind of start and stop, with and without status bits, at several poll periods."""

from __future__ import annotations

import itertools

import pytest

from gateway.motors.facts import Method
from gateway.motors.reading import Reading
from gateway.motors.recogniser import Recogniser
from gateway.motors.records import MotorState, Outcome, StateChanged, StopKind
from gateway.motors.signs import Signs
from gateway.motors.starts import GATHERING, IN_START, STANDING, STATES, TABLE, Action, Phase, Sign, mermaid
from gateway.motors.watch import Watch
from tests.motors.strips import (
    BLIND,
    EASES,
    OFF,
    ON,
    RAMPS,
    SILENT,
    SPEED,
    TRIPPED,
    Piece,
    falling,
    fold,
    starter,
    starts_in,
    stops_in,
    strip,
)

PERIODS = (0.05, 0.1, 0.25, 0.5)
PHASES = (0.0, 0.3, 0.7)
WAYS = [pytest.param(period, share, id=f"{round(1000 * period)}ms+{share}") for period, share in itertools.product(PERIODS, PHASES)]
BITS = pytest.mark.parametrize("bits", [True, False], ids=["bits", "current alone"])
POLLED = pytest.mark.parametrize(("period_s", "share"), WAYS)

STANDS = Piece(3.0, 0.0, OFF)
DIRECT = (Piece(2.4, 6.5, RAMPS), Piece(0.3, falling(6.5, 0.9, 0.3), RAMPS))
SOFT = (Piece(7.5, 3.5, RAMPS), Piece(0.6, falling(3.5, 0.9, 0.6), RAMPS))
RUNS = Piece(30.0, 0.9, SPEED)


def outcomes(
    method: Method, pieces: tuple[Piece, ...], period_s: float, share: float, bits: bool, **thresholds: float
) -> tuple[list[str], list[str]]:
    """Return outcomes of starts and kinds of stops."""
    events = fold(Watch(starter(method, None, **thresholds)), strip(pieces, period_s, share * period_s, bits))
    return [start.outcome.value for start in starts_in(events)], [stop.kind.value for stop in stops_in(events)]


# The table.


def test_every_phase_has_a_row_and_a_state() -> None:
    assert set(TABLE) == set(Phase)
    assert set(STATES) == set(Phase)
    reached = {target for row in TABLE.values() for target, _ in row.values()}
    assert reached == set(Phase) - {Phase.UNKNOWN}
    assert {action for row in TABLE.values() for _, actions in row.values() for action in actions} == set(Action)
    assert {sign for row in TABLE.values() for sign in row} == set(Sign) - {Sign.FAINT}


@pytest.mark.parametrize("phase", list(Phase))
def test_a_sign_that_is_not_in_the_row_leaves_the_phase_and_does_nothing(phase: Phase) -> None:
    for sign in set(Sign) - set(TABLE[phase]):
        recogniser = Recogniser(phase=phase, since=5)
        assert recogniser._apply(sign, Signs(9, 80.0, 1.0)) == ()
        assert (recogniser.phase, recogniser.since) == (phase, 5)


def test_a_start_under_way_is_always_closed_before_another_begins() -> None:
    """Walk every pair of transitions: BEGIN and FIND only where no start is open, closing actions only where one is."""
    opens, closes = {Action.BEGIN, Action.FIND}, {Action.ABORT, Action.ABORT_UNSEEN, Action.TRIP_START, Action.END, Action.END_UNSEEN}
    open_phases = IN_START | {Phase.LOST_STARTING}
    for phase, row in TABLE.items():
        for sign, (following, actions) in row.items():
            is_open = phase in open_phases
            for action in actions:
                if action in opens:
                    assert not is_open, (phase, sign)
                    is_open = True
                elif action in closes:
                    assert is_open, (phase, sign)
                    is_open = False
                elif action is Action.REOPEN:
                    is_open = True
            assert is_open == (following in open_phases), (phase, sign)


def test_runs_are_ended_before_another_start_begins() -> None:
    runs = {Phase.FRESH, Phase.FALLEN, Phase.RUNNING, Phase.GONE, Phase.STOPPING, Phase.LOST_RUNNING}
    stops = {Action.STOP, Action.STOP_EASED, Action.STOP_TRIPPED, Action.STOP_UNSEEN, Action.REOPEN}
    for phase, row in TABLE.items():
        for sign, (following, actions) in row.items():
            if phase in runs and following not in runs:
                assert stops & set(actions), (phase, sign)


def test_the_diagram_is_drawn_from_the_table() -> None:
    drawn = mermaid()
    for phase, row in TABLE.items():
        for sign, (following, _) in row.items():
            if following is not phase:
                assert any(line.startswith(f"    {phase} --> {following}:") and sign in line for line in drawn.splitlines())
    assert {Phase.SUSPECTED} == (STANDING & GATHERING)


# Starts and stops as they are.


@BITS
@POLLED
@pytest.mark.parametrize(
    ("method", "begin"),
    [
        (Method.DIRECT_ON_LINE, DIRECT),
        (Method.SOFT_STARTER, SOFT),
        (Method.SOFT_STARTER, (Piece(0.4, 5.6, RAMPS), *SOFT)),
        (Method.SOFT_STARTER, (Piece(4.0, 2.5, RAMPS), Piece(4.0, 3.5, RAMPS), Piece(0.6, falling(3.5, 0.9, 0.6), RAMPS))),
        (
            Method.STAR_DELTA,
            (Piece(8.0, falling(2.3, 1.6, 8.0), RAMPS), Piece(0.06, 0.0, RAMPS), Piece(0.5, falling(5.0, 0.9, 0.5), RAMPS)),
        ),
        (Method.AUTOTRANSFORMER, (Piece(6.0, falling(3.0, 1.4, 6.0), RAMPS), Piece(0.4, falling(4.8, 0.9, 0.4), RAMPS))),
    ],
    ids=["direct", "soft", "kick", "limit raised", "star-delta", "autotransformer"],
)
def test_one_start_and_one_coasting_stop(method: Method, begin: tuple[Piece, ...], period_s: float, share: float, bits: bool) -> None:
    assert outcomes(method, (STANDS, *begin, RUNS, STANDS), period_s, share, bits) == (["at_speed"], ["coast"])


@POLLED
def test_a_lightly_loaded_star_delta_with_a_late_change_over_is_one_start(period_s: float, share: float) -> None:
    """The current settles in star, the end is believed, then the change-over surge comes: the same start goes on."""
    star = (Piece(2.0, 2.2), Piece(4.0, 0.5), Piece(0.06, 0.0), Piece(0.8, 4.0), Piece(20.0, 0.5))
    assert outcomes(Method.STAR_DELTA, (STANDS, *star, STANDS), period_s, share, bits=False) == (["at_speed"], ["coast"])


@POLLED
def test_two_ramps_one_after_the_other_are_one_start(period_s: float, share: float) -> None:
    ramps = (Piece(3.0, 2.5), Piece(5.0, 1.0), Piece(3.0, 3.0), Piece(20.0, 0.9))
    assert outcomes(Method.SOFT_STARTER, (STANDS, *ramps, STANDS), period_s, share, bits=False) == (["at_speed"], ["coast"])
    events = fold(Watch(starter()), strip((STANDS, *ramps), period_s, share * period_s, bits=False))
    assert starts_in(events)[0].duration_s == pytest.approx(11.0, abs=1.5 * period_s)


def test_a_surge_later_than_that_is_an_overload() -> None:
    pieces = (STANDS, *SOFT, Piece(17.0, 0.9), Piece(2.0, 2.0), Piece(5.0, 0.9), STANDS)
    assert outcomes(Method.SOFT_STARTER, pieces, 0.1, 0.0, bits=False) == (["at_speed"], ["coast"])
    (start,) = starts_in(fold(Watch(starter()), strip(pieces, bits=False)))
    assert start.duration_s == pytest.approx(7.98, abs=0.1)


@pytest.mark.parametrize("method", [Method.DIRECT_ON_LINE, Method.FREQUENCY_DRIVE])
def test_a_starter_with_one_step_is_not_opened_again(method: Method) -> None:
    (start,) = starts_in(fold(Watch(starter(method)), strip((STANDS, *DIRECT, Piece(5.0, 0.9), Piece(1.0, 2.0), RUNS), bits=False)))
    assert start.duration_s == pytest.approx(2.7, abs=0.15)


def test_an_at_speed_bit_forbids_opening_again() -> None:
    pieces = (STANDS, *SOFT, Piece(5.0, 0.9, SPEED), Piece(2.0, 2.0, SPEED), RUNS)
    (start,) = starts_in(fold(Watch(starter()), strip(pieces)))
    assert start.duration_s == pytest.approx(7.98, abs=0.1)


@BITS
@POLLED
def test_restart_while_coasting_is_a_second_start(period_s: float, share: float, bits: bool) -> None:
    pieces = (STANDS, *DIRECT, Piece(20.0, 0.9, SPEED), Piece(2.0, 0.0, OFF), Piece(1.2, 5.0, RAMPS), RUNS, STANDS)
    assert outcomes(Method.DIRECT_ON_LINE, pieces, period_s, share, bits) == (["at_speed"] * 2, ["coast"] * 2)


@BITS
@POLLED
def test_start_straight_after_an_aborted_one(period_s: float, share: float, bits: bool) -> None:
    pieces = (STANDS, Piece(2.0, 3.5, RAMPS), Piece(1.3, 0.0, OFF), *SOFT, RUNS, STANDS)
    assert outcomes(Method.SOFT_STARTER, pieces, period_s, share, bits) == (["aborted", "at_speed"], ["coast"])


@BITS
@POLLED
def test_jogging_is_a_row_of_aborted_starts(period_s: float, share: float, bits: bool) -> None:
    burst = (Piece(0.8, 6.0, RAMPS), Piece(1.6, 0.0, OFF))
    assert outcomes(Method.DIRECT_ON_LINE, (STANDS, *burst * 5), period_s, share, bits) == (["aborted"] * 5, [])


@POLLED
def test_soft_stop_by_bit(period_s: float, share: float) -> None:
    ease = Piece(10.0, falling(0.93, 1.84, 10.0), EASES)
    assert outcomes(Method.SOFT_STARTER, (STANDS, *SOFT, RUNS, ease, STANDS), period_s, share, bits=True) == (["at_speed"], ["soft_stop"])
    (stop,) = stops_in(fold(Watch(starter()), strip((STANDS, *SOFT, RUNS, ease, STANDS), period_s, share * period_s)))
    assert (stop.ended_at - stop.began_at) / 1e6 == pytest.approx(10.0, abs=1.5 * period_s)


@POLLED
def test_soft_stop_by_the_rise_of_the_current_before_off(period_s: float, share: float) -> None:
    ease = Piece(10.0, falling(0.93, 1.84, 10.0))
    pieces = (STANDS, *SOFT, Piece(60.0, 0.93), ease, STANDS)
    assert outcomes(Method.SOFT_STARTER, pieces, period_s, share, bits=False) == (["at_speed"], ["soft_stop"])


def test_a_soft_stop_called_off_goes_on_running() -> None:
    pieces = (STANDS, *SOFT, RUNS, Piece(2.0, 1.1, EASES), RUNS, STANDS)
    assert outcomes(Method.SOFT_STARTER, pieces, 0.1, 0.0, bits=True) == (["at_speed"], ["coast"])


def test_a_restart_out_of_a_soft_stop_is_a_second_start() -> None:
    pieces = (STANDS, *SOFT, RUNS, Piece(4.0, 1.2, EASES), *SOFT, RUNS)
    assert outcomes(Method.SOFT_STARTER, pieces, 0.1, 0.0, bits=True) == (["at_speed"] * 2, ["soft_stop"])


def test_a_stop_during_the_ramp_is_an_aborted_start_and_no_run() -> None:
    pieces = (STANDS, Piece(3.0, 3.5, RAMPS), Piece(4.0, 2.0, EASES), STANDS, STANDS)
    assert outcomes(Method.SOFT_STARTER, pieces, 0.1, 0.0, bits=True) == (["aborted"], [])
    (start,) = starts_in(fold(Watch(starter()), strip(pieces)))
    assert start.duration_s == pytest.approx(3.0, abs=0.1)


@POLLED
def test_trip_during_the_ramp(period_s: float, share: float) -> None:
    pieces = (STANDS, Piece(4.0, 3.5, RAMPS), Piece(5.0, 0.0, TRIPPED, {"trip_code": 7}), STANDS, *SOFT, RUNS)
    events = fold(Watch(starter()), strip(pieces, period_s, share * period_s))
    first, second = starts_in(events)
    assert (first.outcome, first.trip_code, second.outcome) == (Outcome.TRIPPED, 7, Outcome.AT_SPEED)
    assert MotorState.TRIPPED in [event.after for event in events if isinstance(event, StateChanged)]


def test_trip_at_speed() -> None:
    events = fold(Watch(starter()), strip((STANDS, *SOFT, RUNS, Piece(5.0, 0.0, TRIPPED, {"trip_code": 3}), STANDS)))
    (stop,) = stops_in(events)
    assert (stop.kind, stop.trip_code) == (StopKind.TRIP, 3)
    states = [event.after.value for event in events if isinstance(event, StateChanged)]
    assert states == ["stopped", "starting", "running", "tripped", "stopped"]


@BITS
def test_stall_then_cut_off(bits: bool) -> None:
    pieces = (STANDS, Piece(20.0, 5.0, RAMPS), STANDS)
    events = fold(Watch(starter(max_start_s=15.0)), strip(pieces, bits=bits))
    (start,) = starts_in(events)
    assert start.outcome is Outcome.STALLED
    assert start.duration_s == pytest.approx(20.0, abs=0.1)
    told = [event.start for event in events if hasattr(event, "start")]
    assert told[0].outcome is Outcome.STALLED and told[0].ended_at < told[-1].ended_at


@BITS
def test_a_start_that_takes_too_long_but_reaches_speed(bits: bool) -> None:
    (start,) = starts_in(fold(Watch(starter(max_start_s=15.0)), strip((STANDS, Piece(20.0, 3.0, RAMPS), RUNS), bits=bits)))
    assert start.outcome is Outcome.AT_SPEED
    assert start.remark == "took longer than the longest start of 15 s"


def test_stall_then_trip_stays_a_stall_with_the_code() -> None:
    pieces = (STANDS, Piece(20.0, 5.0, RAMPS), Piece(5.0, 0.0, TRIPPED, {"trip_code": 12}))
    (start,) = starts_in(fold(Watch(starter(max_start_s=15.0)), strip(pieces)))
    assert (start.outcome, start.trip_code) == (Outcome.STALLED, 12)


@POLLED
def test_a_frequency_drive_by_its_bits(period_s: float, share: float) -> None:
    ramp = Piece(12.0, falling(0.3, 0.95, 12.0), RAMPS)
    assert outcomes(Method.FREQUENCY_DRIVE, (STANDS, ramp, RUNS, STANDS), period_s, share, bits=True) == (["at_speed"], ["coast"])
    (start,) = starts_in(fold(Watch(starter(Method.FREQUENCY_DRIVE)), strip((STANDS, ramp, RUNS), period_s, share * period_s)))
    assert start.duration_s == pytest.approx(12.0, abs=1.1 * period_s)


def test_a_frequency_drive_by_current_alone_is_at_speed_when_steady() -> None:
    ramp = Piece(12.0, falling(0.3, 0.95, 12.0))
    (start,) = starts_in(fold(Watch(starter(Method.FREQUENCY_DRIVE)), strip((STANDS, ramp, RUNS), bits=False)))
    assert start.outcome is Outcome.AT_SPEED
    assert start.duration_s == pytest.approx(12.0, abs=1.2)


def test_a_frequency_drive_with_constant_current_by_its_frequency() -> None:
    readings = strip((STANDS, Piece(50.0, 0.8)), bits=False)
    turned = [
        Reading(reading.at, {**reading.values, "frequency": 0.0 if reading.at < 3e6 else min(50.0, 2.5 * (reading.at - 3e6) / 1e6)})
        for reading in readings
    ]
    (start,) = starts_in(fold(Watch(starter(Method.FREQUENCY_DRIVE)), turned))
    assert start.duration_s == pytest.approx(20.0, abs=0.6)
    assert start.peak_ratio == pytest.approx(0.8)


def test_run_bit_without_any_current_is_a_start_without_figures() -> None:
    values = [{"running": False}] * 5 + [{"running": True}] * 50 + [{"running": False}] * 10
    events = fold(Watch(starter()), [Reading(index * 100_000, value) for index, value in enumerate(values)])
    (start,) = starts_in(events)
    assert (start.outcome, start.peak_current_a, start.i2t_a2s) == (Outcome.AT_SPEED, None, None)
    assert "no current was read" in start.remark
    assert [stop.kind for stop in stops_in(events)] == [StopKind.COAST]


def test_a_starting_bit_alone_does_not_tell_whether_the_motor_runs() -> None:
    watch = Watch(starter())
    assert fold(watch, [Reading(index * 100_000, {"starting": False}) for index in range(5)]) == []
    assert watch.live().state is MotorState.UNKNOWN


def test_starting_and_at_speed_bits_without_run_bit_and_current() -> None:
    rows = [(False, False)] * 5 + [(True, False)] * 40 + [(False, True)] * 50 + [(False, False)] * 10
    readings = [Reading(index * 100_000, {"starting": ramps, "at_speed": speed}) for index, (ramps, speed) in enumerate(rows)]
    events = fold(Watch(starter()), readings)
    (start,) = starts_in(events)
    assert start.outcome is Outcome.AT_SPEED
    assert start.duration_s == pytest.approx(4.0, abs=0.11)
    assert len(stops_in(events)) == 1


def test_an_at_speed_bit_that_never_comes_ends_the_start_at_the_longest() -> None:
    never = Piece(30.0, 0.9, ON)
    (start,) = starts_in(fold(Watch(starter(max_start_s=15.0)), strip((STANDS, *SOFT, never))))
    assert start.outcome is Outcome.AT_SPEED
    assert start.duration_s == pytest.approx(7.98, abs=0.1)


def test_at_speed_under_a_standing_overload_is_believed_when_steady() -> None:
    (start,) = starts_in(fold(Watch(starter()), strip((STANDS, *SOFT, Piece(30.0, 1.4, SPEED)))))
    assert start.outcome is Outcome.AT_SPEED
    assert start.duration_s == pytest.approx(8.1, abs=0.1)


def test_bits_override_current() -> None:
    assert outcomes(Method.SOFT_STARTER, (STANDS, Piece(10.0, 3.0, OFF), STANDS), 0.1, 0.0, bits=True) == ([], [])


def test_no_start_from_noise_round_a_line() -> None:
    noisy = Piece(20.0, lambda at_s: 0.11 + 0.03 * (-1) ** int(at_s * 10))
    assert outcomes(Method.SOFT_STARTER, (STANDS, noisy, STANDS), 0.1, 0.0, bits=False) == ([], [])


def test_a_blip_shorter_than_a_start_is_dismissed() -> None:
    pieces = (STANDS, Piece(0.05, 2.0), STANDS)
    assert outcomes(Method.SOFT_STARTER, pieces, 0.05, 0.0, bits=False) == ([], [])
    assert outcomes(Method.SOFT_STARTER, (STANDS, Piece(0.2, 2.0), STANDS), 0.05, 0.0, bits=False) == (["aborted"], [])


def test_a_starting_bit_while_running_is_another_start() -> None:
    """Off and on again between two readings."""
    long_run = Piece(100.0, 0.9, SPEED)
    assert outcomes(Method.SOFT_STARTER, (STANDS, *SOFT, long_run, *SOFT, RUNS), 0.1, 0.0, bits=True) == (["at_speed"] * 2, ["unseen"])


# The first readings, and readings that are missing.


@BITS
def test_the_gateway_starts_while_the_motor_runs(bits: bool) -> None:
    events = fold(Watch(starter()), strip((RUNS, STANDS), bits=bits))
    assert starts_in(events) == []
    (stop,) = stops_in(events)
    assert stop.run_began_at is None


@BITS
def test_the_gateway_starts_while_the_motor_ramps(bits: bool) -> None:
    (start,) = starts_in(fold(Watch(starter()), strip((*SOFT, RUNS), bits=bits)))
    assert (start.outcome, start.duration_s, start.i2t_flc2s) == (Outcome.AT_SPEED, None, None)
    assert start.remark == "begin not seen"
    assert start.peak_ratio == pytest.approx(3.5)


def test_the_gateway_starts_during_a_soft_stop() -> None:
    events = fold(Watch(starter()), strip((Piece(3.0, 1.2, EASES), STANDS)))
    assert [stop.kind for stop in stops_in(events)] == [StopKind.SOFT_STOP]


@BITS
@pytest.mark.parametrize("missing", [BLIND, SILENT])
@pytest.mark.parametrize("gap_s", [3.0, 5.5])
def test_a_gap_in_the_middle_of_a_start(missing: str, gap_s: float, bits: bool) -> None:
    pieces = (STANDS, Piece(2.0, 3.5, RAMPS), Piece(gap_s, missing), *SOFT, RUNS, STANDS)
    events = fold(Watch(starter()), strip(pieces, bits=bits))
    (start,) = starts_in(events)
    assert start.outcome is Outcome.AT_SPEED
    assert start.duration_s == pytest.approx(2.0 + gap_s + 7.98, abs=0.15)
    assert ("readings missing" in start.remark) == (gap_s > 5.0)
    assert [stop.kind for stop in stops_in(events)] == [StopKind.COAST]


@BITS
@pytest.mark.parametrize(
    ("after", "outcome", "kinds"),
    [
        (RUNS, Outcome.AT_SPEED, []),
        (STANDS, Outcome.ABORTED, []),
        (Piece(6.0, 0.0, TRIPPED), Outcome.TRIPPED, []),
    ],
    ids=["speed", "off", "tripped"],
)
def test_a_start_that_ends_in_a_gap(after: Piece, outcome: Outcome, kinds: list[StopKind], bits: bool) -> None:
    if outcome is Outcome.TRIPPED and not bits:
        outcome = Outcome.ABORTED
    events = fold(Watch(starter()), strip((STANDS, Piece(2.0, 3.5, RAMPS), Piece(30.0, SILENT), after), bits=bits))
    (start,) = starts_in(events)
    assert start.outcome is outcome
    assert "readings missing within the start" in start.remark
    assert [stop.kind for stop in stops_in(events)] == kinds


@BITS
def test_a_ramp_after_a_gap_longer_than_any_start_is_another_start(bits: bool) -> None:
    pieces = (STANDS, Piece(2.0, 3.5, RAMPS), Piece(90.0, SILENT), *SOFT, RUNS)
    first, second = starts_in(fold(Watch(starter()), strip(pieces, bits=bits)))
    assert (first.outcome, second.outcome) == (Outcome.ABORTED, Outcome.AT_SPEED)
    assert second.remark == "begin not seen"


@BITS
def test_running_after_a_gap_that_began_off_proves_a_start(bits: bool) -> None:
    (start,) = starts_in(fold(Watch(starter()), strip((STANDS, Piece(60.0, SILENT), RUNS), bits=bits)))
    assert (start.outcome, start.began_at, start.ended_at) == (Outcome.UNSEEN, 2_900_000, 63_000_000)


@BITS
@pytest.mark.parametrize(
    ("after", "kinds"), [(STANDS, ["unseen"]), (RUNS, []), (Piece(3.0, 3.5, RAMPS), ["unseen"])], ids=["off", "on", "ramp"]
)
def test_a_run_that_a_gap_falls_into(after: Piece, kinds: list[str], bits: bool) -> None:
    events = fold(
        Watch(starter()), strip((STANDS, *SOFT, RUNS, Piece(60.0, SILENT), after, RUNS if after is not STANDS else STANDS), bits=bits)
    )
    assert [stop.kind.value for stop in stops_in(events)] == kinds
    assert [start.outcome for start in starts_in(events)] == [Outcome.AT_SPEED] * (2 if after.ratio == 3.5 else 1)


def test_a_current_missing_for_some_readings_of_a_ramp_changes_nothing() -> None:
    readings = strip((STANDS, *SOFT, RUNS))
    holed = [
        Reading(reading.at, {key: value for key, value in reading.values.items() if key != "current"}) if 40 < index < 44 else reading
        for index, reading in enumerate(readings)
    ]
    (start,) = starts_in(fold(Watch(starter()), holed))
    assert start.i2t_flc2s == pytest.approx(starts_in(fold(Watch(starter()), readings))[0].i2t_flc2s, rel=1e-6)
