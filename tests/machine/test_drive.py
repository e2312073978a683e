from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from gateway.machine.drive import DriveState, Phase, Tally, observe, reset, soft_stop, start, stop, trip
from gateway.machine.methods import StarDelta
from gateway.machine.motion import advance
from gateway.machine.soft_starter import SoftStarter
from tests.machine.examples import MOTOR_45_KW, fan_drive

FLC = MOTOR_45_KW.flc_a


def test_life_of_one_run() -> None:
    drive = fan_drive(SoftStarter(current_limit_ratio=3.5, stop_time_s=4.0))
    state = start(drive, DriveState())
    first = observe(drive, state)
    assert (first.starting, first.running, first.at_speed, first.stopping, first.tripped) == (True, True, False, False, False)
    assert first.line_current_a == pytest.approx(2.8 * FLC, rel=0.03)
    assert first.supply_voltage_v == 400.0
    assert first.motor_voltage_v == pytest.approx(160.0)
    assert 0.1 < first.power_factor < 0.5
    state = advance(drive, state, 20.0)
    seen = observe(drive, state)
    assert (seen.starting, seen.running, seen.at_speed) == (False, True, True)
    assert seen.speed_rpm == pytest.approx(1480.3, abs=0.05)
    assert seen.torque_nm == pytest.approx(seen.load_torque_nm, rel=0.02)
    assert seen.power_factor == pytest.approx(0.855, abs=0.01)
    assert seen.frequency_hz == 50.0
    state = soft_stop(drive, state)
    assert observe(drive, state).stopping
    state = advance(drive, state, 4.5)
    assert state.phase is Phase.OFF
    assert not observe(drive, state).running
    assert observe(drive, state).line_current_a == 0.0
    assert state.speed_rad_s > 0.0


def test_commands_without_effect_change_nothing() -> None:
    drive = fan_drive(SoftStarter(stop_time_s=4.0))
    rest = DriveState()
    assert stop(rest) is rest
    assert soft_stop(drive, rest) is rest
    assert reset(rest) is rest
    starting = start(drive, rest)
    assert start(drive, starting) is starting
    stopping = soft_stop(drive, advance(drive, starting, 20.0))
    assert soft_stop(drive, stopping) is stopping
    tripped = trip(starting)
    assert trip(tripped) is tripped
    assert stop(tripped) is tripped
    assert start(drive, tripped) is tripped
    assert soft_stop(drive, tripped) is tripped


def test_trip_locks_until_reset() -> None:
    drive = fan_drive()
    state = trip(advance(drive, start(drive, DriveState()), 1.0))
    assert observe(drive, state).tripped
    state = advance(drive, state, 5.0)
    assert state.phase is Phase.TRIPPED
    assert 0.0 < state.speed_rad_s < 100.0
    state = start(drive, reset(state))
    assert state.phase is Phase.STARTING


def test_soft_stop_without_one_switches_off() -> None:
    drive = fan_drive()
    assert soft_stop(drive, advance(drive, start(drive, DriveState()), 10.0)).phase is Phase.OFF


def test_a_start_breaks_off_a_soft_stop_and_counts_afresh() -> None:
    drive = fan_drive(SoftStarter(stop_time_s=6.0))
    state = advance(drive, start(drive, DriveState()), 20.0)
    assert state.tally.elapsed_s > 9.0
    state = start(drive, advance(drive, soft_stop(drive, state), 3.0))
    assert state.phase is Phase.STARTING
    assert state.tally == Tally()
    assert state.tally_when_full is None


def test_star_delta_line_and_winding_current_differ_until_delta() -> None:
    drive = fan_drive(StarDelta(star_time_s=8.0))
    state = advance(drive, start(drive, DriveState()), 4.0)
    seen = observe(drive, state)
    assert seen.winding_current_a / seen.line_current_a == pytest.approx(3**0.5)
    assert seen.motor_voltage_v == pytest.approx(400 / 3**0.5)
    seen = observe(drive, advance(drive, state, 10.0))
    assert seen.winding_current_a == seen.line_current_a


@pytest.mark.parametrize("name", ["flc_a", "inertia_kg_m2", "rated_speed_rad_s", "at_speed_current_ratio"])
def test_impossible_drives_are_named(name: str) -> None:
    for value in (0.0, -1.0, float("nan")):
        changes: dict[str, Any] = {name: value}
        with pytest.raises(ValueError, match=name):
            replace(fan_drive(), **changes)
