from __future__ import annotations

import random
from math import exp

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from gateway.machine.nameplate import fit_circuit
from gateway.machine.thermal_truth import COLD, ROTOR_PART_TO_BODY, Rise, TwoNode, typical_two_node
from tests.machine.examples import MOTOR_45_KW

PRINTED = TwoNode(winding_j_per_k=7470.0, body_j_per_k=144e3, winding_to_body_w_per_k=29.0, body_to_air_w_per_k=47.9)
"""The typical set of the 45 kW motor, derived from 5 A/mm2 and 40 K + 40 K."""


def test_printed_time_constants() -> None:
    assert [1 / rate for rate in PRINTED.rates_per_s(turning=True)] == pytest.approx([244, 3177], abs=1.1)
    assert [1 / rate for rate in PRINTED.rates_per_s(turning=False)] == pytest.approx([245, 9501], abs=2.0)


def test_typical_constants_follow_the_motor() -> None:
    circuit = fit_circuit(MOTOR_45_KW)
    two = typical_two_node(MOTOR_45_KW, circuit)
    assert two.winding_j_per_k == pytest.approx(7470, rel=1e-3)
    assert two.winding_to_body_w_per_k == pytest.approx(29.0, abs=0.05)
    assert two.body_to_air_w_per_k == pytest.approx(47.9, abs=0.05)
    point = circuit.at(MOTOR_45_KW.rated_slip)
    body_w = point.iron_heat_w + ROTOR_PART_TO_BODY * point.rotor_heat_w
    assert two.steady(point.stator_heat_w, body_w, turning=True) == pytest.approx((80.0, 40.0), abs=1e-6)


def test_weights_of_the_two_time_constants() -> None:
    """Winding heat alone, from cold: weights .555 / .445 turning, .32 / .68 standing still."""
    for turning, (fast, slow), (short, long), end_k in (
        (True, (0.555, 0.445), (244, 3177), 1160 / 47.9 + 40.0),
        (False, (0.32, 0.68), (245, 9501), 3 * 1160 / 47.9 + 40.0),
    ):
        for t in (10.0, 244.0, 1000.0, 3177.0, 10000.0):
            rise = PRINTED.after(COLD, t, 1160.0, 0.0, turning=turning)
            assert rise.winding_k == pytest.approx(end_k * (1 - fast * exp(-t / short) - slow * exp(-t / long)), abs=0.1)


def test_any_duration_against_an_integrator() -> None:
    seed = 77
    rng = random.Random(seed)
    for _ in range(12):
        two = TwoNode(
            winding_j_per_k=10 ** rng.uniform(2.5, 5),
            body_j_per_k=10 ** rng.uniform(3.5, 6.5),
            winding_to_body_w_per_k=10 ** rng.uniform(0.5, 2.5),
            body_to_air_w_per_k=10 ** rng.uniform(0.5, 2.5),
        )
        began = Rise(rng.uniform(0, 120), rng.uniform(0, 60))
        winding_w, body_w, turning = rng.uniform(0, 5000), rng.uniform(0, 3000), rng.random() < 0.5
        cooling = two.body_to_air_w_per_k * (1.0 if turning else two.stopped_cooling_part)

        def slope(
            _t: float, y: NDArray[np.float64], two: TwoNode = two, heat: tuple[float, float] = (winding_w, body_w), cooling: float = cooling
        ) -> list[float]:
            over = two.winding_to_body_w_per_k * (y[0] - y[1])
            return [(heat[0] - over) / two.winding_j_per_k, (heat[1] + over - cooling * y[1]) / two.body_j_per_k]

        duration = 10 ** rng.uniform(-2, 4)
        reference = solve_ivp(slope, (0, duration), list(began), method="LSODA", rtol=1e-10, atol=1e-9).y[:, -1]
        found = two.after(began, duration, winding_w, body_w, turning=turning)
        assert found == pytest.approx(tuple(reference), rel=1e-6, abs=1e-5), f"seed {seed}"


def test_two_steps_are_one() -> None:
    half = PRINTED.after(Rise(50, 20), 30.0, 3000.0, 500.0, turning=True)
    twice = PRINTED.after(half, 30.0, 3000.0, 500.0, turning=True)
    assert twice == pytest.approx(PRINTED.after(Rise(50, 20), 60.0, 3000.0, 500.0, turning=True), rel=1e-12)


def test_copper_heats_adiabatically_as_iec_60079_7_says() -> None:
    """a J^2 with a = .0065 K mm4/(A2 s) for copper, IEC 60079-7, from memory - confirm; resistivity / (heat capacity x density) at 95 C
    is .00649.
    """
    resistivity = 1.724e-8 * (1 + 0.00393 * 75)
    assert resistivity / (385.0 * 8930.0) * 1e12 == pytest.approx(0.0065, abs=5e-5)
    short = PRINTED.after(COLD, 0.1, 29.0 * 40.0, 0.0, turning=True)
    assert short.winding_k / 0.1 == pytest.approx(1160.0 / 7470.0, rel=1e-3)
