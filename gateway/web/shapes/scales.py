"""The one place where quantities become lengths: the start frame, clock axes, nice ticks."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta

from gateway.instants import MINUTE, Instant, from_datetime
from gateway.web.plant_time import PlantTime

FRAME_RATIO = 8.0
"""Height of the frame every start is drawn in [x FLC]."""
FRAME_S = 30.0
"""Width of that frame [s]."""
TAIL_S = 4.0
"""Running current shown after a start [s]; the rest would repeat for ever."""


@dataclass(frozen=True, slots=True)
class Scale:
    """A straight scale from a quantity to a length; `clamped` keeps the length inside the picture.

    >>> Scale(0.0, 30.0, 0.0, 42.0)(15.0)
    21.0
    """

    from_value: float
    to_value: float
    from_px: float
    to_px: float

    def __call__(self, value: float) -> float:
        share = (value - self.from_value) / (self.to_value - self.from_value)
        return self.from_px + share * (self.to_px - self.from_px)

    def clamped(self, value: float) -> float:
        """Return the length for the value, held at the nearer end when it lies outside."""
        # Every point of every start goes through here, so nothing is called and nothing is sorted.
        first, last = self.from_value, self.to_value
        if first <= last:
            inside = first if value < first else last if value > last else value
        else:
            inside = last if value < last else first if value > first else value
        return self.from_px + (inside - first) / (last - first) * (self.to_px - self.from_px)


def nice_step(width: float, most_ticks: int) -> float:
    """Return a step of 1, 2 or 5 x 10^n that gives at most that many steps over the width.

    >>> nice_step(8.0, 5), nice_step(30.0, 4), nice_step(0.9, 5)
    (2.0, 10.0, 0.2)
    """
    rough = width / most_ticks
    power = 10.0 ** math.floor(math.log10(rough))
    return next(factor * power for factor in (1.0, 2.0, 5.0, 10.0) if factor * power >= rough - 1e-12)


def nice_ticks(low: float, high: float, most_ticks: int) -> list[float]:
    """Return the ticks between two values, both ends included where they fall on the step.

    >>> nice_ticks(0.0, 8.0, 4)
    [0.0, 2.0, 4.0, 6.0, 8.0]
    """
    step = nice_step(high - low, most_ticks)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [round(count * step, 10) for count in range(first, last + 1)]


_CLOCK_STEPS_MIN = (5, 10, 15, 30, 60, 120, 180, 240, 360, 720, 1440)


@dataclass(frozen=True, slots=True)
class ClockAxis:
    """A time axis in local plant time, as shares of the width in percent."""

    from_at: Instant
    to_at: Instant

    def percent(self, at: Instant) -> float:
        """Return the place of an instant, 0 to 100, held at the ends."""
        share = (at - self.from_at) / (self.to_at - self.from_at)
        return min(max(share, 0.0), 1.0) * 100.0

    def ticks(self, time: PlantTime, most_ticks: int = 5) -> list[tuple[Instant, str]]:
        """Return the ticks with their labels: full local hours and their parts, whatever the zone's offset."""
        minutes = (self.to_at - self.from_at) / MINUTE
        step_min = next((step for step in _CLOCK_STEPS_MIN if minutes / step <= most_ticks), 1440)
        local = time.local(self.from_at)
        day = local.replace(hour=0, minute=0, second=0, microsecond=0)
        behind = int((local - day).total_seconds() // 60 // step_min) * step_min
        found: list[tuple[Instant, str]] = []
        at = from_datetime(day) + behind * MINUTE
        while at <= self.to_at:
            if at >= self.from_at:
                found.append((at, time.clock(at)))
            at += step_min * MINUTE
        return found


def midnight(time: PlantTime, at: Instant, days_back: int) -> Instant:
    """Return the local midnight that began the day `days_back` days before the one of `at`."""
    day = time.local(at).replace(hour=0, minute=0, second=0, microsecond=0, tzinfo=None) - timedelta(days=days_back)
    return from_datetime(day.replace(tzinfo=time.zone))


def thinned(points: Sequence[tuple[float, float]], tolerance: float) -> list[tuple[float, float]]:
    """Return the points that are needed to keep the line within `tolerance` of the full one (Douglas and Peucker, 1973); peaks survive.

    >>> thinned([(0, 0), (1, 0), (2, 0), (3, 5), (4, 0)], 0.2)
    [(0, 0), (2, 0), (3, 5), (4, 0)]
    """
    if len(points) < 3:
        return list(points)
    keep = [False] * len(points)
    keep[0] = keep[-1] = True
    spans = [(0, len(points) - 1)]
    while spans:
        first, last = spans.pop()
        at, distance = _farthest(points, first, last)
        if distance > tolerance:
            keep[at] = True
            spans += [(first, at), (at, last)]
    return [point for point, kept in zip(points, keep, strict=True) if kept]


def _farthest(points: Sequence[tuple[float, float]], first: int, last: int) -> tuple[int, float]:
    (x0, y0), (x1, y1) = points[first], points[last]
    length = math.hypot(x1 - x0, y1 - y0)
    worst, worst_at = -1.0, first
    for at in range(first + 1, last):
        x, y = points[at]
        off = abs((x1 - x0) * (y0 - y) - (x0 - x) * (y1 - y0)) / length if length else math.hypot(x - x0, y - y0)
        if off > worst:
            worst, worst_at = off, at
    return worst_at, worst
