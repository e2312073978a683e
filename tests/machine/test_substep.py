from __future__ import annotations

from math import exp, pi

import pytest

from gateway.machine.substep import SHORTEST_STEP_S, exponential, heun, longest_step_s


def test_a_step_moves_two_per_cent_of_synchronous_speed_at_most() -> None:
    assert longest_step_s(10.0, 157.0, 0.05) == 0.05
    assert longest_step_s(-100.0, 157.0, 0.05) == pytest.approx(0.0314)
    assert longest_step_s(1e6, 157.0, 0.05) == SHORTEST_STEP_S


def test_acceleration_time_of_a_constant_net_torque() -> None:
    """Published exercise: J = 3 kg m2, 25 N m net, 0 to 1000 rpm: about 12.6 s (12.566). And t = WK2 dN / (308 T): the exact constant is
    307.24.
    """
    speed, at = 0.0, 0.0
    goal = 1000 * pi / 30
    while speed < goal - 1e-9:
        step = min(0.05, (goal - speed) * 3 / 25)
        speed = heun(lambda _t, _w: 25 / 3, 25 / 3, speed, step)
        at += step
    assert at == pytest.approx(12.566, abs=5e-4)
    lb_ft2, lb_ft = 0.04214011, 1.3558179
    assert 30 / pi * lb_ft / lb_ft2 == pytest.approx(307.24, abs=0.01)
    seconds = 100 * lb_ft2 * 1750 * pi / 30 / (50 * lb_ft)
    assert seconds == pytest.approx(11.392, abs=5e-4)
    assert 100 * 1750 / (308 * 50) == pytest.approx(11.364, abs=5e-4)


@pytest.mark.parametrize("rate", [-2000.0, -100.0, -1.0, -1e-5])
@pytest.mark.parametrize("step", [0.001, 0.05, 10.0])
def test_exponential_is_exact_for_a_straight_line(rate: float, step: float) -> None:
    def towards_five(_t: float, w: float) -> float:
        return rate * (w - 5.0)

    found = exponential(towards_five, towards_five(0, 1.0), rate, 1.0, step)
    assert found == pytest.approx(5.0 - 4.0 * exp(rate * step), rel=1e-9)


def test_exponential_is_second_order_when_the_goal_moves() -> None:
    def following(t: float, w: float) -> float:
        return -3.0 * (w - 10.0 * t)

    errors = []
    for step in (0.1, 0.05):
        w = 1.0
        for i in range(round(1.0 / step)):

            def shifted(t: float, w: float, began: float = i * step) -> float:
                return following(began + t, w)

            w = exponential(shifted, shifted(0.0, w), -3.0, w, step)
        exact = 10.0 - 10.0 / 3.0 + (1.0 + 10.0 / 3.0) * exp(-3.0)
        errors.append(abs(w - exact))
    assert errors[0] < 1e-9 or errors[1] < errors[0] / 3.5


def test_heun_does_not_look_below_standstill() -> None:
    seen: list[float] = []

    def rate(_t: float, w: float) -> float:
        seen.append(w)
        return -10.0

    heun(rate, -10.0, 0.1, 1.0)
    assert seen == [0.0]
