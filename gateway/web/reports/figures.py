"""The figures of a motor's starts in a period: middle, spread and extreme with their error bands, and what changed from before. Pure.

Percentiles and the count of starts that tells a change are proposals of this project, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from gateway.motors.facts import Starter
from gateway.motors.records import Outcome, Start
from gateway.web.usual import Band, Usual, good_starts

FEWEST_TO_CHANGE = 8
"""Good starts in the period below which no change is told: of so few half may lie outside the band by chance."""
CHANGE_TOLERANCE = 0.03
"""Share of the band's edge that the middle must lie beyond it: a narrow band is left by next to nothing."""
Value = Callable[[Start], float | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One figure over the starts of the period. error: the largest half width among them, None where there is none.

    kind: `measured` or `worked out`. usual: the band before the period, None while too few starts tell it.
    """

    name: str
    unit: str
    decimals: int
    kind: str
    source: str
    count: int
    low: float | None = None
    median: float | None = None
    high: float | None = None
    largest: float | None = None
    largest_number: int | None = None
    error: float | None = None
    usual: Band | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A figure whose middle has left the usual band of the starts before the period."""

    name: str
    unit: str
    decimals: int
    median: float
    error: float
    usual: Band

    @property
    def share(self) -> float:
        """Return the change from the middle of the band, of 1."""
        middle = (self.usual.low + self.usual.high) / 2.0
        return self.median / middle - 1.0 if middle else 0.0


def figures_of(starter: Starter, starts: Sequence[Start], usual: Usual) -> tuple[Figure, ...]:
    """Return the figures of the starts that were seen; those cut off, stalled or tripped count in the largest, not in the middle."""
    flc_a = starter.motor.flc_a
    duration = i2t = "± poll interval"
    peak, speed, heat = "largest sample", "just after the start", "model of heat"
    return (
        _figure("duration", "s", 1, "measured", duration, starts, lambda s: s.duration_s, usual.duration_s, lambda s: s.duration_error_s),
        _figure("peak current", "× FLC", 2, "measured", peak, starts, lambda s: s.peak_ratio, usual.peak_ratio),
        _figure("I²t", "FLC² s", 0, "worked out", i2t, starts, lambda s: s.i2t_flc2s, usual.i2t_flc2s, _i2t_error),
        _figure(
            "current at speed", "× FLC", 2, "measured", speed, starts, lambda s: _over(s.at_speed_current_a, flc_a), usual.at_speed_ratio
        ),
        _figure("heat after a start", "%", 0, "worked out", heat, starts, lambda s: _percent(s.heat_after), None),
    )


def changes_of(figures: Sequence[Figure]) -> tuple[Change, ...]:
    """Return the figures whose middle lies outside the band by more than its error and the tolerance."""
    found = []
    for figure in figures:
        if figure.usual is None or figure.median is None or figure.count < FEWEST_TO_CHANGE:
            continue
        error = figure.error or 0.0
        above = figure.median - error > figure.usual.high * (1.0 + CHANGE_TOLERANCE)
        if above or figure.median + error < figure.usual.low * (1.0 - CHANGE_TOLERANCE):
            found.append(
                Change(name=figure.name, unit=figure.unit, decimals=figure.decimals, median=figure.median, error=error, usual=figure.usual)
            )
    return tuple(found)


def _figure(
    name: str, unit: str, decimals: int, kind: str, source: str, starts: Sequence[Start], value: Value, usual: Band | None,
    error: Value | None = None,
) -> Figure:  # fmt: skip
    good = [found for start in good_starts(starts) if (found := value(start)) is not None]
    seen = [(found, start.number) for start in starts if start.outcome is not Outcome.UNSEEN and (found := value(start)) is not None]
    errors = [found for start in starts if error is not None and (found := error(start)) is not None]
    low, median, high = (float(part) for part in np.percentile(np.asarray(good), (10, 50, 90))) if good else (None, None, None)
    largest, number = max(seen, key=lambda pair: (pair[0], -pair[1])) if seen else (None, None)
    return Figure(
        name=name,
        unit=unit,
        decimals=decimals,
        kind=kind,
        source=source,
        count=len(good),
        low=low,
        median=median,
        high=high,
        largest=largest,
        largest_number=number,
        error=max(errors) if errors else None,
        usual=usual,
    )


def _i2t_error(start: Start) -> float | None:
    return None if start.i2t_flc2s is None or start.i2t_error_pct is None else start.i2t_flc2s * start.i2t_error_pct / 100.0


def _over(value: float | None, base: float) -> float | None:
    return None if value is None else value / base


def _percent(share: float | None) -> float | None:
    return None if share is None else share * 100.0
