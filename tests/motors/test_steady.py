"""The short way with three line currents: the same heat as the long way to the last bit, and nothing missed that the long way sees."""

from __future__ import annotations

import random

import pytest

from gateway.instants import SECOND
from gateway.motors.reading import Reading, Scalar
from gateway.motors.steady import Steady
from gateway.motors.watch import Watch
from tests.motors.strips import FLC_A, OFF, RAMPS, SPEED, starter


def three_currents(seed: int) -> list[Reading]:
    """Return a start and an hour of running in which the phases wander, some far enough to be doubted."""
    draw = random.Random(seed)
    readings, at, integers = [], 0, draw.random() < 0.3
    for count, period_us, level, bits in ((20, SECOND, 0.0, OFF), (40, SECOND // 10, 3.5, RAMPS), (900, SECOND, 0.8, SPEED)):
        for _ in range(count):
            phases = [level * FLC_A * (1.0 + draw.gauss(0.0, 0.02)) for _ in range(3)]
            if level == 0.8 and draw.random() < 0.02:
                phases[draw.randrange(3)] *= draw.choice([0.0, 0.05, 0.11, 0.3, 1.3])
            elif level == 0.8 and draw.random() < 0.02:
                phases[draw.randrange(3)] *= 2.0  # within the band by its mean, hot by its unbalance
            values: dict[str, Scalar] = {f"current_l{n + 1}": round(a) if integers else a for n, a in enumerate(phases)}
            if draw.random() < 0.01:
                values["current_l2"] = "no value"
            readings.append(Reading(at, {**values, **bits}))
            at += period_us
    return readings


@pytest.mark.parametrize("seed", range(20))
def test_both_ways_give_the_same_to_the_last_bit(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    readings = three_currents(seed)
    short = Watch(starter())
    events = [short.take(reading) for reading in readings]
    monkeypatch.setattr(Steady, "takes", lambda self, reading: False)
    long = Watch(starter())
    assert [long.take(reading) for reading in readings] == events
    assert short.history() == long.history()
    assert short.live() == long.live()
    assert short.heat_trail() == long.heat_trail()


def test_most_of_a_run_goes_the_short_way(monkeypatch: pytest.MonkeyPatch) -> None:
    taken, takes = [], Steady.takes

    def counted(self: Steady, reading: Reading) -> bool:
        taken.append(takes(self, reading))
        return taken[-1]

    monkeypatch.setattr(Steady, "takes", counted)
    watch = Watch(starter())
    for reading in three_currents(4):
        watch.take(reading)
    assert sum(taken) > 0.7 * len(taken)
