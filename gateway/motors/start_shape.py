"""The shape of a start's current, and how far its true peak may lie above the largest sample.

Shape. Of the samples from begin to end: the current at the begin, the times from the begin to 90 % of the steady peak, within 5 % of it,
and from the last time at 90 % to the end. The word for it, in this order (own choices):
    steps     the current fell by a quarter or more below what it had reached and rose by as much again before it fell for good
    step      90 % of the peak within a tenth of the start, and not held for half of it
    plateau   within 5 % of the peak for half of the start
    ramp      everything else

Peak. Samples miss what lies between them. Where the current jumped up between two samples it may have done so at once after the first:
what it was then follows from its fall after the second, drawn back over the time between; where it jumped down, from its rise before the
first, drawn on. Where it did not jump it stayed below both lines. A surge that data say exists (kick start, change-over) and that no
sample shows is taken at its largest. The
band is one-sided, since a sample is never above the true r.m.s. current but for noise, which `steady_peak_current_a` is free of.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from statistics import median

from gateway.instants import Instant, after, seconds_between
from gateway.motors.facts import Method, Starter
from gateway.motors.start_figures import FEW, SURGE_RATIO, Edge, Sample
from gateway.motors.start_terms import RampForm, RampShape

NEAR_PEAK = 0.9
ON_PEAK = 0.05
FALL_AND_RISE = 0.25
MOST_ERROR_PCT = 999.0
JUMP = 0.2
"""A change by this share that the changes on both sides do not explain is taken for a jump; own choice."""
SURGE_FALL = 2.0
"""A change-over surge falls faster at first than after the first sample: its fall counts double; own choice, held against true curves."""

Points = list[tuple[Instant, float]]


def _known(samples: Sequence[Sample], from_at: Instant, to_at: Instant) -> Points:
    return [(sample.at, sample.current_a) for sample in samples if sample.current_a is not None and from_at < sample.at <= to_at]


def ramp_shape(samples: Sequence[Sample], began: Edge, ended: Edge, flc_a: float) -> RampShape | None:
    """Return the shape of a start, None for fewer than five samples.

    >>> samples = [Sample(100_000 * i, 80.0 * min(3.5, 1.0 + 0.1 * i), {}) for i in range(1, 81)]
    >>> shape = ramp_shape(samples, Edge(0, 0.05), Edge(8_000_000, 0.05), 80.0)
    >>> shape.form.value, round(shape.initial_ratio, 2), round(shape.rise_s, 2), round(shape.plateau_s, 2), shape.fall_s
    ('plateau', 1.2, 2.2, 5.6, 0.0)
    """
    points = _known(samples, began.at, ended.at)
    if len(points) < 5:
        return None
    smooth = [median(current_a for _, current_a in points[max(0, place - 1) : place + 2]) for place in range(len(points))]
    peak_a, duration_s = max(smooth), seconds_between(began.at, ended.at)
    if peak_a <= 0.0 or duration_s <= 0.0:
        return None
    high = [at for (at, _), current_a in zip(points, smooth, strict=True) if current_a >= NEAR_PEAK * peak_a]
    on_peak = [current_a >= (1.0 - ON_PEAK) * peak_a for current_a in smooth]
    spans = [seconds_between(left, right) for (left, _), (right, _) in pairwise(points)]
    plateau_s = sum(span_s for span_s, here, there in zip(spans, on_peak, on_peak[1:], strict=False) if here and there)
    rise_s, fall_s = seconds_between(began.at, high[0]), seconds_between(high[-1], ended.at)
    initial_ratio = median(current_a for _, current_a in points[:3]) / flc_a
    form = _form(smooth, rise_s / duration_s, plateau_s / duration_s)
    return RampShape(form=form, initial_ratio=initial_ratio, rise_s=rise_s, plateau_s=plateau_s, fall_s=max(0.0, fall_s))


def _form(smooth: Sequence[float], rise: float, plateau: float) -> RampForm:
    reached = fallen_to = 0.0
    for current_a in smooth:
        fallen_to = min(fallen_to, current_a)
        if min(reached, current_a) - fallen_to >= FALL_AND_RISE * reached > 0.0:
            return RampForm.STEPS
        if current_a >= reached:
            reached = fallen_to = current_a
    if rise <= 0.1 and plateau < 0.5:
        return RampForm.STEP
    return RampForm.PLATEAU if plateau >= 0.5 else RampForm.RAMP


def peak_error_pct(samples: Sequence[Sample], began: Edge, ended: Edge, starter: Starter) -> float:
    """Return by how much the true peak may lie above the largest sample at most [%].

    >>> from gateway.motors.facts import MotorData
    >>> pump = Starter(name="P-1", motor=MotorData(rated_power_kw=45, rated_voltage_v=400, flc_a=80))
    >>> falling = [Sample(0, 0.0, {})] + [Sample(100_000 * i, 570.0 - 10.0 * i, {}) for i in range(1, 30)]
    >>> round(peak_error_pct(falling, Edge(50_000, 0.06), Edge(2_900_000, 0.05), starter=pump), 2)   # 10 A a poll, one poll unseen
    1.96
    """
    update_s = starter.signals.update_time_s
    points = _known(samples, began.at, ended.at)
    beyond = next(((sample.at, sample.current_a) for sample in samples if sample.at > ended.at and sample.current_a is not None), None)
    highest_a = max((current_a for _, current_a in points), default=0.0)
    if highest_a <= 0.0:
        return MOST_ERROR_PCT
    switches = starter.device.method in (Method.STAR_DELTA, Method.AUTOTRANSFORMER, Method.PRIMARY_RESISTOR)
    earliest = after(began.at, -began.error_s)
    course = [(earliest, 0.0), *points, *([beyond] if beyond is not None else [])]
    most_a = max([highest_a, *(_hidden_a(course, place, update_s, switches) for place in range(1, len(course)))])
    most_a = max(most_a, _hidden_surge_a(points, began, starter))
    return min(MOST_ERROR_PCT, 100.0 * (most_a - highest_a) / highest_a)


def _hidden_a(course: Points, place: int, update_s: float, switches: bool) -> float:
    """Return the highest current [A] that may lie between one point and the one before it."""
    (from_at, left), (to_at, right) = course[place - 1 : place + 1]
    width_s = seconds_between(from_at, to_at) + update_s
    here = (right - left) / max(1e-6, width_s - update_s)
    # The slope of switching on says nothing of what follows it.
    before = _slope(course, place - 1) if place > 2 else 0.0
    following = _slope(course, place + 1) if place + 1 < len(course) else 0.0
    rise, fall = max(0.0, before), max(0.0, -following)
    explained = max(before, following) if here > 0.0 else -min(before, following)
    jumped = abs(right - left) > JUMP * max(left, right) and abs(here) > 2.0 * explained
    # A first sample after a jump may have caught only the end of a mains cycle, so the second counts as after the jump too.
    after_jump = switches and place > 2 and before * width_s > JUMP * left and right > left
    if place <= 2 or after_jump or (jumped and right > left):
        return right + fall * width_s * (SURGE_FALL if switches and place > 2 else 1.0)
    drawn_on = left + rise * width_s
    return drawn_on if jumped else min(drawn_on, right + fall * width_s)


def _slope(course: Points, place: int) -> float:
    (from_at, left), (to_at, right) = course[place - 1 : place + 1]
    return (right - left) / max(1e-6, seconds_between(from_at, to_at))


def _hidden_surge_a(points: Points, began: Edge, starter: Starter) -> float:
    device, flc_a = starter.device, starter.motor.flc_a
    locked_a = (starter.motor.locked_rotor_ratio or SURGE_RATIO) * flc_a
    if len(points) < FEW:
        return locked_a
    if device.method is Method.STAR_DELTA:
        rise_a = max((right - left for (_, left), (_, right) in pairwise(points[1:])), default=0.0)
        return locked_a if rise_a < 0.5 * flc_a else 0.0
    if device.kick_time_s and device.kick_voltage_ratio:
        until = after(began.at, 2.0 * device.kick_time_s)
        kicked_a = max((current_a for at, current_a in points if at <= until), default=0.0)
        surge_a = device.kick_voltage_ratio * locked_a
        return surge_a if kicked_a < 0.8 * surge_a else 0.0
    return 0.0
