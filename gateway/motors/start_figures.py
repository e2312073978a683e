"""Figures of one start from its samples, each with the error that polling causes.

Begin. Where the device stamps the instant of the change itself, that is the begin; else halfway between the last reading that was off and
the first that was on, which has no bias, within half that interval.
End. The last downward crossing of HIGH, by a straight line between the two samples; else the instant at which a bit or steadiness told
it.
I2t. Trapezoid of I^2 (not of I) from the begin, with I = 0 at the last reading that was off, to the end.

Error band of I2t. A sudden change of current by a step lies anywhere between two samples: the trapezoid is wrong by at most half the
interval times the step of I^2. Of each change from sample to sample, the part that the changes on both sides do not explain is taken as
such a step; the parts are added, not squared, so that the band holds for every start and not for most. A device that renews its values
every `update_time_s` adds half of that to each interval. Where data say that a short surge exists (kick start, change-over of a
star-delta) and none was sampled, its largest size is added. The rule for one step, Tp = 2 x error x I2t / step^2, is its special case.

Valid for true r.m.s. currents whose measuring window is short against the start; starts shorter than two poll periods have bands near 100
%.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import fmean, median

from gateway.instants import Instant, after, seconds_between
from gateway.motors.facts import Method, Starter
from gateway.motors.reading import Scalar
from gateway.motors.records import Curve, EquivalentRating
from gateway.motors.signs import PHASES

SURGE_RATIO = 6.0
"""Change-over surge of a star-delta start [x FLC] where the locked-rotor ratio is not known; common practice, no source."""
WINDOW_S = 0.02
"""A true r.m.s. value looks back over one mains cycle at least."""
FEW = 3
"""With fewer samples within a start the current may have been anything up to locked rotor between them."""
STAR_FACTOR = 3.0
"""Winding over line I^2 in star, on the base of the delta line current: sqrt(3)^2."""
MOST_ERROR_PCT = 999.0
SETTLED_AFTER_S = 1.0
"""The current at speed is taken from so long after the end on; own choice."""


@dataclass(frozen=True, slots=True)
class Sample:
    """One reading within a start: line current [A], None where it was not known, and all values."""

    at: Instant
    current_a: float | None
    values: Mapping[str, Scalar]


@dataclass(frozen=True, slots=True)
class Edge:
    """An instant with the half width of the band in which it lies [s]. exact: the device stamped it itself."""

    at: Instant
    error_s: float
    exact: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """What the samples of one start say; the fields are those of `records.Start`."""

    duration_s: float
    duration_error_s: float
    peak_current_a: float
    peak_ratio: float
    steady_peak_current_a: float
    i2t_a2s: float
    i2t_flc2s: float
    winding_i2t_flc2s: float
    i2t_error_pct: float
    mean_current_a: float
    equivalent_rating: EquivalentRating | None
    unbalance_pct: float | None


def begin_edge(off_at: Instant, on_at: Instant, exact: bool, update_time_s: float) -> Edge:
    """Return the begin of a start between the last reading that was off and the first that was on.

    exact: the device stamped the first reading that was on. It may have looked as much as `update_time_s` after the change, not more.

    >>> begin_edge(1_000_000, 1_100_000, False, 0.0), begin_edge(1_000_000, 1_100_000, True, 0.02)
    (Edge(at=1050000, error_s=0.06..., exact=False), Edge(at=1090000, error_s=0.02, exact=True))
    """
    if exact:
        late_s = min(update_time_s, seconds_between(off_at, on_at))
        return Edge(after(on_at, -0.5 * late_s), 0.5 * (late_s + WINDOW_S), exact=True)
    return Edge((off_at + on_at) // 2, 0.5 * (seconds_between(off_at, on_at) + WINDOW_S + update_time_s))


def end_crossing(samples: Sequence[Sample], high_a: float, update_time_s: float = 0.0) -> Edge | None:
    """Return the last downward crossing of `high_a`, by a straight line between the samples on its two sides; None when there is none.

    The true one lies anywhere between the two: the error is the longer of the two parts.

    >>> edge = end_crossing([Sample(0, 500.0, {}), Sample(100_000, 200.0, {}), Sample(200_000, 75.0, {})], 100.0)
    >>> edge.at, round(edge.error_s, 3)
    (180000, 0.09)
    """
    known = [(sample.at, sample.current_a) for sample in samples if sample.current_a is not None]
    for (at, above), (next_at, below) in reversed(list(pairwise(known))):
        if above > high_a >= below:
            width_s = seconds_between(at, next_at)
            part = (above - high_a) / (above - below)
            return Edge(after(at, part * width_s), max(part, 1.0 - part) * width_s + 0.5 * (WINDOW_S + update_time_s))
    return None


def figures(samples: Sequence[Sample], began: Edge, ended: Edge, starter: Starter, changeover_at: Instant | None = None) -> Figures | None:
    """Return the figures of a start, None when no current was sampled in it.

    samples: in time order, the first one the last reading that was off, at least one after the end where there is one.
    changeover_at: end of the star or tap phase, for methods that switch over; None takes the whole start as such, the pessimistic side.

    >>> from gateway.motors.facts import MotorData
    >>> samples = [Sample(0, 0.0, {})] + [Sample(100_000 * i, 560.0, {}) for i in range(1, 21)] + [Sample(2_100_000, 70.0, {})]
    >>> edges = begin_edge(0, 100_000, False, 0.0), Edge(2_050_000, 0.05)
    >>> start = figures(samples, *edges, Starter(name="P-1", motor=MotorData(rated_power_kw=45, rated_voltage_v=400, flc_a=80)))
    >>> start.duration_s, start.peak_ratio, round(start.i2t_flc2s, 2), round(start.i2t_error_pct, 1)
    (2.0, 7.0, 97.16, 5.5)
    """
    flc_a = starter.motor.flc_a
    points = _course(samples, began, ended)
    within = [sample.current_a for sample in samples if sample.current_a is not None and began.at <= sample.at <= ended.at]
    if len(points) < 2 or not within:
        return None
    duration_s = max(0.0, seconds_between(began.at, ended.at))
    i2t_a2s = _integral(points)
    peak_a = max(within)
    i2t_flc2s = i2t_a2s / flc_a**2
    error_flc2s = _step_error(samples, began, ended, starter.signals.update_time_s) / flc_a**2 + _hidden_error(
        samples, began, ended, starter
    )
    amperes = [(at, math.sqrt(square)) for at, square in points]
    return Figures(
        duration_s=duration_s,
        duration_error_s=began.error_s + ended.error_s,
        peak_current_a=peak_a,
        peak_ratio=peak_a / flc_a,
        steady_peak_current_a=_steady_peak(within),
        i2t_a2s=i2t_a2s,
        i2t_flc2s=i2t_flc2s,
        winding_i2t_flc2s=_winding(points, starter, changeover_at) / flc_a**2,
        i2t_error_pct=min(MOST_ERROR_PCT, 100.0 * error_flc2s / i2t_flc2s) if i2t_flc2s > 0.0 else MOST_ERROR_PCT,
        mean_current_a=_integral(amperes) / duration_s if duration_s > 0.0 else peak_a,
        equivalent_rating=equivalent_rating(i2t_flc2s, peak_a / flc_a, starter.device.current_limit_ratio),
        unbalance_pct=unbalance_pct([sample for sample in samples if began.at <= sample.at <= ended.at]),
    )


def equivalent_rating(i2t_flc2s: float, peak_ratio: float, limit_ratio: float | None) -> EquivalentRating | None:
    """Return a start as X-Tx: X is the set current limit where the peak is within 10 % of it, else the peak; Tx = I2t / X^2.

    >>> rating = equivalent_rating(100.9, 3.53, 3.5)   # 45 kW fan by soft starter, computed
    >>> rating.x, round(rating.t_s, 2)
    (3.5, 8.24)
    """
    at_limit = limit_ratio is not None and abs(peak_ratio - limit_ratio) <= 0.1 * limit_ratio
    x = limit_ratio if at_limit and limit_ratio is not None else peak_ratio
    return EquivalentRating(x=x, t_s=i2t_flc2s / x**2) if x > 0.0 else None


def unbalance_pct(samples: Sequence[Sample]) -> float | None:
    """Return the current unbalance of a start [%]: largest deviation of a phase from the mean of the three, of the mean.

    NEMA MG 1, 14.36, defines it so for voltages; used for currents here (from memory - confirm). None without all three phases.

    >>> unbalance_pct([Sample(0, None, {"current_l1": 94.0, "current_l2": 100.0, "current_l3": 106.0})])
    6.0
    """
    phases: list[list[float]] = [[], [], []]
    for sample in samples:
        row = [sample.values.get(key) for key in PHASES]
        if all(isinstance(value, int | float) for value in row):
            for column, value in zip(phases, row, strict=True):
                column.append(float(value or 0.0))
    if not phases[0]:
        return None
    means = [fmean(column) for column in phases]
    mean = fmean(means)
    return 100.0 * max(abs(value - mean) for value in means) / mean if mean > 0.0 else None


def at_speed_current_a(samples: Sequence[Sample], ended_at: Instant, off_a: float) -> float | None:
    """Return the mean current at speed [A]: from `SETTLED_AFTER_S` after the end on, earlier samples where there are no later ones.

    off_a: the motor is off below this current [A]. A motor that is stopped within these seconds counts up to its stop only.

    >>> at_speed_current_a([Sample(2_000_000, 64.0, {}), Sample(3_000_000, 0.0, {})], 0, 6.4)
    64.0
    """
    later = itertools.takewhile(lambda sample: _is_on(sample, off_a), (sample for sample in samples if sample.at > ended_at))
    known = [(seconds_between(ended_at, sample.at), sample.current_a) for sample in later if sample.current_a is not None]
    settled = [current_a for at_s, current_a in known if at_s >= SETTLED_AFTER_S]
    chosen = settled or [current_a for _, current_a in known]
    return fmean(chosen) if chosen else None


def _is_on(sample: Sample, off_a: float) -> bool:
    values = sample.values
    if values.get("running") is False or values.get("stopping") or values.get("tripped"):
        return False
    return sample.current_a is None or sample.current_a >= off_a


def curve_of(samples: Sequence[Sample], began_at: Instant) -> Curve:
    """Return the curve of a start: numbers and bits of every key, None for no value.

    >>> curve_of([Sample(900_000, 0.0, {"current": 0.0}), Sample(1_100_000, 3.0, {"current": 3.0})], 1_000_000).at_s
    (-0.1, 0.1)
    """
    keys = sorted({key for sample in samples for key, value in sample.values.items() if not isinstance(value, str)})
    columns = {key: tuple(_number(sample.values.get(key)) for sample in samples) for key in keys}
    return Curve(at_s=tuple(seconds_between(began_at, sample.at) for sample in samples), columns=columns)


def _number(value: Scalar | None) -> float | None:
    return None if value is None or isinstance(value, str) else float(value)


Points = list[tuple[Instant, float]]


def _course(samples: Sequence[Sample], began: Edge, ended: Edge) -> Points:
    """Return (instant, I^2) from the begin to the end, both ends interpolated."""
    known = [(sample.at, sample.current_a**2) for sample in samples if sample.current_a is not None]
    inside = [point for point in known if began.at < point[0] <= ended.at]
    if not inside:
        return []
    points: Points = []
    before = [point for point in known if point[0] <= began.at]
    if before and not began.exact:
        points.append((before[-1][0], 0.0))  # begin unknown: a straight line of I^2 from the last reading that was off
    else:
        points.append((began.at, inside[0][1]))  # begin known: the first sample held back to it
    points += inside
    beyond = next((point for point in known if point[0] > ended.at), None)
    if beyond is not None and ended.at > inside[-1][0]:
        part = (ended.at - inside[-1][0]) / (beyond[0] - inside[-1][0])
        amperes = math.sqrt(inside[-1][1]) + part * (math.sqrt(beyond[1]) - math.sqrt(inside[-1][1]))
        # Switched off between the two: the current stood until then.
        points.append((ended.at, inside[-1][1] if beyond[1] < 0.01 * inside[-1][1] else amperes**2))
    return points


def _integral(points: Points) -> float:
    return sum(0.5 * (left + right) * seconds_between(at, next_at) for (at, left), (next_at, right) in pairwise(points))


def _winding(points: Points, starter: Starter, changeover_at: Instant | None) -> float:
    device = starter.device
    factor = STAR_FACTOR if device.method is Method.STAR_DELTA else 1.0
    if device.method is Method.AUTOTRANSFORMER and device.tap_ratio:
        factor = 1.0 / device.tap_ratio**2
    if factor == 1.0:
        return _integral(points)
    if changeover_at is None:
        return factor * _integral(points)
    first = [point for point in points if point[0] <= changeover_at]
    return _integral(points) + (factor - 1.0) * _integral(first)


def _steady_peak(currents: Sequence[float]) -> float:
    if len(currents) < 3:
        return max(currents)
    return max(median(currents[index : index + 3]) for index in range(len(currents) - 2))


def _step_error(samples: Sequence[Sample], began: Edge, ended: Edge, update_time_s: float) -> float:
    """Return the largest error of I2t that unseen instants of sudden changes cause [A^2 s]."""
    known = [(sample.at, sample.current_a**2) for sample in samples if sample.current_a is not None]
    first = next((index for index, point in enumerate(known) if point[0] > began.at), len(known))
    last = next((index for index, point in enumerate(known) if point[0] >= ended.at), len(known) - 1)
    slopes = [(right - left) / seconds_between(at, next_at) for (at, left), (next_at, right) in pairwise(known)]
    # The step of switching on lies anywhere in the band of the begin.
    error = began.error_s * known[first][1] if first < len(known) else 0.0
    for index in range(first + 1, last + 1):
        width_s = seconds_between(known[index - 1][0], known[index][0])
        here = slopes[index - 1]
        left = slopes[index - 2] if index > first + 1 else 0.0
        right = slopes[index] if index < len(slopes) else 0.0
        explained = min(max(0.0, math.copysign(1.0, here) * left), max(0.0, math.copysign(1.0, here) * right))
        error += 0.5 * (width_s + update_time_s) * width_s * max(0.0, abs(here) - explained)
    return error


def _hidden_error(samples: Sequence[Sample], began: Edge, ended: Edge, starter: Starter) -> float:
    """Return what surges that fell between two samples can have added [FLC^2 s]."""
    device, motor = starter.device, starter.motor
    inside = [(sample.at, sample.current_a) for sample in samples if sample.current_a is not None and began.at < sample.at <= ended.at]
    surge = (motor.locked_rotor_ratio or SURGE_RATIO) ** 2
    highest = max((current_a for _, current_a in inside), default=0.0) / motor.flc_a
    widest_s = max((seconds_between(left, right) for (left, _), (right, _) in pairwise(inside)), default=began.error_s + ended.error_s)
    error = 0.0
    if len(inside) < FEW:
        error += widest_s * max(0.0, surge - highest**2)
    if device.kick_time_s and device.kick_voltage_ratio:
        kick_until = after(began.at, 2.0 * device.kick_time_s)
        kicked = max((current_a for at, current_a in inside if at <= kick_until), default=0.0) / motor.flc_a
        if kicked < 0.8 * device.kick_voltage_ratio * math.sqrt(surge):
            error += surge * device.kick_voltage_ratio**2 * device.kick_time_s
    if device.method is Method.STAR_DELTA:
        rise_a = max((right - left for (_, left), (_, right) in pairwise(inside)), default=0.0)
        if rise_a < 0.5 * motor.flc_a:
            error += 0.5 * widest_s * surge
    return error
