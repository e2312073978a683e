"""The watch as a whole: a fold that restarts, batches and a wandering clock cannot change, what it tells, and the pace that it wants."""

from __future__ import annotations

import json
import random
from collections.abc import Iterable
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.instants import HOUR, MINUTE, SECOND, Instant
from gateway.motors.facts import LimitSettings, Method, Starter
from gateway.motors.plain import from_plain, to_plain
from gateway.motors.reading import Flaw, Quality, Reading, Scalar, TimeSource
from gateway.motors.records import Event, GapEnded, MotorState, Outcome, Pace, StartBegan, StartEnded, StateChanged, StopEnded
from gateway.motors.steady import Steady
from gateway.motors.watch import Watch
from tests.motors.strips import (
    BLIND,
    EASES,
    FLC_A,
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

SOFT = (Piece(7.5, 3.5, RAMPS), Piece(0.6, falling(3.5, 0.9, 0.6), RAMPS))
STANDS = Piece(5.0, 0.0, OFF)
RUNS = Piece(40.0, 0.9, SPEED)
LIFE = (
    STANDS,
    *SOFT,
    RUNS,
    Piece(6.0, falling(0.9, 1.8, 6.0), EASES),
    STANDS,
    Piece(2.0, 4.0, RAMPS),
    Piece(1.5, 0.0, OFF),
    *SOFT,
    Piece(7.0, BLIND),
    RUNS,
    Piece(4.0, 0.0, TRIPPED, {"trip_code": 4}),
    STANDS,
    Piece(20.0, SILENT),
    Piece(20.0, 0.8, SPEED),
    STANDS,
    Piece(30.0, 5.0, RAMPS),
    STANDS,
)


def counted(readings: Iterable[Reading], phase: int = 0) -> list[Reading]:
    """Return readings with a start counter beside, and now and then a slow value."""
    starts, was_on, result = 65534, False, []
    for index, reading in enumerate(readings):
        on = (reading.number("current") or 0.0) > 0.2 * FLC_A
        starts += on and not was_on
        was_on = on if reading.values else was_on
        values: dict[str, Scalar] = dict(reading.values)
        if values:
            values |= {"start_count": starts % 65536, "mode": "remote"}
            if (index + phase) % 60 == 0:
                values["winding_temperature"] = 60.0 + index / 1000.0
        result.append(Reading(reading.at, values, reading.flaws))
    return result


def readings_of(seed: int, bits: bool | None = None) -> list[Reading]:
    draw = random.Random(seed)
    pieces = [draw.choice(LIFE) for _ in range(12)] if seed % 2 else list(LIFE)
    period_s = draw.choice([0.1, 0.25, 1.0])
    return counted(strip(pieces, period_s, draw.random() * period_s, draw.random() < 0.5 if bits is None else bits), seed)


def facts() -> Starter:
    return replace(starter(max_start_s=20.0), limits=LimitSettings(starts_per_hour=6, off_time_s=60.0))


def through_json(watch: Watch) -> Watch:
    return Watch.restored(watch.starter, json.loads(json.dumps(watch.snapshot(), allow_nan=False)))


# Restarts and batches.


@settings(max_examples=80, deadline=None, derandomize=True)
@given(seed=st.integers(0, 2**32), cuts=st.lists(st.floats(0.0, 1.0), min_size=1, max_size=6))
def test_restarts_at_random_readings_change_nothing(seed: int, cuts: list[float]) -> None:
    readings = readings_of(seed)
    whole = Watch(facts())
    expected = fold(whole, readings)
    watch, events, places = Watch(facts()), list[Event](), {int(cut * len(readings)) for cut in cuts}
    for index, reading in enumerate(readings):
        if index in places:
            watch = through_json(watch)
        events += watch.take(reading)
    assert events == expected
    assert watch.snapshot() == whole.snapshot()
    assert watch.live() == whole.live()
    at = readings[-1].at + MINUTE
    assert watch.budget(at) == whole.budget(at)
    assert watch.heat_trail() == whole.heat_trail()


@pytest.mark.slow
def test_a_restart_at_every_single_reading_changes_nothing() -> None:
    readings = readings_of(0, bits=True)
    whole, watch = Watch(facts()), Watch(facts())
    for reading in readings:
        watch = through_json(watch)
        assert watch.take(reading) == whole.take(reading)
    assert watch.snapshot() == whole.snapshot()


@pytest.mark.parametrize("seed", range(12))
def test_asking_changes_nothing(seed: int) -> None:
    readings = readings_of(seed)
    quiet, asked = Watch(facts()), Watch(facts())
    draw = random.Random(seed)
    for reading in readings:
        assert quiet.take(reading) == asked.take(reading)
        if draw.random() < 0.2:
            (
                asked.live(),
                asked.budget(reading.at + SECOND),
                asked.history(),
                asked.heat_trail(),
                asked.snapshot(),
                asked.pace,
                asked.pending(),
            )
    assert quiet.snapshot() == asked.snapshot()


@pytest.mark.parametrize("seed", range(40))
def test_the_short_way_tells_nothing_else_than_the_long_one(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    readings = readings_of(seed)
    short = Watch(facts())
    events = fold(short, readings)
    assert short._steady.takes(Reading(readings[-1].at + 1000, readings[-1].values)) or seed % 2, "the short way is taken at all"
    short = Watch(facts())
    assert fold(short, readings) == events
    monkeypatch.setattr(Steady, "takes", lambda self, reading: False)
    long = Watch(facts())
    assert fold(long, readings) == events
    assert short.live() == long.live()
    assert short.heat_trail() == long.heat_trail()
    assert short.history() == long.history()


def test_snapshots_of_another_version_are_refused() -> None:
    with pytest.raises(ValueError, match="version 3"):
        Watch.restored(facts(), {"version": 3, "state": {}})


def test_a_snapshot_of_version_1_goes_on_with_what_it_has() -> None:
    readings = readings_of(0, bits=True)
    whole, old = Watch(facts()), Watch(facts())
    half = len(readings) // 2
    fold(whole, readings[:half])
    fold(old, readings[:half])
    snapshot = json.loads(json.dumps(old.snapshot()))
    state = snapshot["state"]
    for key in ("phases", "settings", "drift", "command_edge"):
        del state[key]
    del state["course"]["runs"]
    del state["heat"]["state"]["ambient"]
    for start in [state["last_start"]] if state["last_start"] else []:
        for key in ("peak_error_pct", "shape", "direct"):
            del start[key]
    watch = Watch.restored(facts(), snapshot | {"version": 1})
    events, expected = fold(watch, readings[half:]), fold(whole, readings[half:])
    assert [event for event in events if isinstance(event, StartEnded)] == [event for event in expected if isinstance(event, StartEnded)]
    assert watch.history().heat == whole.history().heat
    assert watch.snapshot()["version"] == 2


def test_plain_data_refuses_what_is_not_data() -> None:
    with pytest.raises(TypeError, match="object"):
        to_plain(object())
    assert from_plain(tuple[int, str], [1, "a"]) == (1, "a")
    reading = Reading(5, {"a": 1.5, "b": True, "c": "x"}, {"d": Flaw(Quality.BAD, "gone")}, TimeSource.SOURCE)
    assert from_plain(Reading, json.loads(json.dumps(to_plain(reading)))) == reading


# Order and the wall clock.


@pytest.mark.parametrize("seed", range(6))
def test_duplicates_and_late_readings_change_nothing(seed: int) -> None:
    readings = readings_of(seed)
    draw = random.Random(seed)
    expected = fold(Watch(facts()), readings)
    mixed: list[Reading] = []
    for index, reading in enumerate(readings):
        mixed.append(reading)
        if draw.random() < 0.1:
            mixed += [reading] * draw.randrange(1, 4)
        if draw.random() < 0.1 and index > 30:
            mixed += readings[index - 3 : index - 1]
        if draw.random() < 0.05 and index > 60:
            mixed += [readings[index - 50]]
    assert fold(Watch(facts()), mixed) == expected


@pytest.mark.parametrize("back_s", [2.5, 60.0, 3600.0, 86400.0 * 365])
@pytest.mark.parametrize("cut", [0.03, 0.2, 0.35, 0.5, 0.8, 0.95])
def test_a_clock_set_back_loses_no_start_and_makes_no_time_negative(back_s: float, cut: float) -> None:
    pieces = (STANDS, *SOFT, RUNS, STANDS, *SOFT, RUNS, STANDS)
    plain = strip(pieces, from_at=10**15)
    at = plain[int(cut * len(plain))].at
    readings = counted(reading if reading.at < at else Reading(reading.at - round(back_s * SECOND), reading.values) for reading in plain)
    watch = Watch(facts())
    events = fold(watch, readings)
    starts, stops = starts_in(events), stops_in(events)
    assert [start.outcome for start in starts] == [Outcome.AT_SPEED] * 2
    assert len(stops) == 2
    for start in starts:
        assert start.duration_s == pytest.approx(7.98, abs=0.45)
        assert start.began_at <= start.ended_at
    for stop in stops:
        assert stop.run_began_at is not None and stop.run_began_at < stop.began_at <= stop.ended_at
    live = watch.live()
    assert (live.total_starts, live.starts_last_hour, live.unseen_last_hour) == (2, 2, 0)
    assert live.at == readings[-1].at
    assert not [event for event in events if isinstance(event, GapEnded)]
    assert all(earlier <= later for (earlier, _), (later, _) in zip(watch.heat_trail(), watch.heat_trail()[1:], strict=False))


def test_a_clock_set_back_in_a_soft_stop_and_after_a_command_moves_them_along() -> None:
    pieces = (STANDS, *SOFT, RUNS, Piece(8.0, 1.2, EASES), Piece(5.0, 0.0, {**OFF, "command": True}))
    plain = strip(pieces, from_at=10**15)
    for cut_s in (56.0, 64.0):
        at = plain[0].at + round(cut_s * SECOND)
        watch = Watch(facts())
        events = fold(watch, [reading if reading.at < at else Reading(reading.at - HOUR, reading.values) for reading in plain])
        (stop,) = stops_in(events)
        assert (stop.ended_at - stop.began_at) / SECOND == pytest.approx(8.0, abs=0.3)
        assert watch.pace is Pace.STARTING


def test_a_clock_set_forward_is_a_gap() -> None:
    plain = strip((STANDS, *SOFT, RUNS))
    readings = counted(reading if reading.at < 30 * SECOND else Reading(reading.at + HOUR, reading.values) for reading in plain)
    watch = Watch(facts())
    events = fold(watch, readings)
    (gap,) = [event for event in events if isinstance(event, GapEnded)]
    assert gap.at - gap.began_at > HOUR
    assert [start.outcome for start in starts_in(events)] == [Outcome.AT_SPEED]
    assert watch.history().unexplained == (), "the counter says that nothing happened"


# What it tells.


def test_states_and_events_of_a_run_in_order() -> None:
    events = fold(Watch(facts()), counted(strip((STANDS, *SOFT, RUNS, STANDS))))
    kinds = [type(event).__name__ for event in events]
    assert kinds == ["StateChanged", "StartBegan", "StateChanged", "StartEnded", "StateChanged", "StartEnded", "StopEnded", "StateChanged"]
    began = next(event for event in events if isinstance(event, StartBegan))
    ended = [event.start for event in events if isinstance(event, StartEnded)]
    assert began.number == ended[0].number == ended[1].number == 1
    assert ended[0].curve is not None and ended[1].curve is not None
    assert len(ended[0].curve.at_s) < len(ended[1].curve.at_s)
    assert ended[0].heat_before is not None and ended[0].heat_after is not None
    assert ended[0].heat_after > ended[0].heat_before


def test_heat_of_a_start_is_its_i2t() -> None:
    """3.5 x FLC, I2t 98.6 FLC2s of 20 s x 7^2 = 980: a tenth of the capacity."""
    watch = Watch(facts())
    (start,) = starts_in(fold(watch, strip((STANDS, *SOFT, RUNS))))
    assert start.heat_before is not None and start.heat_after is not None and start.winding_i2t_flc2s is not None
    assert start.heat_after - start.heat_before == pytest.approx(start.winding_i2t_flc2s / 980.0, rel=0.02)


def test_heat_of_a_star_delta_start_is_that_of_the_winding() -> None:
    star = replace(starter(Method.STAR_DELTA, {"star_time_s": 8.0}))
    pieces = (STANDS, Piece(8.0, 2.2, RAMPS), Piece(0.06, 0.0, RAMPS), Piece(0.6, 4.5, RAMPS), RUNS)
    (start,) = starts_in(fold(Watch(star), strip(pieces)))
    assert start.heat_before is not None and start.heat_after is not None and start.winding_i2t_flc2s is not None
    assert start.winding_i2t_flc2s == pytest.approx(3.0 * 2.2**2 * 8.0 + 4.5**2 * 0.6, rel=0.05)
    assert start.heat_after - start.heat_before == pytest.approx(start.winding_i2t_flc2s / 980.0, rel=0.03)


def test_live_before_during_and_after() -> None:
    watch = Watch(facts())
    empty = watch.live()
    assert (empty.at, empty.state, empty.quality, empty.reason, empty.heat) == (
        None,
        MotorState.UNKNOWN,
        Quality.BAD,
        "no usable reading yet",
        None,
    )
    assert watch.history().quality is Quality.BAD
    assert watch.budget(0).quality is Quality.BAD
    readings = counted(strip((STANDS, *SOFT, RUNS)))
    fold(watch, readings[:80])
    during = watch.live()
    assert (during.state, during.starts_last_hour, during.last_start) == (MotorState.STARTING, 1, None)
    mark = watch.history().marks[-1]
    assert mark.ended_at == watch.history().at
    fold(watch, readings[80:])
    after = watch.live()
    assert (after.state, after.total_starts) == (MotorState.RUNNING, 1)
    assert after.current_ratio == pytest.approx(0.9)
    assert after.last_start is not None and after.last_start.curve is None
    assert after.quality is Quality.GOOD
    assert float(after.values["winding_temperature"]) > 60.0, "a slow value is kept between its readings"
    assert after.values["mode"] == "remote"


def test_a_flawed_signal_is_said_and_not_shown_with_an_old_value() -> None:
    watch = Watch(facts())
    values: dict[str, Scalar] = {"current": 70.0, "winding_temperature": 61.0, **SPEED}
    fold(watch, [Reading(index * SECOND, values) for index in range(5)])
    rest = {key: value for key, value in values.items() if key != "winding_temperature"}
    fold(watch, [Reading(index * SECOND, rest, {"winding_temperature": Flaw(Quality.BAD, "sensor broken")}) for index in range(5, 9)])
    live = watch.live()
    assert "winding_temperature" not in live.values
    assert live.flaws == {"winding_temperature": "sensor broken"}
    assert (live.quality, live.reason) == (Quality.GOOD, ""), "starts are told as well without it"


def test_a_flaw_of_what_starts_are_told_by_makes_the_whole_uncertain() -> None:
    watch = Watch(facts())
    values: dict[str, Scalar] = {"current": 70.0, **SPEED}
    fold(watch, [Reading(index * SECOND, values) for index in range(5)])
    fold(watch, [Reading(5 * SECOND, values, {"start_count": Flaw(Quality.BAD, "exception 2: no such address")})])
    live = watch.live()
    assert (live.quality, live.reason) == (Quality.UNCERTAIN, "start_count: exception 2: no such address")
    fold(watch, [Reading(6 * SECOND, values, {"power": Flaw(Quality.BAD, "implausible: 9000 kW, plausible 0 to 90 kW")})])
    assert watch.live().quality is Quality.UNCERTAIN, "a map that is wrong in one place may be wrong in others"


def test_silence_is_told_and_never_optimistic() -> None:
    watch = Watch(facts())
    fold(watch, strip((STANDS, *SOFT, RUNS, STANDS), bits=False))
    bad = [Reading(80 * SECOND + index * SECOND, {}, {"current": Flaw(Quality.BAD, "no answer")}) for index in range(20)]
    events = fold(watch, bad)
    assert [event.after for event in events if isinstance(event, StateChanged)] == [MotorState.UNKNOWN]
    live = watch.live()
    assert (live.state, live.quality, live.reason) == (MotorState.UNKNOWN, Quality.BAD, "no answer")
    assert live.last_good_at is not None and live.last_good_at < 80 * SECOND
    history = watch.history()
    assert history.blind_since == live.last_good_at
    assert watch.budget(100 * SECOND).quality is Quality.BAD
    events = fold(watch, [Reading(100 * SECOND, {"current": 0.0})])
    assert [type(event).__name__ for event in events] == ["GapEnded", "StateChanged"]
    assert watch.history().blind_since is None
    assert watch.history().unexplained, "no counter tells what happened meanwhile"
    assert watch.live().quality is Quality.UNCERTAIN
    assert watch.history().heat.certain is False


def test_a_gap_that_a_counter_explains_is_quiet() -> None:
    watch = Watch(facts())
    readings = counted(strip((STANDS, *SOFT, RUNS, STANDS)))
    fold(watch, readings)
    before, heat = watch.history(), watch.live().heat
    last = readings[-1]
    fold(watch, [Reading(last.at + HOUR, last.values), Reading(last.at + HOUR + SECOND, last.values)])
    after = watch.history()
    assert after.unexplained == ()
    assert after.off_since == before.off_since
    assert heat is not None and (watch.live().heat or 1.0) < heat, "it has cooled"
    assert watch.live().starts_last_hour == 0


def test_a_gap_whose_counter_comes_later_is_unexplained_until_then() -> None:
    watch = Watch(facts())
    readings = counted(strip((STANDS,)))
    fold(watch, readings)
    count = readings[-1].values["start_count"]
    fold(watch, [Reading(60 * SECOND, {"current": 0.0, **OFF})])
    assert watch.history().unexplained
    fold(watch, [Reading(61 * SECOND, {"current": 0.0, **OFF, "start_count": count})])
    assert watch.history().unexplained == ()


@pytest.mark.parametrize("count", [-1, 2.5, "many"])
def test_a_count_that_is_none_is_not_taken(count: Scalar) -> None:
    watch = Watch(facts())
    fold(watch, [Reading(index * SECOND, {"current": 0.0, "start_count": count}) for index in range(5)])
    assert watch._state.ledger.counter.value is None


def test_without_current_heat_is_that_of_full_load() -> None:
    watch = Watch(facts())
    fold(watch, [Reading(0, {"running": False})])
    for second in range(1, 200):
        watch.take(Reading(second * SECOND, {"running": True}))
    assert watch.history().heat.certain is False
    hot = watch.live().heat
    for second in range(200, 400):
        watch.take(Reading(second * SECOND, {"running": False}))
    assert hot is not None and (watch.live().heat or 1.0) < hot


def test_phases_stand_in_for_the_current() -> None:
    pieces = strip((STANDS, *SOFT, RUNS, STANDS), bits=False)
    phases = [
        Reading(reading.at, {f"current_l{phase}": (reading.number("current") or 0.0) * (1.0 + 0.05 * (phase - 2)) for phase in (1, 2, 3)})
        for reading in pieces
    ]
    (start,) = starts_in(fold(Watch(facts()), phases))
    assert start.peak_ratio == pytest.approx(3.5)
    assert start.unbalance_pct == pytest.approx(5.0)


# Readings that leave signals out.


@pytest.mark.parametrize("looked_at", ["running", "current", "current_l1"])
def test_looks_between_readings_find_the_begin(looked_at: str) -> None:
    """A motor that stands is read once a second, with a look at one signal every 100 ms between."""
    readings, watch = strip((Piece(20.4, 0.0, OFF), *SOFT, RUNS, STANDS), 0.1), Watch(facts())
    events: list[Event] = []
    for index, reading in enumerate(counted(readings)):
        full = watch.pace is not Pace.STANDBY or index % 10 == 0
        values = dict(reading.values) if looked_at != "current_l1" else {**reading.values, "current_l1": reading.values["current"]}
        events += watch.take(Reading(reading.at, values if full else {looked_at: values[looked_at]}))
        if reading.at > SECOND:
            assert watch.live().current_a is not None
    (start,) = starts_in(events)
    assert start.began_at == 20_350_000
    assert start.began_error_s == pytest.approx(0.06)
    assert start.duration_s == pytest.approx(7.98, abs=0.15)
    assert start.i2t_flc2s == pytest.approx(3.5**2 * 7.5 + 3.6, rel=0.02)
    assert [stop.kind.value for stop in stops_in(events)] == ["coast"]
    assert watch.live().total_starts == 1


def test_what_was_bad_when_last_read_stays_bad_until_it_is_read_again() -> None:
    watch = Watch(facts())
    full: dict[str, Scalar] = {"current": 70.0, "winding_temperature": 61.0}
    fold(watch, [Reading(0, full), Reading(SECOND, {"current": 70.0}, {"winding_temperature": Flaw(Quality.BAD, "implausible: 900 degC")})])
    for second in range(2, 60):
        watch.take(Reading(second * SECOND, {"current": 70.0}))
        assert watch.live().flaws == {"winding_temperature": "implausible: 900 degC"}
        assert "winding_temperature" not in watch.live().values
        watch = through_json(watch)
    watch.take(Reading(60 * SECOND, full))
    assert watch.live().flaws == {}
    fold(watch, [Reading(second * SECOND, {"current": 70.0}) for second in range(61, 70)])
    assert watch.live().values["winding_temperature"] == 61.0
    fold(watch, [Reading(second * SECOND, {"current": 70.0}) for second in range(70, 300)])
    assert "winding_temperature" not in watch.live().values, "too old to be shown"


# The pace.


def test_pace_follows_the_motor() -> None:
    watch = Watch(facts())
    assert watch.pace is Pace.STANDBY
    paces: list[tuple[Pace, Instant]] = []
    for reading in strip((STANDS, *SOFT, RUNS, Piece(3.0, 1.2, EASES), STANDS)):
        watch.take(reading)
        if not paces or paces[-1][0] is not watch.pace:
            paces.append((watch.pace, reading.at))
    assert [pace for pace, _ in paces] == [Pace.STANDBY, Pace.STARTING, Pace.RUNNING, Pace.STANDBY]
    assert paces[1][1] == 5 * SECOND
    assert 16 * SECOND < paces[2][1] < 18 * SECOND, "a few seconds after the end, so that the tail is recorded"


def test_a_command_and_a_first_sample_that_is_on_make_it_fast() -> None:
    watch = Watch(facts())
    off: dict[str, Scalar] = {"current": 0.0}

    def pace_after(second: int, **values: Scalar) -> Pace:
        watch.take(Reading(second * SECOND, off | values))
        return watch.pace

    assert pace_after(0) is Pace.STANDBY
    assert pace_after(1, command=True) is Pace.STARTING
    paces = [pace_after(second, command=True) for second in range(2, 40)]
    assert paces[28:] == [Pace.STARTING] + [Pace.STANDBY] * 9, "a command that stays without a start does not keep it fast for ever"
    assert pace_after(40, command=False) is Pace.STANDBY
    assert pace_after(41, command=True) is Pace.STARTING
    assert pace_after(42, command=False) is Pace.STANDBY
    assert pace_after(43, command=False, current=300.0) is Pace.STARTING


def test_an_instant_that_the_device_stamped_is_the_begin() -> None:
    readings = [Reading(0, {"current": 0.0, **OFF}, time_source=TimeSource.SOURCE)]
    readings += [Reading(7_300_000 + index * 100_000, {"current": 280.0, **RAMPS}, time_source=TimeSource.SOURCE) for index in range(40)]
    readings += [Reading(11_300_000 + index * 100_000, {"current": 70.0, **SPEED}, time_source=TimeSource.SOURCE) for index in range(60)]
    exact = replace(facts(), thresholds=replace(facts().thresholds, gap_s=10.0))
    (start,) = starts_in(fold(Watch(exact), readings))
    assert start.began_at == 7_300_000
    assert start.began_error_s == pytest.approx(0.01)
    assert start.i2t_flc2s == pytest.approx(3.5**2 * 3.95, rel=0.02)


# Bounds.


def test_memory_does_not_grow_with_run_time() -> None:
    watch = Watch(facts())
    sizes = []
    at = 0
    for _ in range(3):
        for _ in range(200):
            fold(watch, counted(strip((STANDS, Piece(1.5, 5.0, RAMPS), Piece(400.0, 0.9, SPEED)), 1.0, from_at=at)))
            at += 410 * SECOND
        sizes.append(len(json.dumps(watch.snapshot())))
    assert sizes[2] < 1.1 * sizes[1]


def test_a_stall_that_is_never_cut_off_does_not_fill_the_memory() -> None:
    watch = Watch(facts())
    events = fold(watch, strip((STANDS, Piece(900.0, 5.0, RAMPS), STANDS)))
    (start,) = starts_in(events)
    assert start.outcome is Outcome.STALLED
    assert "after 6000 samples" in start.remark
    assert start.curve is not None and len(start.curve.at_s) <= 6001


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    rows=st.lists(
        st.tuples(
            st.integers(-3_000_000, 9_000_000),
            st.one_of(st.none(), st.floats(-5.0, 900.0, allow_nan=False)),
            st.sampled_from([OFF, ON, RAMPS, SPEED, EASES, TRIPPED, {}]),
            st.one_of(st.none(), st.integers(0, 70000)),
        ),
        max_size=60,
    )
)
def test_no_readings_whatever_break_it(
    rows: list[tuple[int, float | None, dict[str, Scalar], int | None]],
) -> None:
    """Anything in any order: nothing raises, numbers run from 1 without holes, nothing ends before it begins, every run stops once."""
    watch, at, events = Watch(facts()), 0, list[Event]()
    for step_us, current, bits, count in rows:
        at += step_us
        values: dict[str, Scalar] = dict(bits)
        if current is not None:
            values["current"] = current
        if count is not None:
            values["start_count"] = count
        events += watch.take(Reading(at, values))
        watch = through_json(watch)
    began = [event.number for event in events if isinstance(event, StartBegan)]
    assert len(set(began)) == len(began)
    starts = starts_in(events)
    assert {start.number for start in starts} <= set(range(1, watch.live().total_starts + 1))
    for start in starts:
        assert start.began_at <= start.ended_at
        assert start.duration_s is None or start.duration_s >= 0.0
        assert start.began_error_s >= 0.0
    for event in events:
        if isinstance(event, StopEnded):
            assert event.stop.began_at <= event.stop.ended_at
    watch.budget(at + MINUTE)
