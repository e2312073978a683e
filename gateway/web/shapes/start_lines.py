"""The lines of the latest-start picture as quantities, over time or over the shaft's speed: recorded, usual, predicted, direct on line.

Over speed only what was measured is drawn: a recorded start without a measured speed has no line there. To take the speed from the
predicted run-up would put a start that went wrong where a usual one was, and so hide what the picture is for.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from gateway.motors.records import Curve, Start
from gateway.services.predicted_curve import Points, PredictedCurves
from gateway.web.shapes.scales import FRAME_S, nice_step
from gateway.web.shapes.start_picture import current_samples
from gateway.web.usual import FEWEST_STARTS, good_starts

GRID_S = 0.25
_SPEED_STEPS = 120
SPEED = "speed"
NOT_PREDICTED = PredictedCurves()
Samples = list[tuple[float, float | None]]
Envelope = list[tuple[float, float, float]]
"""(time [s] or speed [rpm], 10th, 90th percentile [x FLC]) of the earlier starts, in even steps."""


class Along(StrEnum):
    """What the picture's lower axis is."""

    TIME = "time"
    SPEED = "speed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Lines:
    """What is drawn: `samples` of the recorded start (None breaks the line), the band of the usual, both estimates.

    span: where the lower axis ends.
    """

    along: Along
    span: float
    samples: Samples
    envelope: Envelope
    own: Points
    direct: Points
    assumed: bool

    @property
    def unit(self) -> str:
        """Return the unit of the lower axis."""
        return "s" if self.along is Along.TIME else "rpm"

    def leaves(self, at: float, value: float, tolerance: float) -> bool:
        """Return whether a value lies above the band by more than a share of it; never where the band does not reach."""
        if len(self.envelope) < 2 or at < self.envelope[0][0]:
            return False
        step = self.envelope[1][0] - self.envelope[0][0]
        place = round((at - self.envelope[0][0]) / step)
        # Over time the last value holds on; over speed there is nothing beyond the last one.
        if place >= len(self.envelope) and self.along is Along.SPEED:
            return False
        return value > self.envelope[min(len(self.envelope) - 1, place)][2] * (1.0 + tolerance)


def has_speed(curve: Curve) -> bool:
    """Return whether the speed was read in a start at least twice."""
    return sum(1 for value in curve.columns.get(SPEED, ()) if value is not None) > 1


def lines_over_time(latest: Start, earlier: Sequence[Start], flc_a: float, predicted: PredictedCurves = NOT_PREDICTED) -> Lines:
    """Return the lines over the time from the begin; `earlier` newest first, with curves where they were kept."""
    longest = max(FRAME_S, latest.duration_s or 0.0)
    span = FRAME_S if longest <= FRAME_S else math.ceil(longest * 1.1 / 10.0) * 10.0
    return Lines(
        along=Along.TIME,
        span=span,
        samples=[] if latest.curve is None else since_begin(current_samples(latest.curve, flc_a)),
        envelope=usual_envelope(earlier, flc_a, span),
        own=predicted.own,
        direct=predicted.direct,
        assumed=bool(predicted.assumed),
    )


def lines_over_speed(latest: Start, earlier: Sequence[Start], flc_a: float, predicted: PredictedCurves = NOT_PREDICTED) -> Lines | None:
    """Return the lines over the measured speed, None where the start was recorded without it."""
    if latest.curve is None or not has_speed(latest.curve):
        return None
    samples = speed_samples(latest.curve, flc_a)
    reached = [at for at, value in samples if value is not None] + [at for at, _ in (*predicted.own_speed, *predicted.direct_speed)]
    step = nice_step(max(*reached, 1.0), 5)
    span = math.ceil(max(*reached, 1.0) / step - 1e-9) * step
    return Lines(
        along=Along.SPEED,
        span=span,
        samples=samples,
        envelope=speed_envelope(earlier, flc_a, span),
        own=predicted.own_speed,
        direct=predicted.direct_speed,
        assumed=bool(predicted.assumed),
    )


def usual_envelope(earlier: Sequence[Start], flc_a: float, to_s: float) -> Envelope:
    """Return the band of the earlier good starts over time, empty while there are fewer than five with a curve.

    Each curve is followed to its end and then held at its current at speed, since the record stops a few seconds after the start.
    """
    grid = np.arange(0.0, to_s + GRID_S / 2, GRID_S)
    rows = []
    for start in good_starts(earlier):
        if start.curve is None:
            continue
        samples = current_samples(start.curve, flc_a)
        known = [(at, value) for at, value in samples if value is not None]
        # A curve with a hole would draw the band where nothing was measured.
        if len(known) == len(samples) > 2:
            rows.append(np.interp(grid, [at for at, _ in known], [value for _, value in known]))
    return _band(grid.tolist(), rows)


def speed_envelope(earlier: Sequence[Start], flc_a: float, to_rpm: float) -> Envelope:
    """Return the band over speed, from the begin of each start until it was at speed, only where all of them have been."""
    ways = []
    for start in good_starts(earlier):
        if start.curve is None or not has_speed(start.curve):
            continue
        samples = speed_samples(start.curve, flc_a, until_s=start.duration_s)
        known = [(at, value) for at, value in samples if value is not None]
        if len(known) == len(samples) > 2:
            # A speed that trembles must not run backwards; of one speed the last current counts.
            speed = np.maximum.accumulate([at for at, _ in known])
            last = np.append(np.diff(speed) > 0.0, True)
            ways.append((speed[last], np.asarray([value for _, value in known])[last]))
    if len(ways) < FEWEST_STARTS:
        return []
    first, end = max(float(speed[0]) for speed, _ in ways), min(float(speed[-1]) for speed, _ in ways)
    grid = [to_rpm * place / _SPEED_STEPS for place in range(_SPEED_STEPS + 1)]
    shared = [at for at in grid if first <= at <= end]
    return _band(shared, [np.interp(shared, speed, value) for speed, value in ways]) if len(shared) > 1 else []


def _band(grid: Sequence[float], rows: Sequence[np.ndarray]) -> Envelope:
    if len(rows) < FEWEST_STARTS:
        return []
    low, high = np.percentile(np.vstack(rows), (10, 90), axis=0)
    return [(float(at), float(a), float(b)) for at, a, b in zip(grid, low, high, strict=True)]


def since_begin(samples: Sequence[tuple[float, float | None]]) -> Samples:
    """Return the samples from the begin on, the first one interpolated at the begin itself where both neighbours are known."""
    shown = [sample for sample in samples if sample[0] >= 0.0]
    before = next((sample for sample in reversed(samples) if sample[0] < 0.0), None)
    if before is None or before[1] is None or not shown or shown[0][1] is None or shown[0][0] == 0.0:
        return shown
    (t0, v0), (t1, v1) = (before[0], before[1]), (shown[0][0], shown[0][1])
    return [(0.0, v0 + (v1 - v0) * (0.0 - t0) / (t1 - t0)), *shown]


def speed_samples(curve: Curve, flc_a: float, *, until_s: float | None = None) -> Samples:
    """Return (speed [rpm], current [x FLC]) in the order of time, from the begin on; None where either was not read.

    >>> curve = Curve(at_s=(-0.1, 0.1, 0.2), columns={"current": (0.0, 160.0, 200.0), "speed": (0.0, 5.0, None)})
    >>> speed_samples(curve, 80.0)
    [(5.0, 2.0), (0.0, None)]
    """
    speed_at = dict(zip(curve.at_s, curve.columns.get(SPEED, ()), strict=False))
    found: Samples = []
    for at, value in current_samples(curve, flc_a):
        if at < 0.0 or (until_s is not None and at > until_s):
            continue
        speed = speed_at.get(at)
        found.append((0.0, None) if speed is None or value is None else (speed, value))
    return found
