"""How many readings a second the core folds: a recorded day of one motor at 1 Hz through `replay`, starts, stops and alerts' facts
included, against the plain loop that only sums I2t and counts starts over the same readings."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass

from gateway.demo_history import RegisterReader
from gateway.instants import SECOND, seconds_between
from gateway.motors.reading import Reading
from gateway.services.replay import replay
from gateway.site import load_site
from simulators.live import build_starters
from simulators.scenario import load_scenario
from tests.benchmarks.plant import BEGIN, DEMO, MORNING_S

MOTOR = "DC-01"


@dataclass(frozen=True, slots=True)
class Replaying:
    """Readings folded a second of CPU time, of `replay` and of the plain loop; starts that `replay` found."""

    readings: int
    per_s: float
    plain_per_s: float
    starts: int


def replaying(hours: float) -> Replaying:
    """Record some hours of one motor and fold them; the best of three, since whatever else runs can only add."""
    site = next(each for each in load_site(DEMO / "site.yaml").starters if each.starter.name == MOTOR)
    simulated = build_starters(load_scenario(DEMO / "scenario.yaml"))[MOTOR]
    reader, readings = RegisterReader(site, simulated), []
    for second in range(round(MORNING_S), round(MORNING_S + hours * 3600)):
        simulated.advance_to(float(second))
        readings.append(reader.reading(BEGIN + second * SECOND))
    best_s, plain_s = float("inf"), float("inf")
    for _ in range(3):
        begin_s = time.process_time()
        result = replay(site.starter, readings)
        best_s = min(best_s, time.process_time() - begin_s)
        begin_s = time.process_time()
        _plain(readings, site.starter.motor.flc_a)
        plain_s = min(plain_s, time.process_time() - begin_s)
    return Replaying(len(readings), len(readings) / best_s, len(readings) / plain_s, result.total_starts)


def _plain(readings: Sequence[Reading], flc_a: float) -> tuple[float, int]:
    i2t_a2s, starts, was_on, last = 0.0, 0, False, readings[0]
    for reading in readings:
        current_a = reading.number("current") or 0.0
        is_on = current_a > 0.1 * flc_a
        starts += is_on and not was_on
        i2t_a2s += current_a * current_a * seconds_between(last.at, reading.at)
        was_on, last = is_on, reading
    return i2t_a2s, starts
