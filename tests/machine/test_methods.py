from __future__ import annotations

from math import sqrt

import pytest

from gateway.machine.feed import OFF, power_factor
from gateway.machine.methods import Autotransformer, DirectOnLine, PrimaryResistor, ResistorStep, StarDelta, resistor_for_voltage
from gateway.machine.nameplate import fit_circuit
from tests.machine.examples import MOTOR_45_KW

CIRCUIT = fit_circuit(MOTOR_45_KW)
FLC = MOTOR_45_KW.flc_a
SPEEDS = (0.0, 60.0, 120.0, 150.0)


@pytest.mark.parametrize("speed", SPEEDS)
def test_star_is_exactly_a_third(speed: float) -> None:
    line = DirectOnLine().starting(CIRCUIT, FLC, 0, 0.0, speed, 1.0)
    star = StarDelta(star_time_s=8.0).starting(CIRCUIT, FLC, 0, 1.0, speed, 1.0)
    assert star.line_current_a / line.line_current_a == pytest.approx(1 / 3, rel=1e-12)
    assert star.torque_nm / line.torque_nm == pytest.approx(1 / 3, rel=1e-12)
    assert star.winding_current_a / line.winding_current_a == pytest.approx(1 / sqrt(3), rel=1e-12)
    assert star.stator_heat_w / line.stator_heat_w == pytest.approx(1 / 3, rel=1e-12)
    assert not star.full


@pytest.mark.parametrize(("tap", "published"), [(0.80, 0.64), (0.65, 0.42), (0.50, 0.25)])
@pytest.mark.parametrize("speed", SPEEDS)
def test_autotransformer_taps(tap: float, published: float, speed: float) -> None:
    """Published table of reduced-voltage starting (EASA handbook): tap 80/65/50 % gives 64/42/25 % of line current and torque."""
    line = DirectOnLine().starting(CIRCUIT, FLC, 0, 0.0, speed, 1.0)
    tapped = Autotransformer(tap_ratio=tap).starting(CIRCUIT, FLC, 0, 0.0, speed, 1.0)
    assert tapped.line_current_a / line.line_current_a == pytest.approx(tap * tap, rel=1e-12)
    assert tapped.line_current_a / line.line_current_a == pytest.approx(published, abs=0.005)
    assert tapped.torque_nm / line.torque_nm == pytest.approx(tap * tap, rel=1e-12)
    assert tapped.winding_current_a / line.winding_current_a == pytest.approx(tap, rel=1e-12)


def test_locked_rotor_at_65_per_cent_tap() -> None:
    tapped = Autotransformer(tap_ratio=0.65).starting(CIRCUIT, FLC, 0, 0.0, 0.0, 1.0)
    assert tapped.line_current_a / (7.0 * FLC) == pytest.approx(0.4225, abs=1e-6)
    assert tapped.torque_nm / (2.4 * MOTOR_45_KW.rated_torque_nm) == pytest.approx(0.4225, abs=1e-6)


def test_kothari_nagrath_9_12() -> None:
    """Kothari and Nagrath, Electric Machines, example 9.12: Isc/Ifl = 6, full-load slip 5 %; T/Tfl = (I/Ifl)^2 s_fl of the *motor* current.

    Published: direct on line 6 pu and 1.8; stator resistor at 2 pu 0.2; star-delta 2 and 0.6; autotransformer for full torque x = .745.
    The companion code takes the line current for the autotransformer's torque (0.022); the motor current gives 0.2 at a line current of
    0.667.
    """
    start, slip = 6.0, 0.05
    assert start**2 * slip == pytest.approx(1.8)
    assert 2.0**2 * slip == pytest.approx(0.2)
    assert (start / 3, start**2 * slip / 3) == pytest.approx((2.0, 0.6))
    tap_for_full_torque = sqrt(1.0 / (start**2 * slip))
    assert tap_for_full_torque == pytest.approx(0.7454, abs=5e-5)
    tap_for_two = 2.0 / start
    assert tap_for_two**2 * start == pytest.approx(0.667, abs=5e-4)
    # The same shares from our methods, by which line and motor current keep apart.
    line = DirectOnLine().starting(CIRCUIT, FLC, 0, 0.0, 0.0, 1.0)
    tapped = Autotransformer(tap_ratio=tap_for_two).starting(CIRCUIT, FLC, 0, 0.0, 0.0, 1.0)
    assert tapped.winding_current_a / line.winding_current_a * start == pytest.approx(2.0)
    assert tapped.line_current_a / line.line_current_a * start == pytest.approx(0.667, abs=5e-4)
    assert tapped.torque_nm / line.torque_nm * start**2 * slip == pytest.approx(0.2)


def test_open_gaps_feed_nothing() -> None:
    gap = StarDelta(star_time_s=8.0, open_gap_s=0.05).starting(CIRCUIT, FLC, 1, 8.02, 100.0, 1.0)
    assert gap == OFF._replace(clock_s=8.02)
    gap = Autotransformer(open_gap_s=0.05).starting(CIRCUIT, FLC, 1, 6.02, 100.0, 1.0)
    assert gap == OFF._replace(clock_s=6.02)


@pytest.mark.parametrize("ratio", [0.3, 0.5, 0.65, 0.8, 1.0])
def test_resistor_leaves_the_wanted_voltage_at_standstill(ratio: float) -> None:
    ohm = resistor_for_voltage(CIRCUIT, ratio)
    feed = PrimaryResistor(steps=(ResistorStep(resistance_ohm=ohm, until_s=5.0),)).starting(CIRCUIT, FLC, 0, 0.0, 0.0, 1.0)
    assert feed.voltage_ratio == pytest.approx(ratio, rel=1e-12)
    assert feed.line_current_a == pytest.approx(7.0 * FLC * ratio, rel=1e-6)
    assert feed.torque_nm == pytest.approx(2.4 * MOTOR_45_KW.rated_torque_nm * ratio**2, rel=1e-6)
    assert feed.power_w - feed.motor_power_w == pytest.approx(3 * ohm * feed.line_current_a**2, rel=1e-9, abs=1e-6)


def test_resistor_voltage_rises_by_itself_and_steps_are_cut_out() -> None:
    method = PrimaryResistor(steps=(ResistorStep(resistance_ohm=0.4, until_s=3.0), ResistorStep(resistance_ohm=0.2, until_s=5.0)))
    voltages = [method.starting(CIRCUIT, FLC, 0, 0.0, speed, 1.0).voltage_ratio for speed in SPEEDS]
    assert voltages == sorted(voltages)
    assert method.stage_ends_s == (3.0, 5.0)
    assert method.starting(CIRCUIT, FLC, 1, 4.0, 60.0, 1.0).voltage_ratio > voltages[1]
    assert method.starting(CIRCUIT, FLC, 2, 6.0, 60.0, 1.0).full


@pytest.mark.parametrize("supply", [0.85, 1.0, 1.05])
def test_supply_scales_current_and_torque(supply: float) -> None:
    for method in (
        DirectOnLine(),
        StarDelta(star_time_s=5.0),
        Autotransformer(),
        PrimaryResistor(steps=(ResistorStep(resistance_ohm=0.3, until_s=5),)),
    ):
        full = method.starting(CIRCUIT, FLC, 0, 0.0, 100.0, 1.0)
        feed = method.starting(CIRCUIT, FLC, 0, 0.0, 100.0, supply)
        assert feed.line_current_a == pytest.approx(supply * full.line_current_a, rel=1e-12)
        assert feed.torque_nm == pytest.approx(supply**2 * full.torque_nm, rel=1e-12)
        assert power_factor(feed, CIRCUIT, supply) == pytest.approx(power_factor(full, CIRCUIT, 1.0), rel=1e-12)


def test_power_factor_of_nothing_is_nought() -> None:
    assert power_factor(OFF, CIRCUIT, 1.0) == 0.0


@pytest.mark.parametrize("method", [DirectOnLine(), StarDelta(star_time_s=5.0), Autotransformer()])
def test_switched_methods_have_no_soft_stop(method: DirectOnLine | StarDelta | Autotransformer) -> None:
    assert method.stop_time_s == 0.0
    assert method.stopping(CIRCUIT, FLC, 0.0, 150.0, 1.0) == OFF
    assert method.clock_when_caught_s(CIRCUIT, 100.0) == 0.0
    assert not method.at_speed_without_full_voltage
    assert method.running(CIRCUIT, FLC, 150.0, 1.0).full


def test_impossible_settings_are_named() -> None:
    with pytest.raises(ValueError, match="star_time_s"):
        StarDelta(star_time_s=0.0)
    with pytest.raises(ValueError, match="open_gap_s"):
        StarDelta(star_time_s=5.0, open_gap_s=-0.1)
    with pytest.raises(ValueError, match="tap_ratio"):
        Autotransformer(tap_ratio=1.5)
    with pytest.raises(ValueError, match="steps"):
        PrimaryResistor(steps=())
    with pytest.raises(ValueError, match="until_s"):
        PrimaryResistor(steps=(ResistorStep(resistance_ohm=1.0, until_s=3.0), ResistorStep(resistance_ohm=0.5, until_s=2.0)))
    with pytest.raises(ValueError, match="voltage_ratio"):
        resistor_for_voltage(CIRCUIT, 0.0)
