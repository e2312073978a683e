from __future__ import annotations

from collections.abc import Callable
from math import inf

import pytest

from gateway.machine.nameplate import fit_circuit
from gateway.machine.soft_starter import SoftStarter, rms_ratio
from tests.machine.examples import MOTOR_45_KW

CIRCUIT = fit_circuit(MOTOR_45_KW)
FLC = MOTOR_45_KW.flc_a


@pytest.mark.parametrize(("fundamental", "computed"), [(0.842, 1.002), (0.668, 1.007), (0.488, 1.017), (0.309, 1.033)])
def test_rms_ratio_against_the_three_wire_thyristor_model(fundamental: float, computed: float) -> None:
    """Own time-stepped three-wire model, load angle 65 degrees; not compared with a published table."""
    assert rms_ratio(fundamental) == pytest.approx(computed, abs=0.0025)


def test_ramp_runs_from_initial_to_full_voltage() -> None:
    method = SoftStarter(initial_voltage_ratio=0.4, ramp_time_s=10.0)
    assert method.starting(CIRCUIT, FLC, 0, 0.0, 0.0, 1.0).voltage_ratio == pytest.approx(0.4)
    assert method.starting(CIRCUIT, FLC, 0, 5.0, 0.0, 1.0).voltage_ratio == pytest.approx(0.7)
    end = method.starting(CIRCUIT, FLC, 1, 10.0, 0.0, 1.0)
    assert end.voltage_ratio == 1.0
    assert end.full
    assert method.stage_ends_s == (10.0,)


@pytest.mark.parametrize("harmonics", [True, False])
@pytest.mark.parametrize("limit", [1.5, 2.5, 3.5, 5.0])
@pytest.mark.parametrize("supply", [0.85, 1.0, 1.1])
def test_current_limit_holds_what_the_device_measures(harmonics: bool, limit: float, supply: float) -> None:
    method = SoftStarter(current_limit_ratio=limit, harmonics=harmonics)
    for speed in (0.0, 80.0, 140.0):
        feed = method.starting(CIRCUIT, FLC, 1, 30.0, speed, supply)
        unlimited = supply * CIRCUIT.at(CIRCUIT.slip_at(speed)).current_a
        assert feed.line_current_a == pytest.approx(min(limit * FLC, unlimited), rel=1e-9)
        assert feed.full == (unlimited <= limit * FLC)


def test_limit_lets_go_when_the_motor_needs_less() -> None:
    feed = SoftStarter(current_limit_ratio=3.5).starting(CIRCUIT, FLC, 1, 30.0, 156.0, 1.0)
    assert feed.full
    assert feed.line_current_a < 3.5 * FLC


def test_kick_goes_over_the_limit_unless_told_not_to() -> None:
    method = SoftStarter(current_limit_ratio=3.5, kick_voltage_ratio=0.8, kick_time_s=0.4, harmonics=False)
    assert method.stage_ends_s == (0.4, 10.0)
    assert method.starting(CIRCUIT, FLC, 0, 0.2, 0.0, 1.0).line_current_a == pytest.approx(5.6 * FLC, rel=1e-6)
    assert method.starting(CIRCUIT, FLC, 1, 0.4, 0.0, 1.0).voltage_ratio == pytest.approx(0.424)
    limited = SoftStarter(current_limit_ratio=3.5, kick_voltage_ratio=0.8, kick_time_s=0.4, limit_in_kick=True)
    assert limited.starting(CIRCUIT, FLC, 0, 0.2, 0.0, 1.0).line_current_a == pytest.approx(3.5 * FLC, rel=1e-9)


def test_soft_stop_falls_from_the_step_to_the_stop_voltage() -> None:
    method = SoftStarter(stop_time_s=10.0, stop_step_ratio=0.8, stop_voltage_ratio=0.3)
    assert method.stopping(CIRCUIT, FLC, 0.0, 155.0, 1.0).voltage_ratio == pytest.approx(0.8)
    assert method.stopping(CIRCUIT, FLC, 10.0, 155.0, 1.0).voltage_ratio == pytest.approx(0.3)
    assert method.stopping(CIRCUIT, FLC, 11.0, 155.0, 1.0).voltage_ratio == pytest.approx(0.3)


def test_harmonics_heat_the_stator_only() -> None:
    with_them = SoftStarter(initial_voltage_ratio=0.5).starting(CIRCUIT, FLC, 0, 0.0, 0.0, 1.0)
    without = SoftStarter(initial_voltage_ratio=0.5, harmonics=False).starting(CIRCUIT, FLC, 0, 0.0, 0.0, 1.0)
    k = rms_ratio(0.5)
    assert with_them.line_current_a == pytest.approx(k * without.line_current_a)
    assert with_them.stator_heat_w == pytest.approx(k * k * without.stator_heat_w)
    assert with_them.rotor_heat_w == without.rotor_heat_w
    assert with_them.torque_nm == without.torque_nm
    assert with_them.motor_power_w - without.motor_power_w == pytest.approx(with_them.stator_heat_w - without.stator_heat_w)


def test_bypass_is_the_full_supply() -> None:
    feed = SoftStarter().running(CIRCUIT, FLC, 155.0, 0.95)
    assert feed.voltage_ratio == 0.95
    assert feed.full
    assert SoftStarter().clock_when_caught_s(CIRCUIT, 100.0) == 0.0


@pytest.mark.parametrize(
    ("field", "made"),
    [
        ("ramp_time_s", lambda: SoftStarter(ramp_time_s=0.0)),
        ("initial_voltage_ratio", lambda: SoftStarter(initial_voltage_ratio=0.0)),
        ("current_limit_ratio", lambda: SoftStarter(current_limit_ratio=0.2)),
        ("kick_time_s", lambda: SoftStarter(kick_time_s=-1.0)),
        ("kick_time_s", lambda: SoftStarter(kick_time_s=9.5, kick_voltage_ratio=0.8)),
        ("kick_voltage_ratio", lambda: SoftStarter(kick_time_s=0.5)),
        ("stop_time_s", lambda: SoftStarter(stop_time_s=inf)),
        ("stop_voltage_ratio", lambda: SoftStarter(stop_voltage_ratio=0.9)),
    ],
)
def test_impossible_settings_are_named(field: str, made: Callable[[], SoftStarter]) -> None:
    with pytest.raises(ValueError, match=field):
        made()
