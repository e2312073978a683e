"""Whole starts. The table of starting methods is our own earlier computation by another program (scipy, relative tolerance 1e-9)."""

from __future__ import annotations

from dataclasses import replace
from math import pi

import numpy as np
import pytest

from gateway.machine.drive import DriveState, drive_for, observe
from gateway.machine.feed import Method
from gateway.machine.loads import Compressor, Conveyor, Pump
from gateway.machine.methods import Autotransformer, DirectOnLine, StarDelta
from gateway.machine.motion import advance
from gateway.machine.run_up import RunUpOutcome, run_up, torque_over_speed
from gateway.machine.soft_starter import SoftStarter
from tests.machine.examples import MOTOR_45_KW, fan_drive

FLC = MOTOR_45_KW.flc_a
TORQUE = MOTOR_45_KW.rated_torque_nm

# 45 kW fan, J = 10.45 kg m2, 0.9 of rated torque:
# t95, t until current < 1.2 FLC, t full, peak line, peak torque, line I2t, winding I2t, stator kJ, rotor kJ, adiabatic rise K
TABLE: dict[str, tuple[Method, tuple[float, ...]]] = {
    "direct": (DirectOnLine(), (2.499, 2.751, 2.751, 7.00, 2.80, 83.8, 83.8, 97.1, 140.3, 13.0)),
    "soft": (SoftStarter(current_limit_ratio=3.5, harmonics=False), (8.540, 8.852, 10.0, 3.50, 2.30, 102.0, 102.0, 118.2, 165.9, 15.8)),
    "no limit": (SoftStarter(harmonics=False), (7.281, 7.711, 10.0, 3.93, 1.93, 98.0, 98.0, 113.6, 159.5, 15.2)),
    "star 8 s": (StarDelta(star_time_s=8.0), (8.598, 8.856, 8.856, 4.99, 2.80, 42.9, 105.2, 121.9, 170.6, 16.3)),
    "star 12 s": (StarDelta(star_time_s=12.0), (12.179, 12.436, 12.436, 4.03, 2.80, 43.1, 123.8, 143.5, 188.2, 19.2)),
    "tap 65 %": (Autotransformer(tap_ratio=0.65, tap_time_s=6.0), (6.430, 6.687, 6.687, 4.82, 2.80, 46.3, 97.5, 113.0, 159.5, 15.1)),
}


@pytest.mark.parametrize("name", TABLE)
def test_table_of_starting_methods(name: str) -> None:
    method, (t95, fell, full, peak, torque, line, winding, stator, rotor, rise) = TABLE[name]
    drive = fan_drive(method)
    curve = run_up(drive, sample_s=0.005)
    assert curve.to_95_pct_s == pytest.approx(t95, abs=0.0015)
    # The table's times of the falling current lie up to 20 ms behind scipy's own crossing of 1.2 FLC (2.7435 s for the direct start).
    assert curve.current_fell_s == pytest.approx(fell, abs=0.020)
    assert curve.full_s == pytest.approx(full, abs=0.020)
    t = curve.tally
    assert t.peak_line_a / FLC == pytest.approx(peak, abs=0.006)
    assert t.peak_torque_nm / TORQUE == pytest.approx(torque, abs=0.006)
    assert t.line_i2t_a2s / FLC**2 == pytest.approx(line, abs=0.06)
    assert t.winding_i2t_a2s / FLC**2 == pytest.approx(winding, abs=0.06)
    assert t.stator_heat_j / 1e3 == pytest.approx(stator, abs=0.06)
    assert t.rotor_heat_j / 1e3 == pytest.approx(rotor, abs=0.06)
    assert t.stator_heat_j / 7470 == pytest.approx(rise, abs=0.06)
    settled = advance(drive, curve.end, 30.0)
    assert observe(drive, settled).speed_rpm == pytest.approx(1480.3, abs=0.05)


@pytest.mark.parametrize("name", TABLE)
def test_coarse_steps_keep_to_the_table(name: str) -> None:
    """At 50 ms sub-steps every figure keeps within 0.15 % of the fine run."""
    method, _ = TABLE[name]
    coarse, fine = (run_up(fan_drive(method), sample_s=step) for step in (0.05, 0.002))
    assert coarse.to_95_pct_s == pytest.approx(fine.to_95_pct_s, rel=1.5e-3)
    assert coarse.full_s == pytest.approx(fine.full_s, rel=1.5e-3)
    assert coarse.tally.winding_i2t_a2s == pytest.approx(fine.tally.winding_i2t_a2s, rel=1.5e-3)
    assert coarse.tally.rotor_heat_j == pytest.approx(fine.tally.rotor_heat_j, rel=1.5e-3)


def test_line_current_in_star_would_flatter_the_winding() -> None:
    curve = run_up(fan_drive(StarDelta(star_time_s=8.0)))
    assert curve.tally.winding_i2t_a2s / curve.tally.line_i2t_a2s == pytest.approx(2.45, abs=0.02)


def test_soft_start_of_a_fan_heats_more_than_direct_on_line() -> None:
    direct = run_up(fan_drive())
    soft = run_up(fan_drive(SoftStarter(current_limit_ratio=3.5)))
    assert soft.tally_when_current_fell is not None
    assert soft.tally_when_current_fell.winding_i2t_a2s > 1.2 * direct.tally.winding_i2t_a2s
    assert soft.tally_when_current_fell.rotor_heat_j > 1.17 * direct.tally.rotor_heat_j


def test_kick_start() -> None:
    """80 % for .4 s, no limit: 7.5 s and 97.1 FLC2 s until the current has fallen."""
    curve = run_up(fan_drive(SoftStarter(kick_voltage_ratio=0.8, kick_time_s=0.4, harmonics=False)))
    assert curve.current_fell_s == pytest.approx(7.5, abs=0.05)
    assert curve.tally_when_current_fell is not None
    assert curve.tally_when_current_fell.line_i2t_a2s / FLC**2 == pytest.approx(97.1, abs=0.1)
    assert curve.tally.peak_line_a / FLC == pytest.approx(5.6, abs=1e-3)


def test_pump_against_static_head() -> None:
    """60 % static head, J = 1.2: direct .27 s; soft 2.34 s with a peak of 2.81, the limit never reached."""
    pump = Pump(rated_torque_nm=0.9 * TORQUE, static_head_part=0.6)
    direct = run_up(drive_for(MOTOR_45_KW, load=pump, inertia_kg_m2=1.2, method=DirectOnLine()))
    assert direct.to_95_pct_s == pytest.approx(0.27, abs=0.005)
    soft = run_up(drive_for(MOTOR_45_KW, load=pump, inertia_kg_m2=1.2, method=SoftStarter(current_limit_ratio=3.5, harmonics=False)))
    assert soft.to_95_pct_s == pytest.approx(2.34, abs=0.005)
    assert soft.tally.peak_line_a / FLC == pytest.approx(2.81, abs=0.006)


def test_loaded_conveyor_starts_direct_and_with_a_kick_but_never_at_the_limit() -> None:
    """.6 of rated torque, breakaway 1.5, J = 6: direct 1.65 s; at 3.5 x FLC the motor gives (3.5/7)^2 2.4 = .6, the belt needs .84."""
    belt = Conveyor(rated_torque_nm=0.6 * TORQUE, breakaway_ratio=1.5)
    assert run_up(drive_for(MOTOR_45_KW, load=belt, inertia_kg_m2=6.0, method=DirectOnLine())).to_95_pct_s == pytest.approx(1.65, abs=0.005)
    for limit in (2.5, 3.5):
        stuck = run_up(
            drive_for(MOTOR_45_KW, load=belt, inertia_kg_m2=6.0, method=SoftStarter(current_limit_ratio=limit, harmonics=False)),
            time_limit_s=40.0,
        )
        assert stuck.outcome is RunUpOutcome.STALLED
        assert stuck.speed_rad_s.max() == 0.0
        assert stuck.to_95_pct_s is None
        assert stuck.full_s is None
        assert stuck.at_s[-1] == 40.0
        assert stuck.tally.peak_torque_nm / TORQUE == pytest.approx((limit / 7) ** 2 * 2.4, abs=1e-6)
    kicked = SoftStarter(current_limit_ratio=3.5, kick_voltage_ratio=0.7, kick_time_s=1.0)
    assert run_up(drive_for(MOTOR_45_KW, load=belt, inertia_kg_m2=6.0, method=kicked)).outcome is RunUpOutcome.AT_SPEED
    timid = SoftStarter(current_limit_ratio=3.5, kick_voltage_ratio=0.58, kick_time_s=1.0)
    assert run_up(drive_for(MOTOR_45_KW, load=belt, inertia_kg_m2=6.0, method=timid), time_limit_s=30.0).outcome is RunUpOutcome.STALLED


def test_unloaded_screw_compressor() -> None:
    screw = Compressor(rated_torque_nm=0.9 * TORQUE)
    curve = run_up(drive_for(MOTOR_45_KW, load=screw, inertia_kg_m2=1.5, method=SoftStarter(current_limit_ratio=3.5, harmonics=False)))
    assert curve.to_95_pct_s == pytest.approx(2.41, abs=0.006)


def test_motor_that_hangs_below_speed_is_stalled() -> None:
    heavy = Conveyor(rated_torque_nm=2.5 * TORQUE, breakaway_ratio=1.0)
    curve = run_up(drive_for(MOTOR_45_KW, load=heavy, inertia_kg_m2=6.0, method=DirectOnLine()), time_limit_s=60.0)
    assert curve.outcome is RunUpOutcome.STALLED
    assert 0.0 < curve.speed_rad_s[-1] < 0.9 * MOTOR_45_KW.rated_speed_rad_s


def test_curves_fit_the_figures() -> None:
    curve = run_up(fan_drive(SoftStarter(current_limit_ratio=3.5)))
    assert curve.at_s[0] == 0.0
    assert np.all(np.diff(curve.at_s) > 0)
    inside = curve.at_s <= curve.tally.elapsed_s
    i2t = np.trapezoid(curve.line_current_a[inside] ** 2, curve.at_s[inside])
    assert i2t == pytest.approx(curve.tally.line_i2t_a2s, rel=2e-4)
    assert curve.line_current_a.max() == pytest.approx(curve.tally.peak_line_a, rel=1e-4)
    assert curve.i2t_a2s[-1] >= curve.tally.winding_i2t_a2s


def test_a_start_of_a_turning_motor_is_over_at_once() -> None:
    drive = fan_drive()
    curve = run_up(drive, DriveState(speed_rad_s=drive.rated_speed_rad_s))
    assert curve.to_95_pct_s == 0.0
    assert curve.full_s is not None
    assert curve.full_s < 0.1


def test_low_supply_starts_slower_and_hotter() -> None:
    weak, full = run_up(fan_drive(), supply_ratio=0.85), run_up(fan_drive())
    assert weak.to_95_pct_s is not None
    assert full.to_95_pct_s is not None
    assert weak.to_95_pct_s > 1.4 * full.to_95_pct_s
    assert weak.tally.rotor_heat_j > full.tally.rotor_heat_j
    assert weak.tally.peak_line_a == pytest.approx(0.85 * full.tally.peak_line_a, rel=1e-6)


def test_hand_check_of_the_direct_start() -> None:
    """t = J dw / (mean motor torque - mean load torque), means over speed to 95 %: 2.471 s with 706.1 and 84.2 N m, against 2.499 s."""
    drive = fan_drive()
    goal = 0.95 * drive.rated_speed_rad_s
    speeds = np.linspace(0.0, goal, 2001)
    motor = np.mean([drive.circuit.at(drive.circuit.slip_at(float(w))).torque_nm for w in speeds])
    load = np.mean([drive.load.torque_nm(float(w) / drive.rated_speed_rad_s, 0.0) for w in speeds])
    assert motor == pytest.approx(706.1, abs=0.5)
    assert load == pytest.approx(84.2, abs=0.3)
    assert drive.inertia_kg_m2 * goal / (motor - load) == pytest.approx(2.471, abs=0.003)


def test_torque_over_speed() -> None:
    rpm, motor, load = torque_over_speed(fan_drive(), points=151)
    assert rpm[-1] == pytest.approx(1500.0)
    assert motor[0] / TORQUE == pytest.approx(2.4, abs=1e-6)
    assert load[-1] == pytest.approx(0.9 * TORQUE * (0.03 + 0.97 * (1500 / 1478) ** 2), rel=1e-9)
    assert rpm[0] * pi == 0.0


def test_a_motor_that_settles_with_the_last_sample_ends_at_the_time_limit() -> None:
    """Settling just past the limit must not ask for a step back in time."""
    stuck = fan_drive(SoftStarter(initial_voltage_ratio=0.4, ramp_time_s=1.0, current_limit_ratio=3.5))
    for limit_s in (0.995, 1.0, 1.005, 1.01, 1.02):
        held = replace(stuck, load=Conveyor(rated_torque_nm=10.0 * MOTOR_45_KW.rated_torque_nm))
        curve = run_up(held, time_limit_s=limit_s, sample_s=0.02)
        assert curve.outcome is RunUpOutcome.STALLED
        assert curve.at_s[-1] <= limit_s + 0.02 + 1e-9
