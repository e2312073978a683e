"""A motor that nobody here has seen: its values through rest, a start and running, made from a seed without any code of the product."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field

START_AT_S = 5.0
REST_S, RUNNING_S = 2.0, 60.0


@dataclass
class Motor:
    """A motor between 2 and 400 A at usual voltages; values come with the noise of a meter."""

    rng: random.Random
    is_small: bool | None = None
    flc_a: float = field(init=False)

    def __post_init__(self) -> None:
        rng = self.rng
        low, high = (2.0, 10.0) if self.is_small else (10.0, 400.0) if self.is_small is False else (2.0, 400.0)
        self.flc_a = math.exp(rng.uniform(math.log(low), math.log(high)))
        self.voltage_v, self.frequency_hz = rng.choice(
            [(400, 50), (415, 50), (690, 50), (480, 60), (208, 60), (600, 60), (230, 50), (690, 60)]
        )
        self.poles = rng.choice([2, 4, 6])
        self.peak = rng.uniform(2.5, 7.5)
        self.start_s = rng.uniform(2.0, 16.0)
        self.load = rng.uniform(0.4, 1.0)
        self.factor = rng.uniform(0.7, 0.92)
        self.noise = rng.choice([0.0, 0.003, 0.01, 0.02])
        self.unbalance = [1 + rng.uniform(-0.03, 0.03) for _ in range(3)]
        self.start_count = rng.randint(3, 9000)
        self.running_hours = rng.uniform(20, 40_000)
        self.warm_c = rng.uniform(15, 70)
        self.ramp_s = rng.choice([5.0, 10.0, 12.0, 20.0])
        self.is_leading = rng.random() < 0.3

    def values(self, at_s: float) -> dict[str, float]:
        """Return the true values at a moment [s since the record began]."""
        since = at_s - START_AT_S
        runs, ramps = since >= 0, 0 <= since < self.start_s
        ratio = self._current_ratio(since)
        mean = ratio * self.flc_a * self._flicker(at_s, 1)
        phases = [mean * part * self._flicker(at_s, 2 + index) for index, part in enumerate(self.unbalance)]
        voltage = self.voltage_v * (1 - 0.004 * ratio) * (1 + 0.1 * (self._flicker(at_s, 9) - 1)) * 1.01
        factor = 0.0 if not runs else (0.35 if ramps else self.factor)
        speed = 0.0 if not runs else 120 * self.frequency_hz / self.poles * (min(1.0, since / self.start_s) ** 0.7 * 0.98)
        return {
            "current": mean,
            "current_l1": phases[0],
            "current_l2": phases[1],
            "current_l3": phases[2],
            "voltage": voltage,
            "power": math.sqrt(3) * voltage * mean * factor / 1000,
            "power_factor": -factor if self.is_leading else factor,
            "frequency": self.frequency_hz * (1 + 0.0005 * math.sin(at_s)),
            "speed": speed,
            "start_count": float(self.start_count + (1 if runs else 0)),
            "running_hours": self.running_hours + max(0.0, since) / 3600,
            "winding_temperature": self.warm_c + (min(max(0.0, since), 30.0) * 0.1),
            "thermal_used": 10 + (min(max(0.0, since), 20.0) * 1.2),
            "trip_code": 0.0,
            "set_flc": self.flc_a,
            "set_ramp_time": self.ramp_s,
            "ambient_temperature": -6.5 if self.is_leading else 23.5,
            "running": float(runs),
            "starting": float(ramps),
            "at_speed": float(since >= self.start_s),
            "tripped": 0.0,
        }

    def _current_ratio(self, since: float) -> float:
        if since < 0:
            return 0.0
        if since < self.start_s:
            part = since / self.start_s
            rise = min(1.0, 0.25 + since / 0.6)
            return self.peak * rise * (1 - 0.25 * part)
        fall = math.exp(-(since - self.start_s) / 0.4)
        return self.load + (0.75 * self.peak - self.load) * fall

    def _flicker(self, at_s: float, which: int) -> float:
        own = random.Random(f"{self.start_count} {which} {at_s:.4f}")
        return 1 + self.noise * own.uniform(-1, 1)
