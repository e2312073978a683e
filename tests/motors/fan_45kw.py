"""True start curves of a 45 kW fan, by a model of the tests' own: what the figures are held against.

Motor 45 kW, 4 poles, 400 V, 50 Hz, FLC 80.176 A, deep-bar rotor; fan of 0.9 x rated torque at rated speed, J = 10.45 kg m2 together.
Integrated by fourth-order Runge-Kutta in 2 ms steps.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache

from gateway.instants import Instant
from gateway.motors.reading import Reading, Scalar

FLC_A = 80.176
SYNCHRONOUS = 2.0 * math.pi * 50.0 / 2.0
RATED = 1478.0 * math.pi / 30.0
STEP_S = 0.002
HIGH = 1.25
_V = 400.0 / math.sqrt(3.0)


def _circuit(slip: float) -> tuple[float, float]:
    """Return stator current [A] and torque [N m] at full voltage."""
    slip = max(slip, 1e-6)
    g = slip**2 * 4.0 / (1.0 + 3.0 * slip**2)
    a = (0.04464 + 0.07561 * g) / slip
    x2 = 0.29663 - 0.16685 * g
    d = a * a + x2 * x2
    conductance, susceptance = a / d + 1.0 / 255.73, x2 / d + 1.0 / 7.3857
    y2 = conductance**2 + susceptance**2
    r, x = 0.06009 + conductance / y2, 0.24258 + susceptance / y2
    i2 = _V**2 / (r * r + x * x)
    return math.sqrt(i2), 3.0 * (i2 / y2 / d) * a / SYNCHRONOUS


Drive = Callable[[float, float], tuple[float, float, float]]
"""(time, current at full voltage x FLC) -> (voltage ratio, line over stator current, torque over v^2 T)."""


def direct(at_s: float, full: float) -> tuple[float, float, float]:
    return 1.0, 1.0, 1.0


def soft(kick_s: float = 0.0, limit: float = 3.5) -> Drive:
    def drive(at_s: float, full: float) -> tuple[float, float, float]:
        if at_s < kick_s:
            return 0.8, 1.0, 1.0
        voltage = min(1.0, 0.4 + 0.6 * at_s / 10.0)
        return min(voltage, limit / full), 1.0, 1.0

    return drive


def star_delta(star_s: float, gap_s: float = 0.05) -> Drive:
    def drive(at_s: float, full: float) -> tuple[float, float, float]:
        if at_s < star_s:
            return 1.0, 1.0 / 3.0, 1.0 / 3.0
        return (0.0, 0.0, 0.0) if at_s < star_s + gap_s else (1.0, 1.0, 1.0)

    return drive


@dataclass(frozen=True)
class TrueStart:
    """A start as it was: line current x FLC every STEP_S from the begin, and its figures by the same definitions as the ledger's."""

    ratios: tuple[float, ...]
    end_s: float
    i2t_flc2s: float
    peak: float

    def at(self, at_s: float) -> float:
        """Return the r.m.s. current x FLC of the 20 ms before an instant, counted from the begin."""
        first, last = math.floor((at_s - 0.02) / STEP_S), math.floor(at_s / STEP_S)
        window = [self.ratios[min(index, len(self.ratios) - 1)] if index >= 0 else 0.0 for index in range(first, last)]
        return math.sqrt(sum(ratio * ratio for ratio in window) / len(window))


def _slope(speed: float, voltage: float, share: float, inertia: float) -> float:
    torque = voltage**2 * share * _circuit(1.0 - speed / SYNCHRONOUS)[1]
    x = speed / RATED
    return (torque - 0.9 * 290.74 * (0.03 + 0.97 * x * x)) / inertia


def _run(drive: Drive, inertia: float, until_s: float) -> tuple[float, ...]:
    speed, ratios = 0.0, []
    for step in range(int(until_s / STEP_S)):
        full = _circuit(1.0 - speed / SYNCHRONOUS)[0] / FLC_A
        voltage, line, share = drive(step * STEP_S, full)
        ratios.append(voltage * line * full)
        k1 = _slope(speed, voltage, share, inertia)
        k2 = _slope(speed + 0.5 * STEP_S * k1, voltage, share, inertia)
        k3 = _slope(speed + 0.5 * STEP_S * k2, voltage, share, inertia)
        k4 = _slope(speed + STEP_S * k3, voltage, share, inertia)
        speed = max(0.0, speed + STEP_S * (k1 + 2.0 * k2 + 2.0 * k3 + k4) / 6.0)
    return tuple(ratios)


def _true(drive: Drive, inertia: float, until_s: float) -> TrueStart:
    ratios = _run(drive, inertia, until_s)
    last = max(index for index, ratio in enumerate(ratios) if ratio > HIGH)
    i2t = sum(ratio * ratio for ratio in ratios[: last + 1]) * STEP_S
    return TrueStart(ratios, (last + 1) * STEP_S, i2t, max(ratios))


@cache
def true_start(name: str) -> TrueStart:
    """Return one of the starts by name."""
    drive, inertia, until_s = {
        "direct": (direct, 10.45, 5.0),
        "direct_light": (direct, 2.0, 2.0),
        "soft": (soft(), 10.45, 14.0),
        "soft_kick": (soft(0.4, 99.0), 10.45, 14.0),
        "star_delta": (star_delta(8.0), 10.45, 14.0),
    }[name]
    return _true(drive, inertia, until_s)


def polled(
    start: TrueStart,
    period_s: float,
    begin_s: float,
    until_s: float,
    draw: random.Random | None = None,
    noise: float = 0.0,
    from_at: Instant = 0,
) -> Iterator[Reading]:
    """Yield readings every `period_s` from 0 to `until_s`, the motor switched on at `begin_s`; noise is relative, by `draw`."""
    for index in range(int(until_s / period_s) + 1):
        at_s = index * period_s
        ratio = start.at(at_s - begin_s)
        if draw is not None and noise:
            ratio *= 1.0 + draw.gauss(0.0, noise)
        values: dict[str, Scalar] = {"current": ratio * FLC_A}
        yield Reading(from_at + round(at_s * 1e6), values)
