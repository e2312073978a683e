"""A day of one motor with everything that a map can have: three currents, voltage, command, temperatures, settings, a counter; starts that
reach speed, are cut off, trip, lose a phase, are not seen; soft stops, gaps, changed settings. The same for the same seed."""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from types import MappingProxyType

from gateway.motors.facts import LimitSettings, LoadData, LoadKind, MotorData, SignalFacts, Starter, StarterData
from gateway.motors.reading import Flaw, Quality, Reading, Scalar

T0 = 1_790_000_000_000_000
FLC_A = 80.0
KEYS = ("current_l1", "current_l2", "current_l3", "voltage", "command", "running", "starting", "at_speed", "stopping", "tripped")
SLOW = ("winding_temperature", "ambient_temperature", "set_ramp_time", "set_current_limit")
_OFF = {"running": False, "starting": False, "at_speed": False, "stopping": False, "tripped": False}

PUMP = Starter(
    name="P-7",
    motor=MotorData(
        rated_power_kw=45, rated_voltage_v=400, flc_a=FLC_A, locked_rotor_ratio=7.0, cold_stall_s=20, hot_stall_s=14, starts_per_hour=9.0
    ),
    load=LoadData(kind=LoadKind.PUMP),
    device=StarterData(current_limit_ratio=3.5, rating="84 A: AC-53b: 3.5-15: 345"),
    limits=LimitSettings(starts_per_hour=6, off_time_s=60.0, cold_hot=True),
    signals=SignalFacts(
        keys=frozenset((*KEYS, *SLOW, "start_count", "trip_code")),
        start_count_wraps_at=65536,
        texts=MappingProxyType({"trip_code": MappingProxyType({0: "none", 4: "phase loss", 7: "overload"})}),
    ),
)


class Day:
    """The motor and its device; `readings` gives one reading after another for ever."""

    def __init__(self, seed: int) -> None:
        self._draw = random.Random(seed)
        self._at_us = T0
        self._count = 65_530
        self._settings = {"set_ramp_time": 10.0, "set_current_limit": 350}
        self._trip_code = 0
        self._number = 0
        self._read = 0

    def readings(self) -> Iterator[Reading]:
        while True:
            yield from self._standing()
            self._number += 1
            if self._draw.random() < 0.1:
                yield from self._unseen()
                continue
            yield from self._starting()

    def _standing(self) -> Iterator[Reading]:
        draw = self._draw
        if draw.random() < 0.1:
            self._settings["set_ramp_time"] = draw.choice([8.0, 10.0, 12.0])
        yield from self._steady(draw.uniform(30, 200), 1.0, 0.0, {})
        if draw.random() < 0.15:
            yield from self._blind(draw.uniform(3, 20))
        yield from self._steady(draw.uniform(0.2, 2.0), 0.5, 0.0, {"command": True})

    def _unseen(self) -> Iterator[Reading]:
        self._at_us += round(self._draw.uniform(20, 300) * 1e6)
        self._count = (self._count + 1) % 65_536
        yield from self._steady(20.0, 1.0, 0.0, {})

    def _starting(self) -> Iterator[Reading]:
        draw, on = self._draw, {"running": True, "command": True}
        self._count = (self._count + 1) % 65_536
        # Starts grow longer through the day.
        long_s = (4.0 + 0.03 * self._number) * draw.uniform(0.99, 1.01)
        lost = draw.choice([None] * 12 + [0, 1, 2])
        yield from self._steady(long_s if lost is None else 1.5, 0.1, 3.5, on | {"starting": True})
        if lost is not None:
            yield from self._steady(draw.uniform(0.2, 2.0), 0.1, 5.0, on | {"starting": True}, lost)
            self._trip_code = 4
            yield from self._steady(draw.uniform(10, 40), 1.0, 0.0, {"tripped": True})
            self._trip_code = 0
            return
        if draw.random() < 0.1:
            return  # cut off
        yield from self._falling(0.7, on)
        yield from self._steady(6.0, 0.1, 0.85, on | {"at_speed": True})
        yield from self._steady(draw.uniform(60, 600), 1.0, 0.85, on | {"at_speed": True}, draw.choice([None] * 20 + [1]))
        if draw.random() < 0.6:
            yield from self._steady(draw.uniform(6, 9), 0.2, 1.3, {"running": True, "stopping": True})

    def _falling(self, duration_s: float, flags: dict[str, bool]) -> Iterator[Reading]:
        steps = round(duration_s / 0.1)
        for step in range(steps):
            yield self._reading(3.5 + (0.85 - 3.5) * (step + 1) / steps, flags | {"starting": True}, 0.1)

    def _steady(
        self, duration_s: float, interval_s: float, level: float, flags: dict[str, bool], lost: int | None = None
    ) -> Iterator[Reading]:
        for _ in range(max(1, round(duration_s / interval_s))):
            yield self._reading(level, flags, interval_s, lost)

    def _reading(self, level: float, flags: dict[str, bool], interval_s: float, lost: int | None = None) -> Reading:
        draw = self._draw
        values: dict[str, Scalar] = {"voltage": round(400.0 - 3.0 * level + draw.gauss(0, 0.5), 1), "command": False, **_OFF, **flags}
        for place in range(3):
            amperes = 0.0 if level == 0.0 or place == lost else FLC_A * level * (1.0 + 0.01 * (place - 1)) + draw.gauss(0, 0.4)
            values[f"current_l{place + 1}"] = round(amperes, 2)
        values |= {"start_count": self._count, "trip_code": self._trip_code}
        self._read += 1
        if self._read % 17 == 0:
            values |= self._settings
            values |= {"winding_temperature": round(60.0 + 30.0 * math.sin(self._read / 900.0), 1), "ambient_temperature": 43.0}
        reading = Reading(self._at_us, values)
        self._at_us += round(interval_s * 1e6) + draw.randrange(-800, 800)
        return reading

    def _blind(self, duration_s: float) -> Iterator[Reading]:
        for _ in range(round(duration_s)):
            yield Reading(self._at_us, {}, dict.fromkeys(KEYS, Flaw(Quality.BAD, "the device does not answer")))
            self._at_us += 1_000_000


def long_day(count: int, seed: int) -> list[Reading]:
    """Return the first readings of a day."""
    stream = Day(seed).readings()
    return [next(stream) for _ in range(count)]
