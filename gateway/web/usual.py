"""The band of the usual: 10th to 90th percentile of a motor's last good starts, and what lies beyond it.

The percentiles, the count of 30 and the tolerance are proposals of this project, no source. The tolerance keeps one start in ten from
being coloured although nothing is wrong with it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from gateway.motors.reading import Quality
from gateway.motors.records import Outcome, Start

USUAL_STARTS = 30
FEWEST_STARTS = 5
TOLERANCE = 0.15
"""Share of the upper edge that a figure may lie above it and still be as usual; the figure's own error band comes on top."""


@dataclass(frozen=True, slots=True)
class Band:
    """Lower and upper edge of what is usual, in the unit of the figure."""

    low: float
    high: float

    def beyond(self, value: float, error: float = 0.0) -> bool:
        """Return whether a value with this half width of error lies clearly above the band.

        >>> Band(11.2, 12.6).beyond(19.6), Band(11.2, 12.6).beyond(13.0)
        (True, False)
        """
        return value - error > self.high * (1.0 + TOLERANCE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Usual:
    """What is usual for one motor; a band is None while there are fewer than five good starts to tell it from."""

    count: int
    duration_s: Band | None = None
    peak_ratio: Band | None = None
    i2t_flc2s: Band | None = None
    at_speed_ratio: Band | None = None


NOTHING_USUAL = Usual(count=0)


def good_starts(starts: Sequence[Start]) -> list[Start]:
    """Return the starts that reached speed and were measured well."""
    return [
        start for start in starts if start.outcome is Outcome.AT_SPEED and start.quality is Quality.GOOD and start.duration_s is not None
    ]


def _band(values: list[float]) -> Band | None:
    if len(values) < FEWEST_STARTS:
        return None
    low, high = np.percentile(np.asarray(values), (10, 90))
    return Band(float(low), float(high))


def usual_before(starts: Sequence[Start], number: int | None, flc_a: float) -> Usual:
    """Return what was usual before the start of that number (None: over all). `starts` in any order; the start itself never counts."""
    earlier = sorted((s for s in good_starts(starts) if number is None or s.number < number), key=lambda s: -s.number)[:USUAL_STARTS]

    def band(figure: Callable[[Start], float | None]) -> Band | None:
        return _band([value for start in earlier if (value := figure(start)) is not None])

    return Usual(
        count=len(earlier),
        duration_s=band(lambda s: s.duration_s),
        peak_ratio=band(lambda s: s.peak_ratio),
        i2t_flc2s=band(lambda s: s.i2t_flc2s),
        at_speed_ratio=band(lambda s: None if s.at_speed_current_a is None else s.at_speed_current_a / flc_a),
    )


def beyond_duration(start: Start, usual: Usual) -> bool:
    """Return whether the start took clearly longer than usual."""
    if usual.duration_s is None or start.duration_s is None:
        return False
    return usual.duration_s.beyond(start.duration_s, start.duration_error_s or 0.0)


def beyond_peak(start: Start, usual: Usual) -> bool:
    """Return whether the peak was clearly higher than usual."""
    return usual.peak_ratio is not None and start.peak_ratio is not None and usual.peak_ratio.beyond(start.peak_ratio)


def broken(start: Start) -> bool:
    """Return whether the start ended in a stall or a trip."""
    return start.outcome in (Outcome.STALLED, Outcome.TRIPPED)


def abnormal(start: Start, usual: Usual) -> bool:
    """Return whether the start's picture carries colour."""
    return broken(start) or beyond_duration(start, usual) or beyond_peak(start, usual)
