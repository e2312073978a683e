"""The start under way: its samples, what is known of it so far, and the record that it becomes."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

from gateway.instants import SECOND, Instant, seconds_between
from gateway.motors.facts import Method, Starter
from gateway.motors.reading import Quality
from gateway.motors.recogniser import Ramp
from gateway.motors.records import Outcome, Start
from gateway.motors.start_estimate import direct_estimate
from gateway.motors.start_figures import Edge, Sample, at_speed_current_a, begin_edge, curve_of, end_crossing, figures
from gateway.motors.start_shape import peak_error_pct, ramp_shape
from gateway.motors.start_supply import CommandEdge, commanded, voltage_dip

TAIL_S = 4.0
"""The curve goes on for so long after the end; own choice."""
MOST_SAMPLES = 6000
"""Longest curve: ten minutes at 100 ms. A stall that is never cut off must not fill the memory."""
CHANGEOVER_AFTER_S = 0.3
CHANGEOVER_RISE = 1.4
"""A rise of the current by this factor, `CHANGEOVER_AFTER_S` into the start, is the change-over of a starter that switches; own choice."""
REDUCED: dict[Method, float] = {Method.STAR_DELTA: math.sqrt(3.0)}
"""Winding over line current before the change-over, on the base of the delta line current."""


@dataclass(slots=True)
class UnderWay:
    """A start from its first sample to past being opened again.

    number: 0 while it is only suspected.
    begin_seen: the reading before the begin was off and no gap lies between.
    changeover_at: end of the star or tap phase.
    volts_before: supply voltage before it; command_edge: when its command came. lost_phase: a phase that carried no current in it.
    """

    began: Edge
    samples: list[Sample] = field(default_factory=list)
    begin_seen: bool = True
    number: int = 0
    heat_before: float | None = None
    heat_after: float | None = None
    changeover_at: Instant | None = None
    missing: bool = False
    stalled: bool = False
    ended: Edge | None = None
    outcome: Outcome = Outcome.AT_SPEED
    trip_code: int | None = None
    tail_told: bool = False
    volts_before: float | None = None
    command_edge: CommandEdge | None = None
    lost_phase: str = ""

    def add(self, sample: Sample, starter: Starter) -> None:
        """Keep one sample, and note the change-over when it shows."""
        if len(self.samples) >= MOST_SAMPLES:
            return
        if self.changeover_at is None and self.ended is None and self._switched(sample, starter):
            self.changeover_at = self.samples[-1].at
        self.samples.append(sample)

    def _switched(self, sample: Sample, starter: Starter) -> bool:
        # The first sample that is on may have caught only the end of a mains cycle: a rise from it says nothing.
        if winding_factor(starter) == 1.0 or len(self.samples) < 3 or seconds_between(self.began.at, sample.at) < CHANGEOVER_AFTER_S:
            return False
        before, now = self.samples[-1].current_a, sample.current_a
        if before is None or now is None:
            return False
        limits, flc_a = starter.thresholds, starter.motor.flc_a
        gone = now < limits.off_ratio * flc_a <= before
        risen = now > CHANGEOVER_RISE * before and now > limits.high_ratio * flc_a
        return gone or (risen and before >= limits.on_ratio * flc_a)

    def winding_ratio(self, ratio: float | None, starter: Starter) -> float | None:
        """Return the winding current [x FLC] that goes with a line current of this start."""
        reduced = self.number > 0 and self.changeover_at is None and self.ended is None
        return ratio * winding_factor(starter) if reduced and ratio is not None else ratio

    def end_edge(self, ramp: Ramp, starter: Starter) -> Edge:
        """Return where the start reached speed: see `start_figures`."""
        high_a, update_s = starter.thresholds.high_ratio * starter.motor.flc_a, starter.signals.update_time_s
        known = [sample for sample in self.samples if sample.current_a is not None]
        came_down = ramp.high_seen and known and (known[-1].current_a or 0.0) <= high_a
        crossing = end_crossing(self.samples, high_a, update_s) if came_down else None
        if crossing is not None:
            return crossing
        if ramp.speed_at is None and not ramp.starting_seen:
            return Edge(max(ramp.steady_at, self.began.at), self._interval_before(ramp.steady_at) + 0.5 * update_s)
        told_at = self.samples[-1].at if ramp.speed_at is None else ramp.speed_at
        half_s = 0.5 * self._interval_before(told_at)
        return Edge(max(told_at - round(half_s * SECOND), self.began.at), half_s + 0.5 * update_s)

    def _interval_before(self, at: Instant) -> float:
        earlier = [sample.at for sample in self.samples if sample.at < at]
        return seconds_between(earlier[-1], at) if earlier else 0.0

    def record(self, starter: Starter, now: Instant) -> Start:
        """Return the record of this start as known at `now`."""
        ended = self.ended if self.ended is not None else Edge(now, 0.0)
        outcome = Outcome.STALLED if self.stalled and self.outcome is not Outcome.AT_SPEED else self.outcome
        until = ended.at + round(TAIL_S * SECOND)
        kept = [sample for sample in self.samples if sample.at <= until]
        remarks = self._remarks(outcome, starter)
        off_a = starter.thresholds.off_ratio * starter.motor.flc_a
        start = Start(
            number=self.number,
            began_at=self.began.at,
            ended_at=ended.at,
            outcome=outcome,
            began_error_s=self.began.error_s,
            at_speed_current_a=at_speed_current_a(kept, ended.at, off_a) if outcome is Outcome.AT_SPEED else None,
            heat_before=self.heat_before,
            heat_after=self.heat_after,
            trip_code=self.trip_code,
            samples=sum(1 for sample in kept if self.began.at <= sample.at <= ended.at),
            quality=Quality.UNCERTAIN if remarks else Quality.GOOD,
            remark="; ".join(remarks),
            curve=curve_of(kept, self.began.at) if kept else None,
        )
        start = self._with_figures(start, kept, ended, starter)
        return self._with_supply(start, kept, ended, starter) if self.begin_seen else start

    def _with_figures(self, start: Start, kept: list[Sample], ended: Edge, starter: Starter) -> Start:
        found = figures(kept, self.began, ended, starter, self._changeover(starter))
        if found is None:
            if self.begin_seen and not self.missing:
                return replace(
                    start,
                    duration_s=max(0.0, seconds_between(self.began.at, ended.at)),
                    duration_error_s=self.began.error_s + ended.error_s,
                )
            return start
        start = replace(
            start,
            peak_current_a=found.peak_current_a,
            peak_ratio=found.peak_ratio,
            steady_peak_current_a=found.steady_peak_current_a,
            unbalance_pct=found.unbalance_pct,
        )
        if not self.begin_seen:
            return start
        return replace(
            start,
            duration_s=found.duration_s,
            duration_error_s=found.duration_error_s,
            i2t_a2s=found.i2t_a2s,
            i2t_flc2s=found.i2t_flc2s,
            winding_i2t_flc2s=found.winding_i2t_flc2s,
            i2t_error_pct=found.i2t_error_pct,
            mean_current_a=found.mean_current_a,
            equivalent_rating=found.equivalent_rating,
            peak_error_pct=peak_error_pct(kept, self.began, ended, starter),
            rms_current_a=math.sqrt(found.i2t_a2s / found.duration_s) if found.duration_s > 0.0 else found.peak_current_a,
            shape=ramp_shape(kept, self.began, ended, starter.motor.flc_a),
            direct=direct_estimate(starter, found.winding_i2t_flc2s) if start.outcome is Outcome.AT_SPEED else None,
        )

    def _with_supply(self, start: Start, kept: list[Sample], ended: Edge, starter: Starter) -> Start:
        dip = voltage_dip(kept, self.began, ended, self.volts_before, start.peak_error_pct or 0.0)
        reached = ended if start.outcome is Outcome.AT_SPEED else None
        told = commanded(self.command_edge, self.began, reached, starter.signals.update_time_s)
        if dip is not None:
            start = replace(start, lowest_voltage_v=dip.lowest_v, voltage_dip_pct=dip.dip_pct, voltage_dip_error_pct=dip.error_pct)
        if told is not None:
            start = replace(start, command_to_begin_s=told.to_begin_s, command_to_speed_s=told.to_speed_s, command_error_s=told.error_s)
        return start

    def _changeover(self, starter: Starter) -> Instant | None:
        if self.changeover_at is not None:
            return self.changeover_at
        device = starter.device
        set_s = device.star_time_s if device.method is Method.STAR_DELTA else device.tap_time_s
        return None if set_s is None else self.began.at + round(set_s * SECOND)

    def _remarks(self, outcome: Outcome, starter: Starter) -> list[str]:
        remarks = []
        if not self.begin_seen:
            remarks.append("begin not seen")
        if self.missing:
            remarks.append("readings missing within the start")
        if self.stalled and outcome is Outcome.AT_SPEED:
            remarks.append(f"took longer than the longest start of {starter.thresholds.max_start_s:g} s")
        if len(self.samples) >= MOST_SAMPLES:
            remarks.append(f"curve and figures end after {MOST_SAMPLES} samples")
        if self.lost_phase:
            remarks.append(f"{self.lost_phase} without current, the supply or the winding has lost a phase")
        if not any(sample.current_a is not None for sample in self.samples):
            remarks.append("no current was read")
        return remarks

    def shift(self, by_us: int) -> None:
        """Move every instant, after the wall clock was set."""
        self.began = replace(self.began, at=self.began.at + by_us)
        self.samples = [replace(sample, at=sample.at + by_us) for sample in self.samples]
        if self.changeover_at is not None:
            self.changeover_at += by_us
        if self.ended is not None:
            self.ended = replace(self.ended, at=self.ended.at + by_us)
        if self.command_edge is not None:
            self.command_edge = (self.command_edge[0] + by_us, self.command_edge[1] + by_us)


def winding_factor(starter: Starter) -> float:
    """Return winding over line current before the change-over, 1 for a starter that does not switch.

    >>> from gateway.motors.facts import MotorData, StarterData
    >>> motor = MotorData(rated_power_kw=45, rated_voltage_v=400, flc_a=80)
    >>> round(winding_factor(Starter(name="P-1", motor=motor, device=StarterData(method=Method.STAR_DELTA))), 3)
    1.732
    """
    device = starter.device
    if device.method is Method.AUTOTRANSFORMER and device.tap_ratio:
        return 1.0 / device.tap_ratio
    return REDUCED.get(device.method, 1.0)


def suspected(off: Sample, on: Sample, exact: bool, starter: Starter) -> UnderWay:
    """Return a start that may have begun between the last reading that was off and the first that is on."""
    return UnderWay(began=begin_edge(off.at, on.at, exact, starter.signals.update_time_s), samples=[off, on])


def found(last_usable_at: Instant | None, on: Sample, starter: Starter) -> UnderWay:
    """Return a start that was under way when the first reading, or the first after a gap, came."""
    longest = on.at - round(starter.thresholds.max_start_s * SECOND)
    earliest = longest if last_usable_at is None else max(longest, last_usable_at)
    return UnderWay(began=begin_edge(earliest, on.at, False, 0.0), samples=[on], begin_seen=False)
