"""The integration rule for the speed: stable for unloaded motors, never overshooting, second order.

An unloaded motor is stiff near synchronous speed (time constant 1.7 ms for a typical 5.5 kW motor): Euler rings from steps of 5 ms,
Runge-Kutta settles at a wrong speed from 10 ms. So a sub-step moves the speed by 2 % of synchronous speed at most, and where the slip is
below 0.3 it is exponential: exact for a straight torque curve whatever the step, with a second-order correction for its bend and for a
moving voltage.
"""

from __future__ import annotations

from collections.abc import Callable
from math import expm1

LARGEST_MOVE = 0.02
"""Of synchronous speed in one sub-step."""
SHORTEST_STEP_S = 0.0005
EXPONENTIAL_BELOW_SLIP = 0.3

Rate = Callable[[float, float], float]
"""Acceleration [rad/s2] at (time since the sub-step began [s], speed [rad/s])."""


def longest_step_s(acceleration_rad_s2: float, sync_speed_rad_s: float, cap_s: float) -> float:
    """Return how long a sub-step may be.

    >>> round(longest_step_s(100.0, 157.08, 0.05), 6)
    0.031416
    """
    speed = abs(acceleration_rad_s2)
    if speed * cap_s <= LARGEST_MOVE * sync_speed_rad_s:
        return cap_s
    return max(LARGEST_MOVE * sync_speed_rad_s / speed, SHORTEST_STEP_S)


def heun(rate: Rate, rate_now: float, speed: float, step_s: float) -> float:
    """Return the speed after a step of Heun's method: for the rising side of the torque curve and for coasting."""
    ahead = max(speed + step_s * rate_now, 0.0)
    return speed + 0.5 * step_s * (rate_now + rate(step_s, ahead))


def exponential(rate: Rate, rate_now: float, slope_per_s: float, speed: float, step_s: float) -> float:
    """Return the speed after an exponential step; `slope_per_s` is the derivative of the rate by speed.

    >>> from math import exp
    >>> linear = lambda t, w: -100.0 * (w - 5.0)
    >>> abs(exponential(linear, linear(0, 1.0), -100.0, 1.0, 0.05) - (5.0 - 4.0 * exp(-5.0))) < 1e-12
    True
    """
    z = step_s * slope_per_s
    if abs(z) < 1e-4:
        phi1, phi2 = 1.0 + 0.5 * z, 0.5 + z / 6.0
    else:
        grown = expm1(z)
        phi1, phi2 = grown / z, (grown - z) / (z * z)
    ahead = max(speed + step_s * rate_now * phi1, 0.0)
    bend = rate(step_s, ahead) - rate_now - slope_per_s * (ahead - speed)
    return speed + step_s * rate_now * phi1 + step_s * phi2 * bend
