"""A drive moving in time: `advance`.

Sub-steps end exactly on every switching instant, on the fall of the current that ends a start, and on standstill. When nothing moves any
more - at rest, running steadily, or stalled - the rest of the time is one analytic step, so that a simulated week costs little.
"""

from __future__ import annotations

from dataclasses import replace
from math import inf

from gateway.machine.drive import Drive, DriveState, Phase, Tally
from gateway.machine.feed import OFF, Feed
from gateway.machine.substep import EXPONENTIAL_BELOW_SLIP, SHORTEST_STEP_S, exponential, heun, longest_step_s
from gateway.machine.thermal_truth import ROTOR_PART_TO_BODY, Rise

LONGEST_STEP_S = 0.05
_COASTING_CAP_S = 1.0
_SAME_S = 1e-9
_BREAKAWAY_PART, _BREAKAWAY_CAP_S = 0.05, 0.01
"""Below this part of synchronous speed a load's stiction changes fast, and a step while the voltage rises must not miss the moment."""
_THERMAL_EVERY_S = 1.0
_NEAR, _FAR = 0.005, 0.001
"""Distances to the balance of torques, of synchronous speed."""
_SETTLED = 1e-6


def advance(
    drive: Drive,
    state: DriveState,
    duration_s: float,
    supply_ratio: float = 1.0,
    load_ratio: float = 1.0,
    longest_step_s: float = LONGEST_STEP_S,
) -> DriveState:
    """Return the state `duration_s` later, with the supply at `supply_ratio` x rated voltage and `load_ratio` x the load's torque
    meanwhile.

    `longest_step_s` bounds the sub-steps while the voltage moves; shorter is more exact. ValueError on a negative duration or ratio.
    """
    if duration_s < 0 or supply_ratio <= 0 or load_ratio < 0:
        raise ValueError(
            f"duration {duration_s:g} s, load ratio {load_ratio:g}: must not be negative; supply ratio {supply_ratio:g}: above 0"
        )
    motion = _Motion(drive, state, supply_ratio, load_ratio, longest_step_s)
    left = duration_s
    while left > _SAME_S:
        left -= motion.step(left)
    return motion.state()


class _Motion:
    """The working copy of a state during one `advance`."""

    __slots__ = (
        "_body_j", "_cap_s", "_drive", "_first", "_friction", "_heat_s", "_inertia", "_sync", "_winding_j", "been_above", "clock", "fell",
        "feed", "full", "load_ratio", "over_for", "phase", "phase_for", "rate", "rise", "settled", "speed", "stage", "supply", "tally",
    )  # fmt: skip

    def __init__(self, drive: Drive, state: DriveState, supply_ratio: float, load_ratio: float, cap_s: float) -> None:
        self._drive, self._first, self._cap_s = drive, state, cap_s
        self._sync = drive.circuit.sync_speed_rad_s
        self._inertia = drive.inertia_kg_m2
        self._friction = drive.circuit.friction_w / drive.rated_speed_rad_s**2
        self.phase, self.phase_for, self.clock, self.stage = state.phase, state.phase_for_s, state.clock_s, state.stage
        self.speed, self.rise, self.feed = state.speed_rad_s, state.rise, state.feed
        self.supply, self.load_ratio = supply_ratio, load_ratio
        self.been_above, self.over_for = state.been_above, state.over_for_s
        self.tally, self.fell, self.full = state.tally, state.tally_when_current_fell, state.tally_when_full
        self.settled = state.settled
        self._heat_s = self._winding_j = self._body_j = 0.0
        if supply_ratio != state.supply_ratio or load_ratio != state.load_ratio:
            self.settled = False
            self.feed = self.feed_at(0.0, self.speed)
        self.rate = 0.0 if self.settled else self.rate_of(self.feed, self.speed)

    def state(self) -> DriveState:
        """Return the state reached."""
        self._warm_up()
        return replace(
            self._first,
            phase=self.phase,
            phase_for_s=self.phase_for,
            clock_s=self.clock,
            stage=self.stage,
            speed_rad_s=self.speed,
            rise=self.rise,
            feed=self.feed,
            supply_ratio=self.supply,
            load_ratio=self.load_ratio,
            been_above=self.been_above,
            over_for_s=self.over_for,
            tally=self.tally,
            tally_when_current_fell=self.fell,
            tally_when_full=self.full,
            settled=self.settled,
        )

    # What the motor gets and what that does to its speed.

    def feed_at(self, ahead_s: float, speed: float) -> Feed:
        """Return the feed `ahead_s` from now at a speed, in the present stage."""
        drive = self._drive
        if self.phase is Phase.STARTING:
            return drive.method.starting(drive.circuit, drive.flc_a, self.stage, self.clock + ahead_s, speed, self.supply)
        if self.phase is Phase.RUNNING:
            return drive.method.running(drive.circuit, drive.flc_a, speed, self.supply)
        if self.phase is Phase.STOPPING:
            return drive.method.stopping(drive.circuit, drive.flc_a, self.clock + ahead_s, speed, self.supply)
        return OFF

    def resisting_nm(self, speed: float) -> float:
        """Return load and friction torque."""
        at_speed_for = self.phase_for + _SAME_S if self.phase is Phase.RUNNING else 0.0
        load = self._drive.load.torque_nm(speed / self._drive.rated_speed_rad_s, at_speed_for)
        return load * self.load_ratio + self._friction * speed

    def rate_of(self, feed: Feed, speed: float) -> float:
        """Return the acceleration; a motor at rest that cannot break away stays at rest."""
        rate = (feed.torque_nm - self.resisting_nm(speed)) / self._inertia
        return 0.0 if speed <= 0.0 and rate < 0.0 else rate

    def _rate_ahead(self, ahead_s: float, speed: float) -> float:
        return self.rate_of(self.feed_at(ahead_s, speed), speed)

    # One step.

    def step(self, limit_s: float) -> float:
        """Take one step of at most `limit_s` and return its length."""
        boundary = self._time_to_boundary()
        if self._still():
            step = min(limit_s, boundary)
            self._account(step, self.feed, self.feed, self.speed, self.speed)
        else:
            step = self._moving_step(min(limit_s, boundary))
        self.phase_for += step
        if boundary - step <= _SAME_S:
            self._cross_boundary()
        return step

    def _still(self) -> bool:
        return self.settled or (self.phase in (Phase.OFF, Phase.TRIPPED) and self.speed <= 0.0)

    def _time_to_boundary(self) -> float:
        """Return the time to the next switching instant [s]."""
        if self.phase is Phase.STARTING:
            ends = self._drive.method.stage_ends_s
            stage = ends[self.stage] - self.clock if self.stage < len(ends) else inf
            hold = inf if self.over_for is None else self._drive.at_speed_hold_s - self.over_for
            return max(min(stage, hold), 0.0)
        if self.phase is Phase.RUNNING:
            return min((change - self.phase_for for change in self._drive.load.changes_s if change - self.phase_for > _SAME_S), default=inf)
        if self.phase is Phase.STOPPING:
            return max(self._drive.method.stop_time_s - self.clock, 0.0)
        return inf

    def _cross_boundary(self) -> None:
        """Do what happens at the instant just reached."""
        if self.phase is Phase.STARTING:
            ends = self._drive.method.stage_ends_s
            if self.over_for is not None and self.over_for >= self._drive.at_speed_hold_s - _SAME_S:
                self.phase, self.phase_for, self.clock, self.stage, self.over_for = Phase.RUNNING, 0.0, 0.0, 0, None
            elif self.stage < len(ends) and ends[self.stage] - self.clock <= _SAME_S:
                self.clock = ends[self.stage]
                self.stage += 1
        elif self.phase is Phase.STOPPING:
            self.phase, self.phase_for, self.clock = Phase.OFF, 0.0, 0.0
        self.settled = False
        self.feed = self.feed_at(0.0, self.speed)
        self.rate = self.rate_of(self.feed, self.speed)
        if self.phase is Phase.STARTING:
            self._peaks()
            self._judge(self.feed, 0.0)

    def _moving_step(self, limit_s: float) -> float:
        slope = self._slope()
        step = min(limit_s, self._longest(slope))
        speed, feed, step = self._moved(step, slope)
        if self.phase is Phase.STARTING and self.been_above and self.fell is None:
            speed, feed, step = self._cut_at_fall(speed, feed, step, slope)
        before, speed_before = self.feed, self.speed
        self.speed, self.feed = speed, feed
        self.clock = feed.clock_s if self.phase is Phase.STARTING and feed.frequency_ratio > 0 else self.clock + step
        self.rate = self.rate_of(feed, speed)
        self._account(step, before, feed, speed_before, speed)
        if self.phase is Phase.RUNNING or self.phase is Phase.STARTING:
            self._settle(slope)
        return step

    def _slope(self) -> float:
        """Return the derivative of the acceleration by speed [1/s] near synchronous speed; 0 where Heun's method serves."""
        ratio = self.feed.frequency_ratio
        if ratio <= 0.0 or abs(self._drive.circuit.slip_at(self.speed, ratio)) >= EXPONENTIAL_BELOW_SLIP:
            return 0.0
        nudge = 1e-5 * self._sync
        return (self._rate_ahead(0.0, self.speed + nudge) - self.rate) / nudge

    def _longest(self, slope: float) -> float:
        if self.phase in (Phase.OFF, Phase.TRIPPED):
            return longest_step_s(self.rate, self._sync, _COASTING_CAP_S)
        breaking_away = self.speed < _BREAKAWAY_PART * self._sync
        longest = longest_step_s(self.rate, self._sync, min(self._cap_s, _BREAKAWAY_CAP_S) if breaking_away else self._cap_s)
        if slope < 0.0:
            # Near the balance of torques the speed is exact whatever the step; these bounds keep the sums of heat good as well.
            away = abs(self.rate) / (-slope * self._sync)
            if away > _FAR:
                longest = min(longest, max(-1.0 / slope, SHORTEST_STEP_S))
            if away < _NEAR and self.phase is Phase.RUNNING:
                longest = max(longest, -2.0 / slope)
        return longest

    def _moved(self, step: float, slope: float) -> tuple[float, Feed, float]:
        """Return speed and feed after a step, and its length: shorter when the motor comes to rest."""
        if slope:
            speed = exponential(self._rate_ahead, self.rate, slope, self.speed, step)
        else:
            speed = heun(self._rate_ahead, self.rate, self.speed, step)
        if speed <= 0.0:
            if self.speed > 0.0 and self.phase in (Phase.OFF, Phase.TRIPPED):
                step *= self.speed / (self.speed - speed)
            speed = 0.0
        return speed, self.feed_at(step, speed), step

    def _cut_at_fall(self, speed: float, feed: Feed, step: float, slope: float) -> tuple[float, Feed, float]:
        """Return the step shortened to where the line current falls through the at-speed line, if it does so inside."""
        line = self._fall_line_a()
        early, late = 0.0, step
        over, under = self.feed.line_current_a - line, line - feed.line_current_a
        if under <= 0.0 or over <= 0.0:
            return speed, feed, step
        for _ in range(8):
            trial = early + (late - early) * over / (over + under)
            speed, feed, step = self._moved(trial, slope)
            off = feed.line_current_a - line
            if abs(off) < 1e-7 * line:
                break
            # False position with the kept side halved (Illinois), so that both ends close in.
            if off > 0.0:
                early, over, under = trial, off, 0.5 * under
            else:
                late, under, over = trial, -off, 0.5 * over
        return speed, feed, step

    def _settle(self, slope: float) -> None:
        """Find out whether anything still moves; if not, go to the exact balance of torques."""
        if self.phase is Phase.STARTING:
            last = self.stage >= len(self._drive.method.stage_ends_s)
            resting = self.feed.full or self.speed <= 0.0
            # Soon and much later: a frequency ramp stays at its lowest frequency for a while before it moves.
            if not (last and resting) or any(self._rate_ahead(s, self.speed) != self._rate_ahead(0.0, self.speed) for s in (0.1, 100.0)):
                return
        if self.speed <= 0.0:
            self.settled = self.rate <= 0.0
            return
        if slope >= 0.0 or abs(self.rate) > -slope * _SETTLED * self._sync:
            return
        for _ in range(3):
            nudge = 1e-6 * self._sync
            slope = (self._rate_ahead(0.0, self.speed + nudge) - self.rate) / nudge
            if slope >= 0.0:
                return
            self.speed -= self.rate / slope
            self.feed = self.feed_at(0.0, self.speed)
            self.rate = self.rate_of(self.feed, self.speed)
        self.settled = True

    # What the step adds up to.

    def _fall_line_a(self) -> float:
        return self._drive.at_speed_current_ratio * self._drive.flc_a

    def _account(self, step: float, before: Feed, after: Feed, speed_before: float, speed_after: float) -> None:
        half = 0.5 * step
        stator = half * (before.stator_heat_w + after.stator_heat_w)
        rotor = half * (before.rotor_heat_w + after.rotor_heat_w)
        iron = half * (before.iron_heat_w + after.iron_heat_w)
        self._winding_j += stator
        self._body_j += iron + ROTOR_PART_TO_BODY * rotor
        self._heat_s += step
        if self._heat_s >= _THERMAL_EVERY_S or self.settled:
            self._warm_up()
        if self.settled and self.phase is Phase.STARTING:
            self.clock += step
        if self.phase is not Phase.STARTING:
            return
        t = self.tally
        work = half * (speed_before * self.resisting_nm(speed_before) + speed_after * self.resisting_nm(speed_after))
        self.tally = Tally(
            t.elapsed_s + step,
            t.line_i2t_a2s + half * (before.line_current_a**2 + after.line_current_a**2),
            t.winding_i2t_a2s + half * (before.winding_current_a**2 + after.winding_current_a**2),
            t.stator_heat_j + stator,
            t.rotor_heat_j + rotor,
            t.iron_heat_j + iron,
            t.motor_energy_j + half * (before.motor_power_w + after.motor_power_w),
            t.load_work_j + work,
            max(t.peak_line_a, before.line_current_a, after.line_current_a),
            max(t.peak_winding_a, before.winding_current_a, after.winding_current_a),
            max(t.peak_torque_nm, before.torque_nm, after.torque_nm),
        )
        self._judge(after, step)

    def _peaks(self) -> None:
        t, feed = self.tally, self.feed
        self.tally = t._replace(
            peak_line_a=max(t.peak_line_a, feed.line_current_a),
            peak_winding_a=max(t.peak_winding_a, feed.winding_current_a),
            peak_torque_nm=max(t.peak_torque_nm, feed.torque_nm),
        )

    def _judge(self, feed: Feed, step: float) -> None:
        """Follow the fall of the current and what ends the start, after a step that ended with `feed`."""
        # A step that was cut to end on the line stands on either side of it by rounding: count it as fallen.
        above = feed.line_current_a > self._fall_line_a() * (1.0 + 1e-6)
        if above:
            self.been_above, self.fell, self.full, self.over_for = True, None, None, None
            return
        if self.fell is None:
            self.fell = self.tally
        over = feed.full or (self._drive.method.at_speed_without_full_voltage and self.been_above)
        if not over:
            self.full, self.over_for = None, None
        elif self.over_for is None:
            self.full, self.over_for = self.tally, 0.0
        else:
            self.over_for += step

    def _warm_up(self) -> None:
        if self._heat_s > 0.0:
            turning = self.speed > 0.1 * self._sync
            winding, body = self._winding_j / self._heat_s, self._body_j / self._heat_s
            self.rise = self._drive.thermal.after(self.rise, self._heat_s, winding, body, turning=turning)
        self._heat_s = self._winding_j = self._body_j = 0.0


def cooled(drive: Drive, rise: Rise, duration_s: float) -> Rise:
    """Return the rises after standing still with nothing applied."""
    return drive.thermal.after(rise, duration_s, 0.0, 0.0, turning=False)
