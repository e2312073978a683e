"""Published worked examples of the equivalent circuit, recomputed. Where a figure is from memory it says so."""

from __future__ import annotations

import cmath
import random
from dataclasses import replace
from math import pi, sqrt

import pytest

from gateway.machine.circuit import Circuit
from gateway.machine.nameplate import fit_circuit
from tests.machine.examples import CHAPMAN, FITZGERALD, MODELICA, MOTOR_45_KW, WITH_IRON, random_nameplate


def _impedance_by_complex_numbers(circuit: Circuit, slip: float, frequency_ratio: float = 1.0) -> complex:
    """Return the input impedance the long way round, as an independent check of the closed form."""
    k2 = circuit.bar_depth_squared
    f2 = (slip * frequency_ratio) ** 2
    g = f2 * (1 + k2) / (1 + k2 * f2)
    rotor = complex(
        (circuit.rotor_resistance_ohm + circuit.bar_resistance_ohm * g) / slip,
        (circuit.rotor_reactance_ohm - circuit.bar_reactance_ohm * g) * frequency_ratio,
    )
    shunt = 1 / circuit.iron_resistance_ohm + 1 / complex(0, circuit.magnetising_reactance_ohm * frequency_ratio)
    stator = complex(circuit.stator_resistance_ohm, circuit.stator_reactance_ohm * frequency_ratio)
    return stator + 1 / (1 / rotor + shunt)


def test_chapman_25_hp() -> None:
    """Published 18.88 to 18.89 A, pf .833, 12.53 kW in, 11.84 kW gap, 11.58 kW converted, 62.8 N m; T_load 56.9, eta .837 from memory."""
    point = CHAPMAN.at(0.022)
    sync = CHAPMAN.sync_speed_rad_s
    gap_w = point.torque_nm * sync
    converted_w = gap_w * (1 - 0.022)
    assert point.current_a == pytest.approx(18.89, abs=0.005)
    assert point.power_factor == pytest.approx(0.833, abs=0.001)
    assert point.power_w == pytest.approx(12530, abs=10)
    assert gap_w == pytest.approx(11840, abs=5)
    assert converted_w == pytest.approx(11580, abs=5)
    assert point.torque_nm == pytest.approx(62.8, abs=0.05)
    assert (converted_w - 1100) / (sync * (1 - 0.022)) == pytest.approx(56.9, abs=0.1)
    assert (converted_w - 1100) / point.power_w == pytest.approx(0.837, abs=0.001)


def test_chapman_pull_out_neglects_more_than_we_do() -> None:
    """From memory: slip .198, 229 N m, starting 104; with twice the rotor resistance .396, 229, 170. The book rounds Rth and Xth: within
    2.5 %.
    """
    for resistance, slip, torque, starting in ((0.332, 0.198, 229, 104), (0.664, 0.396, 229, 170)):
        circuit = replace(CHAPMAN, rotor_resistance_ohm=resistance)
        top = circuit.breakdown()
        assert top.slip == pytest.approx(slip, rel=0.025)
        assert top.torque_nm == pytest.approx(torque, rel=0.025)
        assert circuit.at(1.0).torque_nm == pytest.approx(starting, rel=0.026)


def test_chapman_pull_out_to_our_own_digits() -> None:
    assert CHAPMAN.breakdown().slip == pytest.approx(0.2014, abs=2e-4)
    assert CHAPMAN.breakdown().torque_nm == pytest.approx(230.8, abs=0.05)
    assert CHAPMAN.at(1.0).torque_nm == pytest.approx(106.6, abs=0.05)
    doubled = replace(CHAPMAN, rotor_resistance_ohm=0.664)
    assert doubled.breakdown().slip == pytest.approx(0.4028, abs=4e-4)
    assert doubled.at(1.0).torque_nm == pytest.approx(174.1, abs=0.05)


def test_fitzgerald_7_5_kw() -> None:
    """Thevenin 122.4 V, .27, .49 as quoted in a public listing; s = .02: 18.8 A; pull-out 175 N m at .192; starting 78 N m from memory."""
    stator = complex(FITZGERALD.stator_resistance_ohm, FITZGERALD.stator_reactance_ohm)
    shunt = complex(0, FITZGERALD.magnetising_reactance_ohm)
    thevenin = stator * shunt / (stator + shunt)
    assert abs(FITZGERALD.phase_voltage_v * shunt / (stator + shunt)) == pytest.approx(122.4, abs=0.1)
    assert thevenin.real == pytest.approx(0.273, abs=0.001)
    assert thevenin.imag == pytest.approx(0.49, abs=0.001)
    point = FITZGERALD.at(0.02)
    assert point.current_a == pytest.approx(18.8, abs=0.05)
    assert point.power_factor == pytest.approx(0.8456, abs=5e-4)
    shaft_w = point.torque_nm * FITZGERALD.sync_speed_rad_s * 0.98 - 403
    assert shaft_w / (FITZGERALD.sync_speed_rad_s * 0.98) == pytest.approx(42.4, abs=0.05)
    assert shaft_w / point.power_w == pytest.approx(0.863, abs=0.001)
    assert FITZGERALD.breakdown().torque_nm == pytest.approx(175, abs=0.5)
    assert FITZGERALD.breakdown().slip == pytest.approx(0.192, abs=5e-4)
    assert FITZGERALD.at(1.0).torque_nm == pytest.approx(78, abs=0.5)


def test_circuit_with_iron_resistance() -> None:
    """Published docstring example: 32.3 A, 118.8 N m at s = .04."""
    point = WITH_IRON.at(0.04)
    assert point.current_a == pytest.approx(32.3, abs=0.05)
    assert point.torque_nm == pytest.approx(118.8, abs=0.05)


def test_modelica_default_machine() -> None:
    """Nominal 100 A, pf .875, 161.4 N m, 24.346 kW, 92.7 % at 1440.45 rpm."""
    speed = 1440.45 * pi / 30
    point = MODELICA.at(MODELICA.slip_at(speed))
    assert point.current_a == pytest.approx(100.0, abs=0.05)
    assert point.power_factor == pytest.approx(0.875, abs=5e-4)
    assert point.torque_nm == pytest.approx(161.4, abs=0.05)
    assert point.torque_nm * speed == pytest.approx(24346, abs=5)
    assert point.torque_nm * speed / point.power_w == pytest.approx(0.927, abs=5e-4)
    assert MODELICA.at(1.0).current_a == pytest.approx(472.6, abs=0.1)
    assert MODELICA.at(1.0).torque_nm == pytest.approx(159.2, abs=0.1)
    assert MODELICA.breakdown().torque_nm == pytest.approx(386.9, abs=0.1)
    assert MODELICA.breakdown().slip == pytest.approx(0.1975, abs=3e-4)


@pytest.mark.parametrize("slip", [1.0, 0.3, 0.022, 1e-3, -0.02, -0.5, 1.9])
@pytest.mark.parametrize("frequency_ratio", [1.0, 0.4, 0.05])
def test_closed_form_is_the_complex_circuit(slip: float, frequency_ratio: float) -> None:
    for circuit in (CHAPMAN, WITH_IRON, fit_circuit(MOTOR_45_KW)):
        impedance = _impedance_by_complex_numbers(circuit, slip, frequency_ratio)
        point = circuit.at(slip, frequency_ratio)
        assert complex(point.resistance_ohm, point.reactance_ohm) == pytest.approx(impedance, rel=1e-12)
        current = circuit.phase_voltage_v / impedance
        assert point.current_a == pytest.approx(abs(current), rel=1e-12)
        assert point.power_w == pytest.approx(3 * (circuit.phase_voltage_v * current.conjugate()).real, rel=1e-10)
        assert point.power_factor == pytest.approx(cmath.cos(cmath.phase(impedance)).real, rel=1e-9)


def test_power_in_is_heat_and_shaft_power() -> None:
    seed = 20240611
    rng = random.Random(seed)
    for _ in range(40):
        circuit = fit_circuit(random_nameplate(rng))
        slip, ratio = rng.uniform(-0.5, 1.5), rng.uniform(0.05, 1.0)
        point = circuit.at(slip, ratio)
        shaft_w = point.torque_nm * circuit.sync_speed_rad_s * ratio * (1 - slip)
        heat_w = point.stator_heat_w + point.rotor_heat_w + point.iron_heat_w
        assert point.power_w == pytest.approx(shaft_w + heat_w, rel=1e-9, abs=1e-6), f"seed {seed}"


def test_no_slip_gives_no_torque_and_only_magnetising_current() -> None:
    assert CHAPMAN.at(0.0).torque_nm == 0.0
    assert CHAPMAN.at(0.0).rotor_heat_w == 0.0
    assert CHAPMAN.at(0.0).current_a == pytest.approx(CHAPMAN.phase_voltage_v / abs(complex(0.641, 1.106 + 26.3)), rel=1e-12)
    assert CHAPMAN.at(1e-9).torque_nm == pytest.approx(-CHAPMAN.at(-1e-9).torque_nm, rel=1e-6)


def test_deep_bar_is_a_double_cage_when_the_two_parts_belong_together() -> None:
    """dX = k dR: outer cage Ro without leakage of its own, inner Ri + jXi, common jXc; equal to rounding for every slip."""
    k, d_r, r_r, x_r = sqrt(3.0), 0.05, 0.04, 0.3
    circuit = Circuit(
        voltage_v=400,
        frequency_hz=50,
        pole_pairs=2,
        stator_resistance_ohm=0.06,
        stator_reactance_ohm=0.24,
        rotor_resistance_ohm=r_r,
        rotor_reactance_ohm=x_r,
        magnetising_reactance_ohm=7.4,
        bar_resistance_ohm=d_r,
        bar_reactance_ohm=k * d_r,
        bar_depth_squared=k * k,
    )
    b = d_r * (1 + k * k) / (k * k)
    outer = r_r + b
    a = outer * outer / b
    inner_r, inner_x, common = a - outer, k * a, x_r - b * k
    for slip in (0.01, 0.1, 0.5, 1.0):
        cages = 1 / (slip / outer + 1 / complex(inner_r / slip, inner_x)) + complex(0, common)
        shunt = complex(0, 7.4)
        impedance = complex(0.06, 0.24) + cages * shunt / (cages + shunt)
        point = circuit.at(slip)
        assert complex(point.resistance_ohm, point.reactance_ohm) == pytest.approx(impedance, rel=1e-13)


def test_pull_up_is_found_where_there_is_a_dip() -> None:
    dip = fit_circuit(MOTOR_45_KW).pull_up()
    assert dip is not None
    assert dip.torque_nm / MOTOR_45_KW.rated_torque_nm == pytest.approx(2.31, abs=0.005)
    assert dip.slip == pytest.approx(0.35, abs=0.005)
    assert CHAPMAN.pull_up() is None


def test_breakdown_at_standstill_when_torque_only_falls() -> None:
    steep = replace(CHAPMAN, rotor_resistance_ohm=3.0)
    assert steep.breakdown().slip == pytest.approx(1.0, abs=1e-3)
