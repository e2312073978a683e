from __future__ import annotations

import random
from dataclasses import replace
from typing import Any

import pytest

from gateway.machine.nameplate import Nameplate, NameplateError, fit_circuit
from tests.machine.examples import MOTOR_5_5_KW, MOTOR_45_KW, MOTOR_132_KW, random_nameplate

FITTED = {
    # R1, X1, Xm, Rfe, Rr, Xr, dR, dX in ohm: our own earlier computation, an independent program.
    "5.5 kW": (MOTOR_5_5_KW, (0.96252, 1.58956, 43.694, 1067.1, 0.55522, 1.94496, 0.28868, 0.99516)),
    "45 kW": (MOTOR_45_KW, (0.06009, 0.24258, 7.3857, 255.73, 0.04464, 0.29663, 0.07561, 0.16685)),
    "132 kW": (MOTOR_132_KW, (0.01684, 0.08465, 2.6743, 117.67, 0.00844, 0.10347, 0.03048, 0.05531)),
}
REFITTED = {
    # In, pf, shaft torque, pf at standstill, breakdown slip, pull-up (torque, slip), no-load current, half load (current, pf, eta)
    "5.5 kW": (10.675, 0.830, 35.85, 0.573, 0.182, None, 0.478, (0.647, 0.656, 0.887)),
    "45 kW": (80.176, 0.860, 290.74, 0.428, 0.092, (2.31, 0.35), 0.378, (0.596, 0.731, 0.937)),
    "132 kW": (230.40, 0.865, 847.12, 0.380, 0.047, (1.87, 0.26), 0.364, (0.589, 0.742, 0.949)),
}


@pytest.mark.parametrize("name", FITTED)
def test_parameters_of_three_typical_motors(name: str) -> None:
    nameplate, parameters = FITTED[name]
    c = fit_circuit(nameplate)
    found = (
        c.stator_resistance_ohm,
        c.stator_reactance_ohm,
        c.magnetising_reactance_ohm,
        c.iron_resistance_ohm,
        c.rotor_resistance_ohm,
        c.rotor_reactance_ohm,
        c.bar_resistance_ohm,
        c.bar_reactance_ohm,
    )
    assert found == pytest.approx(parameters, rel=1e-4, abs=3e-5)


@pytest.mark.parametrize("name", REFITTED)
def test_refit_of_three_typical_motors(name: str) -> None:
    nameplate = FITTED[name][0]
    flc, pf, torque, locked_pf, top_slip, pull_up, no_load, half = REFITTED[name]
    circuit = fit_circuit(nameplate)
    full, locked, top = circuit.at(nameplate.rated_slip), circuit.at(1.0), circuit.breakdown()
    assert full.current_a == pytest.approx(flc, rel=5e-5)
    assert full.power_factor == pytest.approx(pf, abs=1e-6)
    assert full.torque_nm - circuit.friction_w / nameplate.rated_speed_rad_s == pytest.approx(torque, abs=0.006)
    assert locked.current_a / full.current_a == pytest.approx(7.0, abs=1e-6)
    assert locked.torque_nm / nameplate.rated_torque_nm == pytest.approx(nameplate.locked_rotor_torque_ratio, abs=1e-6)
    assert locked.power_factor == pytest.approx(locked_pf, abs=5e-4)
    assert top.torque_nm / nameplate.rated_torque_nm == pytest.approx(nameplate.breakdown_torque_ratio, abs=5e-4)
    assert top.slip == pytest.approx(top_slip, abs=1.5e-3)
    dip = circuit.pull_up()
    assert (None if dip is None else (round(dip.torque_nm / nameplate.rated_torque_nm, 2), round(dip.slip, 2))) == pull_up
    assert circuit.at(0.0).current_a / full.current_a == pytest.approx(no_load, abs=1.5e-3)
    assert _part_load(nameplate, 0.5) == pytest.approx(half, abs=1.5e-3)


def _part_load(nameplate: Nameplate, part: float) -> tuple[float, float, float]:
    """Return current x FLC, power factor and efficiency at a part of rated torque."""
    circuit = fit_circuit(nameplate)
    low, high = 1e-5, nameplate.rated_slip
    for _ in range(60):
        slip = 0.5 * (low + high)
        point = circuit.at(slip)
        turning = 1.0 - slip
        friction_w = circuit.friction_w * (turning / (1.0 - nameplate.rated_slip)) ** 2
        shaft_w = point.torque_nm * circuit.sync_speed_rad_s * turning - friction_w
        shaft_nm = shaft_w / (circuit.sync_speed_rad_s * turning)
        low, high = (slip, high) if shaft_nm < part * nameplate.rated_torque_nm else (low, slip)
    return point.current_a / nameplate.flc_a, point.power_factor, shaft_w / point.power_w


def _largest_errors(count: int, seed: int) -> tuple[float, float]:
    rng = random.Random(seed)
    exact = bend = 0.0
    for _ in range(count):
        nameplate = random_nameplate(rng)
        circuit = fit_circuit(nameplate)
        full, locked, top = circuit.at(nameplate.rated_slip), circuit.at(1.0), circuit.breakdown()
        shaft_nm = full.torque_nm - circuit.friction_w / nameplate.rated_speed_rad_s
        pairs = (
            (full.current_a, nameplate.flc_a),
            (full.power_factor, nameplate.power_factor),
            (shaft_nm, nameplate.rated_torque_nm),
            (locked.current_a, nameplate.locked_rotor_current_ratio * nameplate.flc_a),
            (locked.torque_nm, nameplate.locked_rotor_torque_ratio * nameplate.rated_torque_nm),
        )
        exact = max(exact, *(abs(found / wanted - 1.0) for found, wanted in pairs))
        bend = max(bend, abs(top.torque_nm / (nameplate.breakdown_torque_ratio * nameplate.rated_torque_nm) - 1.0))
        assert min(circuit.stator_resistance_ohm, circuit.magnetising_reactance_ohm, circuit.rotor_resistance_ohm) > 0
        for slip in (0.01, 0.1, 0.3, 1.0):
            assert circuit.at(slip).reactance_ohm > 0
    return exact, bend


def test_a_thousand_random_nameplates_refit() -> None:
    seed = 1729
    exact, bend = _largest_errors(1000, seed)
    assert exact < 1e-7, f"seed {seed}"
    assert bend < 0.0075, f"seed {seed}"


@pytest.mark.slow
def test_many_more_random_nameplates_refit() -> None:
    seed = 4104
    exact, bend = _largest_errors(3000, seed)
    assert exact < 1e-7, f"seed {seed}"
    assert bend < 0.0075, f"seed {seed}"


@pytest.mark.parametrize(
    ("datum", "changes"),
    [
        ("rated_power_w", {"rated_power_w": 0.0}),
        ("voltage_v", {"voltage_v": float("nan")}),
        ("rated_speed_rpm", {"rated_speed_rpm": 1500.0}),
        ("rated_speed_rpm", {"rated_speed_rpm": 1200.0}),
        ("rated_speed_rpm", {"pole_pairs": 3}),
        ("power_factor", {"power_factor": 1.0}),
        ("power_factor", {"power_factor": 0.2}),
        ("efficiency", {"efficiency": 94.2}),
        ("efficiency", {"efficiency": 0.98}),
        ("efficiency", {"efficiency": 0.975}),
        ("locked_rotor_current_ratio", {"locked_rotor_current_ratio": 1.5}),
        ("locked_rotor_current_ratio", {"locked_rotor_current_ratio": 16.0}),
        ("locked_rotor_torque_ratio", {"locked_rotor_torque_ratio": 2.7, "locked_rotor_current_ratio": 2.3}),
        ("breakdown_torque_ratio", {"breakdown_torque_ratio": 2.3}),
        ("breakdown_torque_ratio", {"breakdown_torque_ratio": 1.0, "locked_rotor_torque_ratio": 0.9}),
        ("breakdown_torque_ratio", {"breakdown_torque_ratio": 9.0}),
    ],
)
def test_an_impossible_nameplate_names_the_datum(datum: str, changes: dict[str, Any]) -> None:
    with pytest.raises(NameplateError) as caught:
        fit_circuit(replace(MOTOR_45_KW, **changes))
    assert caught.value.datum == datum
    assert str(caught.value).startswith(f"{datum}: ")


def test_locked_rotor_torque_that_no_rotor_gives() -> None:
    with pytest.raises(NameplateError) as caught:
        fit_circuit(replace(MOTOR_45_KW, locked_rotor_torque_ratio=6.0, breakdown_torque_ratio=6.5, locked_rotor_current_ratio=4.0))
    assert caught.value.datum == "locked_rotor_torque_ratio"


def test_breakdown_too_low_for_the_locked_rotor_current_says_what_fits() -> None:
    with pytest.raises(NameplateError, match="the least that fits is"):
        fit_circuit(
            replace(
                MOTOR_45_KW, power_factor=0.6, locked_rotor_current_ratio=14.0, locked_rotor_torque_ratio=1.0, breakdown_torque_ratio=1.1
            )
        )


def test_printed_current_is_cross_checked() -> None:
    fit_circuit(MOTOR_45_KW, flc_a=80.0)
    with pytest.raises(NameplateError) as caught:
        fit_circuit(MOTOR_45_KW, flc_a=140.0)
    assert caught.value.datum == "flc_a"
    assert "80.18 A" in caught.value.message
