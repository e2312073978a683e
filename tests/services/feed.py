"""Readings of two invented motors that start, run, stop, trip, go blind and are started unseen: the same for the same seed."""

from __future__ import annotations

import random
from collections.abc import Iterator

from gateway.motors.facts import LimitSettings, MotorData, SignalFacts, Starter
from gateway.motors.reading import Flaw, Quality, Reading, Scalar

T0 = 1_780_000_000_000_000
KEYS = ("current", "voltage", "starting", "at_speed", "running", "tripped", "start_count")


def starter(name: str) -> Starter:
    motor = MotorData(rated_power_kw=45, rated_voltage_v=400, flc_a=80, cold_stall_s=18, hot_stall_s=12, heating_time_constant_s=1200)
    facts = SignalFacts(keys=frozenset(KEYS), start_count_wraps_at=65536)
    return Starter(name=name, motor=motor, limits=LimitSettings(starts_per_hour=6, off_time_s=40), signals=facts)


STARTERS = (starter("FAN-1"), starter("PUMP-2"))


class _Motor:
    """One motor's part of the feed."""

    def __init__(self, seed: int) -> None:
        self._random = random.Random(seed)
        self._at_us = T0 + seed * 37_000
        self._count = self._random.randrange(65_000, 65_536)

    def cycles(self) -> Iterator[Reading]:
        """Give one standstill, start, run and stop after another."""
        draw = self._random
        while True:
            yield from self._for(draw.uniform(20, 90), 1.0, 0.0)
            if draw.random() < 0.15:
                yield from self._blind(draw.uniform(8, 60))
            self._count = (self._count + 1) % 65_536
            ramp_s = draw.uniform(2, 6)
            yield from self._for(ramp_s, 0.1, draw.uniform(3.0, 5.5), starting=True, running=True)
            if draw.random() < 0.2:
                yield from self._for(draw.uniform(5, 30), 1.0, 0.0, tripped=True)
                continue
            yield from self._for(4.0, 0.1, 0.8, at_speed=True, running=True)
            yield from self._for(draw.uniform(20, 200), 1.0, 0.75, at_speed=True, running=True)

    def _for(self, duration_s: float, interval_s: float, level: float, **flags: bool) -> Iterator[Reading]:
        for _ in range(max(1, round(duration_s / interval_s))):
            current_a = 0.0 if not level else round(80 * level + self._random.gauss(0, 0.8), 2)
            values: dict[str, Scalar] = {"current": current_a, "voltage": round(400 + self._random.gauss(0, 1.5), 1)}
            values |= {key: flags.get(key, False) for key in ("starting", "at_speed", "running", "tripped")}
            values["start_count"] = self._count
            yield Reading(self._at_us, values)
            self._at_us += round(interval_s * 1_000_000) + self._random.randrange(-900, 900)

    def _blind(self, duration_s: float) -> Iterator[Reading]:
        # The device does not answer; meanwhile it may be started, which only its counter tells afterwards, or be replaced.
        for _ in range(round(duration_s)):
            yield Reading(self._at_us, {}, dict.fromkeys(KEYS, Flaw(Quality.BAD, "the device does not answer")))
            self._at_us += 1_000_000
        self._count = 0 if self._random.random() < 0.2 else (self._count + self._random.randrange(3)) % 65_536


def feed(count: int, seed: int = 1) -> list[tuple[str, Reading]]:
    """Return `count` readings of both motors in the order of their time."""
    streams = {each.name: _Motor(seed * 10 + place).cycles() for place, each in enumerate(STARTERS)}
    heads = {name: next(stream) for name, stream in streams.items()}
    found: list[tuple[str, Reading]] = []
    while len(found) < count:
        name = min(heads, key=lambda each: heads[each].at)
        found.append((name, heads[name]))
        heads[name] = next(streams[name])
    return found
