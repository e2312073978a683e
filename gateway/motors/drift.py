"""Drift: figures of the starts that slowly leave what they were.

Each figure has a baseline, learned from the first LEARN good starts after a break: their mean, and their standard deviation by the moving
range (a trend within them hardly widens it), no less than the share SCATTER of the mean, since two starts are never quite alike. After
that an EWMA and a CUSUM (`control_charts`) watch for a shift. A figure drifts when one of them is beyond its limit and the weighted mean
has moved by at least `least` from the baseline: a shift that is certain but small is no news. It ends when the mean is back within half of
that.

Duration, I2t and peak depend on how warm the motor and the machine are, so starts from cold (below COLD_BELOW of thermal capacity) and
from warm have baselines of their own. Current at speed, unbalance and the length of soft stops have one.

A start is taken SETTLED_S after its end, when its record can no longer change, or when the next one begins. Only starts that reached speed
with a good record count. A maintenance note or a changed setting of the device begins everything anew (`DriftBreak`).

Weights and limits: weight 0.2, factor 3, slack half and decision five standard deviations are usual choices of the e-Handbook; LEARN,
SCATTER and the least shifts are own choices.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from statistics import fmean

from gateway.instants import Instant, seconds_between
from gateway.motors.control_charts import Cusum, ewma, ewma_half_width, moving_range_deviation
from gateway.motors.drift_hints import hint_for, text_for
from gateway.motors.drift_terms import Begun, Drift, DriftBreak, Figure
from gateway.motors.facts import Starter
from gateway.motors.reading import Quality
from gateway.motors.records import Event, Outcome, Start, StartBegan, StartEnded, Stop, StopEnded, StopKind

LEARN = 15
WEIGHT = 0.2
FACTOR = 3.0
SLACK = 0.5
DECISION = 5.0
SCATTER = 0.01
COLD_BELOW = 0.2
SETTLED_S = 20.0
"""Longer than a start stays open for a second ramp, and than its curve goes on; own choice."""
MOST_BREAKS = 20
_SPLIT = frozenset({Figure.DURATION, Figure.I2T, Figure.PEAK})


@dataclass(frozen=True, slots=True)
class Measure:
    """How a figure is watched: its unit, and the least shift worth telling, as a share of the baseline or in the unit itself."""

    unit: str
    share: float = 0.0
    absolute: float = 0.0

    def least(self, mean: float) -> float:
        """Return the least shift worth telling, in the figure's unit."""
        return max(self.share * abs(mean), self.absolute)


MEASURES: dict[Figure, Measure] = {
    Figure.DURATION: Measure("s", share=0.08, absolute=0.2),
    Figure.I2T: Measure("FLC2 s", share=0.10),
    Figure.PEAK: Measure("x FLC", share=0.06),
    Figure.AT_SPEED: Measure("x FLC", share=0.06),
    Figure.UNBALANCE: Measure("%", absolute=1.0),
    Figure.STOP: Measure("s", share=0.15, absolute=0.3),
}


@dataclass(slots=True)
class Baseline:
    """One figure's baseline and where it stands: `learned` until there are LEARN values, then mean, deviation and the charts."""

    learned: list[float] = field(default_factory=list)
    mean: float | None = None
    deviation: float = 0.0
    level: float = 0.0
    sums: Cusum = field(default_factory=Cusum)
    count: int = 0
    since_at: Instant | None = None

    @property
    def half_width(self) -> float:
        """Return how far the weighted mean may lie from the baseline as of the last start: the limit of the EWMA."""
        return ewma_half_width(self.deviation, WEIGHT, FACTOR, max(0, self.count - LEARN))

    @property
    def decision(self) -> float:
        """Return the limit of both sums of the CUSUM."""
        return DECISION * self.deviation

    def take(self, value: float, at: Instant, measure: Measure) -> None:
        """Fold the figure of one more start."""
        self.count += 1
        if self.mean is None:
            self.learned.append(value)
            if len(self.learned) >= LEARN:
                self.mean = self.level = fmean(self.learned)
                self.deviation = max(moving_range_deviation(self.learned), SCATTER * abs(self.mean))
                self.learned = []
            return
        self.level = ewma(self.level, value, WEIGHT)
        self.sums = self.sums.after(value, self.mean, SLACK * self.deviation)
        shift, least = abs(self.level - self.mean), measure.least(self.mean)
        if self.since_at is None:
            beyond = shift > self.half_width or self.sums.beyond(self.decision)
            self.since_at = at if beyond and shift >= least else None
        elif shift < 0.5 * least:
            self.since_at, self.sums = None, Cusum()


@dataclass(slots=True)
class DriftWatch:
    """The baselines of one starter by figure and begin, what drifts now, and where baselines began anew."""

    baselines: dict[str, Baseline] = field(default_factory=dict)
    found: tuple[Drift, ...] = ()
    breaks: list[DriftBreak] = field(default_factory=list)
    waiting: Start | None = None

    def take(self, event: Event, starter: Starter) -> tuple[Drift, ...]:
        """Fold one event; return drifts that are new."""
        match event:
            case StartBegan():
                return self.settle(event.at, starter, at_once=True)
            case StartEnded():
                new = (
                    ()
                    if self.waiting is None or self.waiting.number == event.start.number
                    else self.settle(event.at, starter, at_once=True)
                )
                # Its curve has told all it can to the figures.
                self.waiting = replace(event.start, curve=None)
                return new
            case StopEnded():
                return self.settle(event.at, starter, at_once=True) + self._stopped(event.stop, starter)
            case _:
                return ()

    def settle(self, at: Instant, starter: Starter, *, at_once: bool = False) -> tuple[Drift, ...]:
        """Take the start that waits, if its record can no longer change at `at`; return drifts that are new."""
        start = self.waiting
        if start is None or (not at_once and seconds_between(start.ended_at, at) < SETTLED_S):
            return ()
        self.waiting = None
        values = watched_values(start, starter.motor.flc_a)
        if not values:
            return ()
        for (figure, begun), value in values.items():
            self._fold(figure, begun, value, start.began_at)
        return self._tell(starter)

    def begin_anew(self, at: Instant, reason: str) -> None:
        """Forget every baseline: after a maintenance note, or when a setting of the device has changed."""
        self.baselines, self.found, self.waiting = {}, (), None
        self.breaks = [*self.breaks, DriftBreak(at=at, reason=reason)][-MOST_BREAKS:]

    def _stopped(self, stop: Stop, starter: Starter) -> tuple[Drift, ...]:
        if stop.kind is not StopKind.SOFT_STOP:
            return ()
        self._fold(Figure.STOP, Begun.EITHER, seconds_between(stop.began_at, stop.ended_at), stop.began_at)
        return self._tell(starter)

    def _fold(self, figure: Figure, begun: Begun, value: float, at: Instant) -> None:
        self.baselines.setdefault(f"{figure}:{begun}", Baseline()).take(value, at, MEASURES[figure])

    def _tell(self, starter: Starter) -> tuple[Drift, ...]:
        moved = {}
        for figure in Figure:
            for begun in Begun:
                baseline = self.baselines.get(f"{figure}:{begun}")
                if baseline is not None and baseline.mean is not None and baseline.since_at is not None:
                    moved[figure, begun] = baseline
        directions = {figure: _rises(baseline) for (figure, _), baseline in moved.items()}
        before = {(drift.figure, drift.begun) for drift in self.found}
        self.found = tuple(
            Drift(
                figure=figure,
                begun=begun,
                baseline=baseline.mean or 0.0,
                now=baseline.level,
                unit=MEASURES[figure].unit,
                since_at=baseline.since_at or 0,
                starts=baseline.count,
                text=text_for(figure, begun, baseline.mean or 0.0, baseline.level),
                hint=hint_for(figure, directions, starter.load),
            )
            for (figure, begun), baseline in moved.items()
        )
        return tuple(drift for drift in self.found if (drift.figure, drift.begun) not in before)

    def shift(self, by_us: int) -> None:
        """Move every instant, after the wall clock was set. What was told keeps its stamps."""
        for baseline in self.baselines.values():
            baseline.since_at = None if baseline.since_at is None else baseline.since_at + by_us
        if self.waiting is not None:
            self.waiting = replace(self.waiting, began_at=self.waiting.began_at + by_us, ended_at=self.waiting.ended_at + by_us)


def watched_values(start: Start, flc_a: float) -> dict[tuple[Figure, Begun], float]:
    """Return the figures of a start that are watched, each with the baseline it belongs to; none of a start that does not count."""
    if start.outcome is not Outcome.AT_SPEED or start.quality is not Quality.GOOD:
        return {}
    begun = Begun.COLD if start.heat_before is not None and start.heat_before < COLD_BELOW else Begun.WARM
    values = {
        Figure.DURATION: start.duration_s,
        Figure.I2T: start.i2t_flc2s,
        Figure.PEAK: start.peak_ratio,
        Figure.AT_SPEED: None if start.at_speed_current_a is None else start.at_speed_current_a / flc_a,
        Figure.UNBALANCE: start.unbalance_pct,
    }
    return {(figure, begun if figure in _SPLIT else Begun.EITHER): value for figure, value in values.items() if value is not None}


def _rises(baseline: Baseline) -> bool:
    return baseline.mean is not None and baseline.level > baseline.mean
