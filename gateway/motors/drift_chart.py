"""The control charts of drift, start by start: what `drift` folds, kept as points, with the limits as they were at each start.

It is the fold of `drift` itself (`Baseline.take`) over the ledger, so a limit here is the one that the gateway held that start against. A
start within SETTLED_S before a break counts for neither side, as there.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from gateway.instants import SECOND, Instant
from gateway.motors.drift import MEASURES, SETTLED_S, Baseline, watched_values
from gateway.motors.drift_terms import Begun, DriftBreak, Figure
from gateway.motors.records import Start


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartPoint:
    """One start on one chart, in the unit of the figure.

    mean, level, limits, sums and decision are None while the baseline is still being learned; the value then is one it is learned from.
    level: the weighted mean (EWMA) after this start; low_limit, high_limit: where it may lie. high_sum, low_sum: the CUSUM; decision: its
    limit. drifts: a shift worth telling stands after this start. part: how many breaks lie before it.
    """

    number: int
    at: Instant
    value: float
    part: int
    mean: float | None = None
    level: float | None = None
    low_limit: float | None = None
    high_limit: float | None = None
    high_sum: float | None = None
    low_sum: float | None = None
    decision: float | None = None
    drifts: bool = False


@dataclass(slots=True, kw_only=True)
class DriftChart:
    """One figure of the starts from cold, from warm, or of all: its points in the order of time."""

    figure: Figure
    begun: Begun
    unit: str
    points: list[ChartPoint] = field(default_factory=list)
    baseline: Baseline = field(default_factory=Baseline)

    @property
    def latest(self) -> ChartPoint:
        """Return the last point."""
        return self.points[-1]

    @property
    def stands(self) -> ChartPoint | None:
        """Return the last point with a baseline that still holds, None while one is being learned."""
        return self.latest if self.baseline.mean is not None else None

    @property
    def least(self) -> float | None:
        """Return the least shift that is told, None while there is no baseline."""
        mean = self.baseline.mean
        return None if mean is None else MEASURES[self.figure].least(mean)


def drift_charts(starts: Iterable[Start], breaks: Sequence[DriftBreak], flc_a: float) -> list[DriftChart]:
    """Return a chart for every figure that the starts tell, in the order of the figures; `starts` and `breaks` oldest first.

    >>> from gateway.motors.records import Outcome
    >>> starts = [Start(number=n, began_at=n * 60 * SECOND, ended_at=n * 60 * SECOND + 12 * SECOND, outcome=Outcome.AT_SPEED,
    ...                 duration_s=12.0 if n < 16 else 14.0) for n in range(1, 31)]
    >>> chart, = drift_charts(starts, [], 80.0)
    >>> [point.mean for point in chart.points[13:16]], round(chart.points[15].level, 2), round(chart.points[15].high_limit, 3)
    ([None, 12.0, 12.0], 12.4, 12.072)
    >>> chart.points[15].drifts, chart.points[-1].drifts
    (False, True)
    """
    charts: dict[tuple[Figure, Begun], DriftChart] = {}
    part = 0
    for start in starts:
        while part < len(breaks) and start.began_at >= breaks[part].at:
            part += 1
            for chart in charts.values():
                chart.baseline = Baseline()
        settled_at = start.ended_at + round(SETTLED_S * SECOND)
        if part < len(breaks) and breaks[part].at < settled_at:
            continue
        for (figure, begun), value in watched_values(start, flc_a).items():
            chart = charts.setdefault((figure, begun), DriftChart(figure=figure, begun=begun, unit=MEASURES[figure].unit))
            chart.baseline.take(value, start.began_at, MEASURES[figure])
            chart.points.append(_point(start, value, part, chart.baseline))
    if part < len(breaks):
        for chart in charts.values():
            chart.baseline = Baseline()
    order = [(figure, begun) for figure in Figure for begun in Begun]
    return [charts[key] for key in order if key in charts]


def _point(start: Start, value: float, part: int, baseline: Baseline) -> ChartPoint:
    if baseline.mean is None:
        return ChartPoint(number=start.number, at=start.began_at, value=value, part=part)
    return ChartPoint(
        number=start.number,
        at=start.began_at,
        value=value,
        part=part,
        mean=baseline.mean,
        level=baseline.level,
        low_limit=baseline.mean - baseline.half_width,
        high_limit=baseline.mean + baseline.half_width,
        high_sum=baseline.sums.high,
        low_sum=baseline.sums.low,
        decision=baseline.decision,
        drifts=baseline.since_at is not None,
    )
