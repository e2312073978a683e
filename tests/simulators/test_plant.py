"""The simulated starter: what it shows, what it counts, how it trips, and that only time decides what happens."""

from __future__ import annotations

import json
import random
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from gateway.machine.loads import Compressor, Fan
from gateway.machine.methods import DirectOnLine, StarDelta
from gateway.machine.nameplate import EXAMPLE_45_KW
from gateway.machine.soft_starter import SoftStarter
from gateway.registers.model import Table
from simulators.plant import SimulatedStarter
from simulators.protection import ProtectionSettings, Trip
from simulators.timetable import Action, DailyRuns, Event
from simulators.traits import DeviceTraits, Drift, Make, Supply
from simulators.truth import TrueStart, write_truth
from tests.simulators.makes import SOFT, STIFF_BELT, device_map, drive, starter

FLAGS = ("running", "starting", "at_speed", "stopping", "tripped")


def make(**changes: Any) -> Make:
    return replace(Make(name="fan", map=device_map(), drive=drive()), **changes)


def flags(unit: SimulatedStarter) -> tuple[bool, ...]:
    return tuple(bool(unit.values()[name]) for name in FLAGS)


def number(unit: SimulatedStarter, key: str) -> float:
    value = unit.values()[key]
    assert isinstance(value, (int, float))
    return float(value)


def seen(unit: SimulatedStarter, until_s: float, step_s: float = 0.1) -> list[tuple[bool, ...]]:
    """Return the different sets of status bits up to a time, in their order."""
    shown: list[tuple[bool, ...]] = [flags(unit)]
    while unit.now_s < until_s:
        unit.advance_to(unit.now_s + step_s)
        if flags(unit) != shown[-1]:
            shown.append(flags(unit))
    return shown


def test_the_bits_of_a_soft_start_and_stop_come_in_order() -> None:
    unit = starter(make(events=(Event(1.0, Action.START), Event(30.0, Action.STOP))))
    assert seen(unit, 60.0) == [
        (False, False, False, False, False),
        (True, True, False, False, False),
        (True, False, True, False, False),
        (True, False, False, True, False),
        (False, False, False, False, False),
    ]
    assert [record.kind for record in unit.true_stops] == ["soft_stop"]
    assert unit.true_stops[0].began_s == 30.0
    assert unit.true_stops[0].ended_s == pytest.approx(36.0, abs=0.03)


def test_truth_of_the_soft_start_against_the_reference_run() -> None:
    """45 kW fan, 40 % / 10 s / 3.5 x FLC: 8.85 s to below 1.2 x FLC and 100.9 FLC^2 s, computed with an adaptive integrator and without
    harmonics in the current; with them (the device limits true r.m.s. current) the start is a little longer."""
    plain = replace(SOFT, harmonics=False)
    unit = starter(make(drive=drive(plain), events=(Event(0.0, Action.START),)))
    unit.advance_to(20.0)
    (record,) = unit.true_starts
    assert record.duration_s == pytest.approx(8.85, rel=0.005)
    assert record.i2t_flc2s == pytest.approx(100.9, rel=0.005)
    assert record.peak_ratio == pytest.approx(3.5, rel=1e-6)
    assert record.outcome == "at_speed"
    assert record.at_speed_s == pytest.approx(10.15, abs=0.05)
    assert (record.number, record.count, record.began_s) == (1, 1, 0.0)


def test_truth_of_the_direct_start_against_the_reference_run() -> None:
    """2.751 s to below 1.2 x FLC, 83.8 FLC^2 s, 7.0 x FLC: computed with an adaptive integrator."""
    unit = starter(make(drive=drive(DirectOnLine()), events=(Event(0.0, Action.START), Event(60.0, Action.STOP))))
    unit.advance_to(61.0)
    (record,) = unit.true_starts
    assert record.duration_s == pytest.approx(2.75, rel=0.01)
    assert record.i2t_flc2s == pytest.approx(83.8, rel=0.01)
    assert record.peak_ratio == pytest.approx(7.0, rel=1e-6)
    assert unit.true_stops[0].kind == "coast"


def test_a_star_delta_start_is_one_start_and_its_winding_is_hotter_than_its_line() -> None:
    """42.9 FLC^2 s in the line and 105.2 in the winding for a change-over after 8 s: computed with an adaptive integrator."""
    unit = starter(make(drive=drive(StarDelta(star_time_s=8.0)), events=(Event(0.0, Action.START),)))
    unit.advance_to(20.0)
    (record,) = unit.true_starts
    assert record.i2t_flc2s == pytest.approx(42.9, rel=0.02)
    assert record.winding_i2t_flc2s == pytest.approx(105.2, rel=0.02)


def test_what_happens_does_not_depend_on_who_looks() -> None:
    seed = 20
    plan = make(
        seed=seed,
        device=DeviceTraits(noise=0.01, auto_reset_s=120.0),
        supply=Supply(dip_per_flc=0.01, swing=0.02, ambient_swing_k=5.0),
        daily=(DailyRuns(first_s=600.0, every_s=1200.0, run_s=500.0, jitter_s=90.0),),
        events=(Event(2000.0, Action.TRIP),),
    )
    lazy, busy, odd = (SimulatedStarter(plan) for _ in range(3))
    end_s = 2 * 3600.0
    lazy.advance_to(end_s)
    while busy.now_s < end_s:
        busy.advance_to(busy.now_s + 0.5)
    generator = random.Random(seed)
    while odd.now_s < end_s:
        odd.advance_to(min(odd.now_s + generator.uniform(0.0, 40.0) + 0.02, end_s))
    assert len(lazy.true_starts) == 6, f"seed {seed}"
    assert lazy.truth == busy.truth == odd.truth
    assert lazy.values() == busy.values() == odd.values()
    assert lazy.image().cells() == busy.image().cells()


def test_another_seed_is_another_plant() -> None:
    plan = make(device=DeviceTraits(noise=0.01), daily=(DailyRuns(first_s=600.0, run_s=500.0, jitter_s=90.0),))
    first, second = SimulatedStarter(replace(plan, seed=1)), SimulatedStarter(replace(plan, seed=2))
    for unit in (first, second):
        unit.advance_to(900.0)
    assert first.true_starts[0].began_s != second.true_starts[0].began_s
    assert first.values()["current"] != second.values()["current"]


def test_the_counter_counts_every_start_and_wraps_where_the_map_says() -> None:
    events = tuple(Event(10.0 * index, action) for index in range(6) for action in (Action.START,)) + tuple(
        Event(10.0 * index + 5.0, Action.SWITCH_OFF) for index in range(6)
    )
    unit = starter(make(map=device_map(wraps_at=65536), device=DeviceTraits(start_count=65533), events=events))
    counts = []
    for index in range(6):
        unit.advance_to(10.0 * index + 1.0)
        counts.append(unit.start_count)
    assert counts == [65534, 65535, 0, 1, 2, 3]
    assert [record.number for record in unit.true_starts] == [1, 2, 3, 4, 5]
    assert all(record.outcome == "aborted" for record in unit.true_starts)
    assert all(record.duration_s == pytest.approx(5.0) for record in unit.true_starts)


def test_a_start_while_running_or_tripped_is_not_counted() -> None:
    unit = starter(make(events=(Event(0.0, Action.START), Event(5.0, Action.START), Event(20.0, Action.TRIP), Event(21.0, Action.START))))
    unit.advance_to(25.0)
    assert unit.start_count == 1
    assert flags(unit) == (False, False, False, False, True)
    assert unit.values()["trip_code"] == 9


def test_an_aborted_start_of_a_motor_that_ran_no_more() -> None:
    unit = starter(make(events=(Event(1.0, Action.START), Event(4.0, Action.STOP))))
    unit.advance_to(30.0)
    (record,) = unit.true_starts
    assert (record.outcome, record.trip, record.at_speed_s) == ("aborted", "none", None)
    assert record.duration_s == pytest.approx(3.0)
    assert unit.true_stops == ()


def test_a_stalled_motor_trips_with_its_code_and_somebody_resets_it() -> None:
    weak = SoftStarter(initial_voltage_ratio=0.3, ramp_time_s=10.0, current_limit_ratio=2.5)
    unit = starter(
        make(
            drive=drive(weak, STIFF_BELT, 6.0),
            device=DeviceTraits(trip_codes={Trip.STALL: 17}, auto_reset_s=30.0),
            protection=ProtectionSettings(stall_s=6.0),
            events=(Event(2.0, Action.START),),
        )
    )
    unit.advance_to(10.0)
    (record,) = unit.true_starts
    assert (record.outcome, record.trip) == ("tripped", "stall")
    assert record.duration_s == pytest.approx(6.0, abs=0.04)
    assert unit.values()["trip_code"] == 17
    unit.advance_to(40.0)
    assert unit.values()["trip_code"] == 0
    assert flags(unit) == (False,) * 5


def test_a_start_that_takes_too_long_trips() -> None:
    unit = starter(make(protection=ProtectionSettings(max_start_s=5.0), events=(Event(0.0, Action.START),)))
    unit.advance_to(10.0)
    assert unit.true_starts[0].trip == "start_time"
    assert unit.true_starts[0].duration_s == pytest.approx(5.0, abs=0.04)


def test_starting_over_and_over_trips_on_overload_and_the_reset_waits_until_it_has_cooled() -> None:
    events = tuple(
        event for index in range(20) for event in (Event(60.0 * index, Action.START), Event(60.0 * index + 30.0, Action.SWITCH_OFF))
    )
    unit = starter(make(device=DeviceTraits(auto_reset_s=60.0), events=events))
    while unit.trip_cause is Trip.NONE and unit.now_s < 1200.0:
        unit.advance_to(unit.now_s + 1.0)
    assert unit.trip_cause is Trip.OVERLOAD
    tripped_at_s = unit.now_s
    assert number(unit, "thermal_used") == pytest.approx(100.0, abs=1.0)
    unit.advance_to(tripped_at_s + 61.0)
    assert unit.trip_cause is Trip.OVERLOAD, "still too hot"
    unit.advance_to(tripped_at_s + 1200.0)
    assert unit.trip_cause is Trip.NONE


def test_a_running_motor_overloaded_by_its_load_trips() -> None:
    heavy = drive(DirectOnLine(), Fan(rated_torque_nm=1.2 * EXAMPLE_45_KW.rated_torque_nm))
    unit = starter(make(drive=heavy, events=(Event(0.0, Action.START),)))
    unit.advance_to(3600.0)
    assert unit.true_starts[0].outcome == "at_speed"
    assert [(record.kind, record.trip) for record in unit.true_stops] == [("trip", "overload")]


def test_a_compressor_takes_its_load_at_the_set_time_whoever_looks() -> None:
    screw = Compressor(rated_torque_nm=0.8 * EXAMPLE_45_KW.rated_torque_nm, unloaded_part=0.25, loads_after_s=7.013)
    plan = make(drive=drive(DirectOnLine(), screw, 1.5), events=(Event(1.0, Action.START),))
    unit, lazy = starter(plan), starter(plan)
    unit.advance_to(1.6)
    at_speed_s = unit.true_starts[0].at_speed_s
    assert at_speed_s is not None
    currents = []
    for after_s in (6.9, 7.2, 20.0):
        unit.advance_to(at_speed_s + after_s)
        currents.append(number(unit, "current"))
    # Unloaded a motor draws little more than its magnetising current; loaded to 80 % about 0.83 x FLC.
    assert currents[0] / drive().flc_a < 0.5
    assert currents[1] == pytest.approx(currents[2], rel=0.01)
    assert currents[2] / drive().flc_a == pytest.approx(0.83, abs=0.03)
    lazy.advance_to(at_speed_s + 20.0)
    assert lazy.values() == unit.values()


def test_hours_heat_and_settings_are_shown() -> None:
    plan = make(
        device=DeviceTraits(running_hours=100.0, temperature_sensor=False),
        settings={"set_ramp_time": 10.0},
        events=(Event(0.0, Action.START), Event(7200.0, Action.SWITCH_OFF)),
    )
    unit = starter(plan)
    unit.advance_to(3600.0)
    assert number(unit, "running_hours") == pytest.approx(101.0)
    # A long run at 0.95 x FLC or so approaches its square over 1.21.
    ratio = number(unit, "current") / drive().flc_a
    assert number(unit, "thermal_used") == pytest.approx(100 * ratio**2 / 1.21, rel=0.1)
    assert unit.values()["winding_temperature"] is None
    unit.advance_to(9000.0)
    assert number(unit, "running_hours") == pytest.approx(102.0)
    assert unit.values()["set_ramp_time"] == 10.0
    assert unit.image().get(Table.HOLDING, 15) == 100
    assert unit.image().get(Table.HOLDING, 8) == 0x8000


def test_noise_unbalance_and_steps() -> None:
    device = DeviceTraits(noise=0.01, unbalance=0.04, current_step_a=0.5)
    unit = starter(make(device=device, events=(Event(0.0, Action.START),)))
    unit.advance_to(60.0)
    phases: list[tuple[float, float, float]] = []
    while unit.now_s < 100.0:
        unit.advance_to(unit.now_s + 0.1)
        phases.append((number(unit, "current_l1"), number(unit, "current_l2"), number(unit, "current_l3")))
    assert all(current * 2 == round(current * 2) for triple in phases for current in triple)
    means = [sum(column) / len(phases) for column in zip(*phases, strict=True)]
    mean = sum(means) / 3
    assert [each / mean - 1.0 for each in means] == pytest.approx([0.04, -0.02, -0.02], abs=0.003)
    assert len({triple[0] for triple in phases}) > 3


def test_the_supply_dips_while_starting_and_moves_over_the_day() -> None:
    supply = Supply(dip_per_flc=0.01, swing=0.02)
    unit = starter(make(drive=drive(DirectOnLine()), supply=supply, events=(Event(6 * 3600.0, Action.START),)))
    voltages = []
    for hour in (0.0, 3.0, 6.0, 12.0):
        unit.advance_to(hour * 3600.0)
        voltages.append(number(unit, "voltage"))
    # 2 % above at midnight; 7 x FLC in the first moment takes the voltage down by 6.5 %; at noon 2 % below and 1 % for the running motor.
    assert voltages[0] == pytest.approx(408.0, abs=0.5)
    assert voltages[2] == pytest.approx(400.0 / 1.07, abs=1.0)
    assert voltages[3] == pytest.approx(392.0 / 1.01, abs=1.5)
    assert unit.true_starts[0].peak_ratio == pytest.approx(7.0 / 1.07, rel=0.01)


def test_the_device_renews_what_it_shows_at_its_own_pace() -> None:
    unit = starter(make(drive=drive(DirectOnLine()), device=DeviceTraits(update_s=0.25), events=(Event(1.0, Action.START),)))
    shown: dict[float, float] = {}
    for tick in range(1, 200):
        unit.advance_to(tick * 0.02)
        assert unit.now_s == pytest.approx(round(unit.now_s / 0.26) * 0.26, abs=1e-9), "0.25 s is 13 cycles of 20 ms"
        shown.setdefault(unit.now_s, number(unit, "current"))
        assert shown[unit.now_s] == number(unit, "current")
    assert len(shown) == 16


def test_the_next_event_is_told() -> None:
    unit = starter(make(events=(Event(100.013, Action.START),)))
    assert unit.next_event_at() == pytest.approx(100.02)
    unit.advance_to(100.02)
    assert unit.is_busy
    assert unit.next_event_at() == pytest.approx(100.04)
    unit.advance_to(200.0)
    assert not unit.is_busy
    assert unit.next_event_at() is None


def test_frozen_values_stand_still_and_the_motor_does_not() -> None:
    unit = starter(make(events=(Event(10.0, Action.FREEZE), Event(20.0, Action.START), Event(60.0, Action.THAW))))
    unit.advance_to(50.0)
    assert number(unit, "current") == 0.0
    assert number(unit, "start_count") == 0.0
    assert unit.start_count == 1
    unit.advance_to(60.0)
    assert number(unit, "start_count") == 1.0
    assert number(unit, "current") > 50.0


def test_unreachable_spans_and_what_was_seen() -> None:
    events = (
        Event(10.0, Action.UNREACHABLE),
        Event(20.0, Action.START),
        Event(40.0, Action.SWITCH_OFF),
        Event(120.0, Action.START),
        Event(125.0, Action.REACHABLE),
        Event(150.0, Action.SWITCH_OFF),
    )
    unit = starter(make(events=events))
    assert unit.answers
    unit.advance_to(15.0)
    assert not unit.answers
    unit.advance_to(200.0)
    assert unit.answers
    assert [record.reachable for record in unit.true_starts] == [False, True]


def test_a_restart_silences_the_device_stops_the_motor_and_keeps_the_counter() -> None:
    unit = starter(make(events=(Event(0.0, Action.START), Event(30.0, Action.RESTART, 5.0))))
    unit.advance_to(29.0)
    assert unit.answers
    unit.advance_to(31.0)
    assert not unit.answers
    unit.advance_to(36.0)
    assert unit.answers
    assert flags(unit) == (False,) * 5
    assert unit.start_count == 1


def test_a_counter_that_is_set_and_words_that_are_swapped() -> None:
    unit = starter(make(events=(Event(5.0, Action.SET_COUNTER, 70000.0), Event(10.0, Action.SWAP_WORDS), Event(20.0, Action.UNSWAP_WORDS))))
    words = []
    for at_s in (6.0, 15.0, 25.0):
        unit.advance_to(at_s)
        words.append(list(unit.read(Table.HOLDING, 11, 2) or ()))
    assert words == [[1, 4464], [4464, 1], [1, 4464]]


def test_drift_makes_starts_longer() -> None:
    unit = starter(
        make(
            drift=Drift(load_per_start=0.01, inertia_per_start=0.02, from_start=2, most=0.05),
            daily=(DailyRuns(first_s=0.0, every_s=3600.0, run_s=60.0),),
        )
    )
    unit.advance_to(10 * 3600.0)
    durations = [record.duration_s for record in unit.true_starts]
    assert durations[0] == pytest.approx(durations[1], rel=1e-3)
    assert all(later > earlier * 1.005 for earlier, later in zip(durations[1:4], durations[2:5], strict=True))
    assert durations[8] == pytest.approx(durations[7], rel=1e-3), "the drift has reached its bound"


def test_commands_given_by_hand_take_effect_in_the_next_cycle() -> None:
    unit = starter()
    unit.advance_to(5.0)
    unit.command(Action.START)
    unit.advance_to(5.5)
    assert flags(unit) == (True, True, False, False, False)
    unit.advance_to(5.4)
    assert unit.now_s == 5.5, "time does not go back"
    unit.command(Action.SWITCH_OFF)
    unit.advance_to(6.0)
    assert flags(unit) == (False,) * 5


def test_the_truth_is_written_as_json_lines(tmp_path: Path) -> None:
    unit = starter(make(events=(Event(0.0, Action.START), Event(30.0, Action.STOP))))
    unit.advance_to(60.0)
    path = tmp_path / "truth.jsonl"
    assert write_truth(path, unit.truth) == 2
    first, second = (json.loads(line) for line in path.read_text(encoding="utf-8").splitlines())
    assert first.pop("kind_of_record") == "start"
    assert TrueStart(**first) == unit.true_starts[0]
    assert (second["kind_of_record"], second["kind"]) == ("stop", "soft_stop")
