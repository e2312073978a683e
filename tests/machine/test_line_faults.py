"""An open line and unequal voltages, against symmetrical components worked out with complex numbers, and whole runs."""

from __future__ import annotations

import cmath
import math
from dataclasses import replace

import pytest

from gateway.machine.circuit import Circuit
from gateway.machine.drive import Drive, DriveState, Phase, drive_for, feed_now, start
from gateway.machine.feed import Method
from gateway.machine.frequency_drive import FrequencyDrive
from gateway.machine.line_faults import SOUND, OneLineOpen, UnequalVoltages, line_shares
from gateway.machine.loads import Fan
from gateway.machine.methods import DirectOnLine, StarDelta
from gateway.machine.motion import advance
from gateway.machine.nameplate import EXAMPLE_45_KW, fit_circuit
from gateway.machine.soft_starter import SoftStarter

CIRCUIT = fit_circuit(EXAMPLE_45_KW)
FLC_A = EXAMPLE_45_KW.flc_a
DOL = DirectOnLine()


def drive(method: Method, torque: float = 0.5) -> Drive:
    return drive_for(EXAMPLE_45_KW, load=Fan(rated_torque_nm=torque * EXAMPLE_45_KW.rated_torque_nm), inertia_kg_m2=2.0, method=method)


def impedance(circuit: Circuit, slip: float) -> complex:
    """The circuit solved with complex numbers, straight from its drawing."""
    k2 = circuit.bar_depth_squared
    g = slip**2 * (1 + k2) / (1 + k2 * slip**2)
    rotor = (circuit.rotor_resistance_ohm + circuit.bar_resistance_ohm * g) / slip
    rotor_z = complex(rotor, circuit.rotor_reactance_ohm - circuit.bar_reactance_ohm * g)
    shunt = 1 / (1 / circuit.iron_resistance_ohm + 1 / (1j * circuit.magnetising_reactance_ohm))
    return complex(circuit.stator_resistance_ohm, circuit.stator_reactance_ohm) + 1 / (1 / rotor_z + 1 / shunt)


@pytest.mark.parametrize("slip", [1.0, 0.6, 0.2, 0.05, 0.0147])
def test_an_open_line_puts_both_sequences_in_series(slip: float) -> None:
    speed = (1 - slip) * CIRCUIT.sync_speed_rad_s
    feed = OneLineOpen(method=DOL, line=1).running(CIRCUIT, FLC_A, speed, 1.0)
    line_a = CIRCUIT.voltage_v / abs(impedance(CIRCUIT, slip) + impedance(CIRCUIT, 2 - slip))
    assert feed.line_current_a == pytest.approx(line_a, rel=1e-9)
    # Power in through the two live lines is what turns the shaft and what heats.
    gap_w = feed.torque_nm * CIRCUIT.sync_speed_rad_s
    shaft_w = gap_w * (1 - slip)
    assert feed.power_w == pytest.approx(shaft_w + feed.stator_heat_w + feed.rotor_heat_w + feed.iron_heat_w, rel=1e-9)


def test_standstill_on_two_lines() -> None:
    """0.866 x the three-phase locked-rotor current in two lines, none in the third, no torque (single phasing, from memory - confirm)."""
    sound = DOL.starting(CIRCUIT, FLC_A, 0, 0.0, 0.0, 1.0)
    open_line = OneLineOpen(method=DOL, line=3)
    feed = open_line.starting(CIRCUIT, FLC_A, 0, 0.0, 0.0, 1.0)
    assert feed.line_current_a / sound.line_current_a == pytest.approx(math.sqrt(3) / 2, rel=1e-9)
    assert feed.torque_nm == pytest.approx(0.0, abs=1e-9)
    assert open_line.shares(CIRCUIT, 0.0) == (1.0, 1.0, 0.0)


def test_it_does_not_start_on_two_lines() -> None:
    stuck = drive(OneLineOpen(method=DOL, line=2))
    state = advance(stuck, start(stuck, DriveState()), 5.0)
    assert (state.phase, state.speed_rad_s) == (Phase.STARTING, 0.0)


@pytest.mark.parametrize("method", [DOL, SoftStarter(ramp_time_s=5.0), StarDelta(star_time_s=3.0)])
def test_a_running_motor_goes_on_with_more_current_and_more_slip(method: Method) -> None:
    sound = drive(method)
    before = advance(sound, start(sound, DriveState()), 20.0)
    assert before.phase is Phase.RUNNING
    lost = replace(sound, method=OneLineOpen(method=method, line=1))
    opened = replace(before, settled=False)
    after = advance(lost, replace(opened, feed=feed_now(lost, opened)), 20.0)
    assert after.phase is Phase.RUNNING
    # Two lines carry the power of three: sqrt3 x the active current, somewhat less than that altogether at part load.
    assert 1.5 < after.feed.line_current_a / before.feed.line_current_a < 2.2
    assert after.speed_rad_s < before.speed_rad_s
    assert after.feed.rotor_heat_w > 2 * before.feed.rotor_heat_w


@pytest.mark.parametrize("ratio", [0.01, 0.03])
def test_unequal_voltages(ratio: float) -> None:
    slip = EXAMPLE_45_KW.rated_slip
    speed = EXAMPLE_45_KW.rated_speed_rad_s
    method = UnequalVoltages(method=DOL, ratio=ratio)
    forward = CIRCUIT.phase_voltage_v / impedance(CIRCUIT, slip)
    backward = ratio * CIRCUIT.phase_voltage_v / impedance(CIRCUIT, 2 - slip)
    turn = cmath.exp(2j * math.pi / 3)
    lines = [abs(forward + backward), abs(turn**2 * forward + turn * backward), abs(turn * forward + turn**2 * backward)]
    feed = method.running(CIRCUIT, FLC_A, speed, 1.0)
    assert sorted(feed.line_current_a * share for share in method.shares(CIRCUIT, speed)) == pytest.approx(sorted(lines), rel=1e-9)
    assert feed.line_current_a == pytest.approx(math.sqrt(sum(line**2 for line in lines) / 3), rel=1e-9)
    shaft_w = feed.torque_nm * CIRCUIT.sync_speed_rad_s * (1 - slip)
    assert feed.power_w == pytest.approx(shaft_w + feed.stator_heat_w + feed.rotor_heat_w + feed.iron_heat_w, rel=1e-9)
    # A per cent of voltage is 6 to 10 per cent of current (common practice, no source).
    assert 6 * ratio < abs(backward / forward) < 10 * ratio


def test_a_drive_keeps_its_motor_from_the_supply() -> None:
    inverter = FrequencyDrive(ramp_time_s=5.0)
    speed = 0.5 * CIRCUIT.sync_speed_rad_s
    sound = inverter.starting(CIRCUIT, FLC_A, 0, 2.6, speed, 1.0)
    lost = OneLineOpen(method=inverter, line=1).starting(CIRCUIT, FLC_A, 0, 2.6, speed, 1.0)
    assert lost.torque_nm == sound.torque_nm
    assert lost.line_current_a == pytest.approx(math.sqrt(3) * sound.line_current_a)
    unequal = UnequalVoltages(method=inverter, ratio=0.05)
    assert unequal.starting(CIRCUIT, FLC_A, 0, 2.6, speed, 1.0) == sound
    assert line_shares(unequal, CIRCUIT, speed) == line_shares(inverter, CIRCUIT, speed) == SOUND


def test_nothing_flows_in_the_open_gap() -> None:
    gap = StarDelta(star_time_s=3.0, open_gap_s=0.1)
    for method in (OneLineOpen(method=gap, line=1), UnequalVoltages(method=gap, ratio=0.02)):
        assert method.starting(CIRCUIT, FLC_A, 1, 3.05, 100.0, 1.0).line_current_a == 0.0
        assert method.stage_ends_s == gap.stage_ends_s
        assert (method.stop_time_s, method.at_speed_without_full_voltage) == (0.0, False)
        assert method.clock_when_caught_s(CIRCUIT, 100.0) == 0.0


def test_a_soft_stop_goes_through() -> None:
    soft = SoftStarter(stop_time_s=5.0)
    speed = EXAMPLE_45_KW.rated_speed_rad_s
    lost = OneLineOpen(method=soft, line=1).stopping(CIRCUIT, FLC_A, 1.0, speed, 1.0)
    assert lost.line_current_a > soft.stopping(CIRCUIT, FLC_A, 1.0, speed, 1.0).line_current_a


def test_settings_are_bounded() -> None:
    with pytest.raises(ValueError, match="allowed 1, 2 or 3"):
        OneLineOpen(method=DOL, line=4)
    with pytest.raises(ValueError, match="allowed 0 to 0.2"):
        UnequalVoltages(method=DOL, ratio=0.5)
