from __future__ import annotations

from collections.abc import Callable

import pytest

from gateway.machine.drive import DriveState, Phase, drive_for, observe, soft_stop, start, stop
from gateway.machine.frequency_drive import FrequencyDrive
from gateway.machine.loads import Conveyor
from gateway.machine.motion import advance
from gateway.machine.nameplate import fit_circuit
from gateway.machine.run_up import RunUpOutcome, run_up
from tests.machine.examples import MOTOR_45_KW, fan_drive

CIRCUIT = fit_circuit(MOTOR_45_KW)
FLC = MOTOR_45_KW.flc_a


def test_at_rated_frequency_the_motor_is_the_motor() -> None:
    feed = FrequencyDrive().running(CIRCUIT, FLC, MOTOR_45_KW.rated_speed_rad_s, 1.0)
    point = CIRCUIT.at(MOTOR_45_KW.rated_slip)
    assert feed.winding_current_a == pytest.approx(point.current_a, rel=1e-9)
    assert feed.torque_nm == pytest.approx(point.torque_nm, rel=1e-9)
    assert feed.full


def test_same_slip_speed_gives_nearly_the_same_torque_at_half_frequency() -> None:
    """Constant volts per hertz keeps the flux, so torque goes with slip speed; the stator's resistance takes a little."""
    drive = FrequencyDrive(boost_ratio=0.0, current_limit_ratio=5.0, target_frequency_ratio=0.5)
    slip_speed = CIRCUIT.sync_speed_rad_s * MOTOR_45_KW.rated_slip
    half = drive.running(CIRCUIT, FLC, 0.5 * CIRCUIT.sync_speed_rad_s - slip_speed, 1.0)
    full = CIRCUIT.at(MOTOR_45_KW.rated_slip)
    assert half.voltage_ratio == 0.5
    assert half.torque_nm == pytest.approx(full.torque_nm, rel=0.06)
    assert half.torque_nm < full.torque_nm


def test_limit_holds_the_ramp_back_and_the_motor_still_starts() -> None:
    limit = 1.2
    drive = fan_drive(FrequencyDrive(ramp_time_s=3.0, current_limit_ratio=limit))
    curve = run_up(drive)
    assert curve.outcome.value == "at_speed"
    assert curve.full_s is not None
    assert curve.full_s > 5.0
    assert curve.tally.peak_winding_a <= limit * FLC * (1 + 1e-6)


def test_a_drive_heats_the_rotor_far_less_and_loads_the_line_less() -> None:
    by_drive = run_up(fan_drive(FrequencyDrive(ramp_time_s=10.0)))
    direct = run_up(fan_drive())
    assert by_drive.tally.rotor_heat_j < 0.1 * direct.tally.rotor_heat_j
    assert by_drive.tally.peak_line_a < 2.0 * FLC


def test_energy_is_kept_on_the_ramp() -> None:
    drive = fan_drive(FrequencyDrive(ramp_time_s=5.0))
    curve = run_up(drive, sample_s=0.002)
    t = curve.tally
    state = start(drive, DriveState())
    state = advance(drive, state, t.elapsed_s, longest_step_s=0.002)
    kinetic_j = 0.5 * drive.inertia_kg_m2 * state.speed_rad_s**2
    used_j = kinetic_j + t.stator_heat_j + t.rotor_heat_j + t.iron_heat_j + t.load_work_j
    assert t.motor_energy_j == pytest.approx(used_j, rel=2e-4)


def test_slow_target_speed() -> None:
    drive = fan_drive(FrequencyDrive(ramp_time_s=10.0, target_frequency_ratio=0.6))
    state = advance(drive, start(drive, DriveState()), 30.0)
    assert state.phase is Phase.RUNNING
    seen = observe(drive, state)
    assert seen.frequency_hz == pytest.approx(30.0)
    assert 880.0 < seen.speed_rpm < 900.0
    assert seen.motor_voltage_v == pytest.approx(400.0 * (0.02 + 0.98 * 0.6))


def test_flying_start_meets_the_turning_rotor() -> None:
    drive = fan_drive(FrequencyDrive(ramp_time_s=10.0))
    state = stop(advance(drive, start(drive, DriveState()), 30.0))
    state = advance(drive, state, 3.0)
    speed = state.speed_rad_s
    assert speed > 60.0
    state = start(drive, state)
    assert state.clock_s == pytest.approx(10.0 * speed / CIRCUIT.sync_speed_rad_s)
    assert state.feed.winding_current_a < FLC
    state = advance(drive, state, 15.0)
    assert state.phase is Phase.RUNNING


@pytest.mark.parametrize("braking", [True, False])
def test_ramp_down(braking: bool) -> None:
    drive = fan_drive(FrequencyDrive(ramp_time_s=10.0, stop_time_s=8.0, braking=braking))
    state = soft_stop(drive, advance(drive, start(drive, DriveState()), 30.0))
    assert state.phase is Phase.STOPPING
    middle = advance(drive, state, 7.5)
    end = advance(drive, middle, 1.0)
    assert end.phase is Phase.OFF
    assert middle.feed.power_w >= 0.0
    if braking:
        assert middle.speed_rad_s < 0.1 * CIRCUIT.sync_speed_rad_s
        assert middle.feed.torque_nm < 0.0
    else:
        assert middle.speed_rad_s > 0.1 * CIRCUIT.sync_speed_rad_s
        assert middle.feed.torque_nm >= -1e-3


def test_overload_when_running_slows_the_motor_instead_of_the_current_rising() -> None:
    drive = fan_drive(FrequencyDrive(ramp_time_s=10.0, current_limit_ratio=1.2))
    state = advance(drive, start(drive, DriveState()), 30.0)
    state = advance(drive, state, 30.0, load_ratio=1.8)
    assert state.phase is Phase.RUNNING
    assert state.feed.winding_current_a == pytest.approx(1.2 * FLC, rel=1e-3)
    assert state.feed.frequency_ratio < 1.0


def test_low_supply_caps_the_voltage() -> None:
    feed = FrequencyDrive().running(CIRCUIT, FLC, 154.0, 0.9)
    assert feed.voltage_ratio == pytest.approx(0.9)


@pytest.mark.parametrize(
    ("field", "made"),
    [
        ("ramp_time_s", lambda: FrequencyDrive(ramp_time_s=0.0)),
        ("boost_ratio", lambda: FrequencyDrive(boost_ratio=0.5)),
        ("current_limit_ratio", lambda: FrequencyDrive(current_limit_ratio=0.1)),
        ("target_frequency_ratio", lambda: FrequencyDrive(target_frequency_ratio=0.0)),
    ],
)
def test_impossible_settings_are_named(field: str, made: Callable[[], FrequencyDrive]) -> None:
    with pytest.raises(ValueError, match=field):
        made()


def test_a_drive_at_its_lowest_frequency_waits_for_the_ramp_and_is_not_taken_for_stuck() -> None:
    """The frequency stands still for the first 2 % of the ramp: too little torque then says nothing of what comes."""
    belt = drive_for(
        MOTOR_45_KW,
        load=Conveyor(rated_torque_nm=0.7 * MOTOR_45_KW.rated_torque_nm, breakaway_ratio=1.3),
        inertia_kg_m2=3.0,
        method=FrequencyDrive(ramp_time_s=20.0),
    )
    assert run_up(belt, time_limit_s=60.0).outcome is RunUpOutcome.AT_SPEED
