"""Thermal capacity used: how hot the motor is, of its limit, from its current alone.

Running law (IEC 60255-149, formerly 60255-8), one or two time constants i with weight w_i:

    dx_i/dt = (I^2 - x_i) / tau_i          I in x FLC, tau_i running or stopped
    H       = sum(w_i x_i) / k^2           H = 1 is the running limit; after a long run at full load H = 1/k^2

solved exactly for a current that holds from one reading to the next: x_i <- I^2 + (x_i - I^2) exp(-dt / tau_i). The standard's own discrete
form is the backward-Euler step of the same equation; it is not used, because its answer depends on the poll period.

Why starts are heated apart. One time constant fitted to running overload trips on a normal hot start: tau = 600 s, k = 1.05, full load
gives H = 0.907, 6 x for 8 s adds 0.42, together 1.33. In a start the heat stays where it arises, and what counts is the stall limit. So
while the current is above START_RATIO the model charges I2t against the start capacity Q0 (see `thermal_constants`), without cooling
(adiabatic, conservative):

    dU = I^2 dt / Q0

U is the thermal capacity used on the scale of starting, and it is what every page and limit shows. It is a fixed function of H: U = 0 where
H = 0, U = u1 = 1 - hot stall / cold stall where H = 1/k^2 (that is what the two stall times say of a motor at rated temperature), U = 1
where H = 1, straight lines between, the last one going on above 1. Without both stall times U = H.

Unknown current: the higher of what the motor has and a run at full load; it never cools in the dark. How far this may be above the truth is
carried as `doubt`, the last node, on the scale of H: the difference of two solutions of a linear equation decays with the slowest time
constant whatever the current, so the state is certain again once the doubt has decayed below CERTAIN_WITHIN.

Valid for: motors cooled by their own shaft fan, at the ambient temperature they are rated for, true r.m.s. current of the winding (star
phase x sqrt 3 on the line base). A frequency drive's motor at low speed cools worse than the model says.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from gateway.instants import Instant, after, seconds_between
from gateway.motors.facts import Starter
from gateway.motors.history import HeatState, LearnedStart, StartMark
from gateway.motors.records import Outcome
from gateway.motors.start_estimate import estimated_start
from gateway.motors.thermal_constants import ThermalConstants, thermal_constants

START_RATIO = 2.0
"""Above this current, x FLC, a motor is starting or stalled, not overloaded; common practice, no source."""
CERTAIN_WITHIN = 0.05
"""Doubt in thermal capacity used below which the state counts as certain; own choice."""
LEARNED_FROM = 10
"""So many good starts are looked at for the cost of a start; own choice."""
UNKNOWN_PAST = "heat before the first reading is not known, taken as after a long run at full load"
UNKNOWN_CURRENT = "the current was not known for a time, taken as full load"
UNSEEN_START = "unseen starts are charged at the learned cost"


@dataclass(frozen=True, slots=True)
class ThermalModel:
    """The thermal model of one motor; states are `HeatState` with nodes (x_1 [, x_2], doubt).

    >>> from gateway.motors.facts import MotorData
    >>> motor = MotorData(rated_power_kw=45, rated_voltage_v=400, flc_a=80, locked_rotor_ratio=6, cold_stall_s=20, hot_stall_s=15)
    >>> model = thermal_model(Starter(name="F-101", motor=motor))
    >>> hot = model.initial(0)
    >>> round(model.used(hot), 3), hot.certain
    (0.25, False)
    >>> started = model.after(hot, 8_000_000, 6.0, True)   # 6 x for 8 s: 288 of 720 FLC2s
    >>> round(model.used(started), 3)
    0.65
    """

    constants: ThermalConstants

    @property
    def source(self) -> str:
        """Return where the model and its constants come from."""
        return self.constants.source

    @property
    def rated_used(self) -> float:
        """Return the thermal capacity used after a long run at full load, of 1."""
        return self._used(1.0 / self.constants.overload_ratio**2)

    def cold(self, at: Instant) -> HeatState:
        """Return the state of a motor known to be at ambient temperature."""
        return HeatState(at=at, nodes=(0.0,) * (len(self.constants.weights) + 1))

    def initial(self, at: Instant) -> HeatState:
        """Return the state when nothing is known of the past: as after a long run at full load, uncertain."""
        doubt = 1.0 / self.constants.overload_ratio**2
        nodes = (1.0,) * len(self.constants.weights) + (doubt,)
        return HeatState(at=at, nodes=nodes, certain=False, reason=UNKNOWN_PAST)

    def after(self, state: HeatState, at: Instant, current_ratio: float | None, running: bool) -> HeatState:
        """Return the state at `at`, the winding current [x FLC] having held since `state.at`; a time that does not advance changes nothing.

        `current_ratio` None: not known. `running`: the shaft turns or may turn, so that the running time constants hold; with an unknown
        current and `running` False the motor cools.
        """
        dt_s = seconds_between(state.at, at)
        if dt_s <= 0.0:
            return state
        if current_ratio is None:
            return self._in_the_dark(state, at, dt_s) if running else self._driven(state, at, dt_s, 0.0, self.constants.stopped_s)
        capacity = self.constants.start_capacity_flc2s
        if capacity is not None and current_ratio >= START_RATIO:
            nodes = self._charged_nodes(state.nodes, current_ratio**2 * dt_s / capacity)
            return self._settled(replace(state, at=at), nodes, state.nodes[-1], state.reason)
        return self._driven(state, at, dt_s, current_ratio**2, self.constants.running_s if running else self.constants.stopped_s)

    def used(self, state: HeatState) -> float:
        """Return the thermal capacity used, of 1 (above 1: past the limit)."""
        return self._used(self._level(state.nodes))

    def start_heat(self, winding_i2t_flc2s: float) -> float:
        """Return the rise of thermal capacity used by a start of that winding I2t [FLC2s], of 1.

        Adiabatic, so an upper bound: Q / Q0, or Q sum(w_i / tau_i) / k^2 where starts are heated by the running law.
        """
        capacity = self.constants.start_capacity_flc2s
        if capacity is not None:
            return winding_i2t_flc2s / capacity
        rate = sum(weight / tau for weight, tau in zip(self.constants.weights, self.constants.running_s, strict=True))
        return winding_i2t_flc2s * rate / self.constants.overload_ratio**2

    def charged(self, state: HeatState, heat: float, reason: str = UNSEEN_START) -> HeatState:
        """Return the state with the heat of a start that was not seen added at once; its doubt grows by as much."""
        nodes = self._charged_nodes(state.nodes, heat)
        doubt = state.nodes[-1] + self._level(nodes) - self._level(state.nodes)
        return self._settled(state, nodes, doubt, reason)

    def used_when_stopped(self, state: HeatState, at: Instant) -> float:
        """Return the thermal capacity used at `at` if the motor stands still from `state.at` on."""
        return self._used(self._level_stopped(state, max(0.0, seconds_between(state.at, at))))

    def cooled_to(self, state: HeatState, level: float) -> Instant | None:
        """Return the first instant at which a motor standing still from `state.at` on has cooled to `level`; None when it never does (level
        <= 0).

        One time constant: tau ln(H / H_level); two: bisection to the microsecond, since H only falls.
        """
        target = self._level_of(level)
        level_now = self._level(state.nodes)
        if level_now <= target:
            return state.at
        if target <= 0.0:
            return None
        slowest_s = max(self.constants.stopped_s)
        wait_s = slowest_s * math.log(level_now / target)  # every node decays at least as fast as the slowest
        if len(self.constants.weights) > 1:
            wait_s = self._bisected_s(state, target, wait_s)
        return after(state.at, wait_s)

    def _bisected_s(self, state: HeatState, target: float, upper_s: float) -> float:
        lower_s = 0.0
        while upper_s - lower_s > 1e-6:
            middle_s = 0.5 * (lower_s + upper_s)
            if self._level_stopped(state, middle_s) > target:
                lower_s = middle_s
            else:
                upper_s = middle_s
        return upper_s

    def _driven(self, state: HeatState, at: Instant, dt_s: float, drive: float, taus_s: tuple[float, ...]) -> HeatState:
        nodes = tuple(drive + (x - drive) * math.exp(-dt_s / tau) for x, tau in zip(state.nodes, taus_s, strict=False))
        doubt = state.nodes[-1]
        if doubt:
            doubt *= math.exp(-dt_s / max(taus_s))
        return self._settled(replace(state, at=at), nodes, doubt, state.reason)

    def _in_the_dark(self, state: HeatState, at: Instant, dt_s: float) -> HeatState:
        factors = tuple(math.exp(-dt_s / tau) for tau in self.constants.running_s)
        xs = state.nodes[:-1]
        nodes = tuple(max(x, 1.0 + (x - 1.0) * factor) for x, factor in zip(xs, factors, strict=True))
        # The coolest that it can be instead: no current, and the fan still turning.
        coolest = tuple(x * factor for x, factor in zip(xs, factors, strict=True))
        doubt = state.nodes[-1] * max(factors) + self._level(nodes) - self._level(coolest)
        return self._settled(replace(state, at=at), nodes, doubt, UNKNOWN_CURRENT)

    def _settled(self, state: HeatState, nodes: tuple[float, ...], doubt: float, reason: str) -> HeatState:
        xs = nodes[: len(self.constants.weights)]
        if not doubt:
            return HeatState(at=state.at, nodes=(*xs, 0.0))
        level = self._level(xs)
        certain = self._used(level) - self._used(max(0.0, level - doubt)) <= CERTAIN_WITHIN
        return HeatState(at=state.at, nodes=(*xs, doubt), certain=certain, reason="" if certain else reason)

    def _level(self, nodes: tuple[float, ...]) -> float:
        weighted = sum(weight * x for weight, x in zip(self.constants.weights, nodes, strict=False))
        return weighted / self.constants.overload_ratio**2

    def _level_stopped(self, state: HeatState, dt_s: float) -> float:
        return self._level(tuple(x * math.exp(-dt_s / tau) for x, tau in zip(state.nodes, self.constants.stopped_s, strict=False)))

    def _charged_nodes(self, nodes: tuple[float, ...], heat: float) -> tuple[float, ...]:
        constants = self.constants
        rise = self._level_of(self._used(self._level(nodes)) + heat) - self._level(nodes)
        # A short heat pulse raises each node in inverse proportion to its time constant.
        rate = sum(weight / tau for weight, tau in zip(constants.weights, constants.running_s, strict=True))
        scale = rise * constants.overload_ratio**2 / rate
        return tuple(x + scale / tau for x, tau in zip(nodes, constants.running_s, strict=False))

    def _used(self, level: float) -> float:
        rated = self.constants.rated_used
        if rated is None:
            return level
        full = 1.0 / self.constants.overload_ratio**2
        if level <= full:
            return level * rated / full
        return rated + (level - full) * (1.0 - rated) / (1.0 - full)

    def _level_of(self, used: float) -> float:
        rated = self.constants.rated_used
        if rated is None:
            return used
        full = 1.0 / self.constants.overload_ratio**2
        if used <= rated:
            return used * full / rated
        return full + (used - rated) * (1.0 - full) / (1.0 - rated)


def thermal_model(starter: Starter) -> ThermalModel:
    """Return the thermal model of a starter's motor, from the best constants known of it; ValueError for a trip class that is none."""
    return ThermalModel(thermal_constants(starter.motor))


def first_guess(starter: Starter) -> LearnedStart:
    """Return the cost of one start before any was seen: an estimate from motor and starter data, marked so.

    >>> from gateway.motors.facts import MotorData
    >>> guess = first_guess(Starter(name="F-101", motor=MotorData(rated_power_kw=45, rated_voltage_v=400, flc_a=80)))
    >>> guess.count, guess.estimated
    (0, True)
    """
    estimate = estimated_start(starter)
    heat = thermal_model(starter).start_heat(estimate.winding_i2t_flc2s)
    return LearnedStart(count=0, heat=heat, winding_i2t_flc2s=estimate.winding_i2t_flc2s, duration_s=estimate.duration_s, estimated=True)


def learned_from(starter: Starter, recent: Sequence[StartMark]) -> LearnedStart:
    """Return the cost of one start from the last good ones: the highest of the last ten, so that a budget is not spoilt by a heavy start.

    `recent`: starts in order, oldest first; only those that reached speed with a measured I2t are used. None of them: `first_guess`.

    >>> from gateway.motors.facts import MotorData
    >>> motor = MotorData(rated_power_kw=45, rated_voltage_v=400, flc_a=80, locked_rotor_ratio=6, cold_stall_s=20)
    >>> fan = Starter(name="F-101", motor=motor)
    >>> good = StartMark(began_at=0, ended_at=9, outcome=Outcome.AT_SPEED, duration_s=9.1, winding_i2t_flc2s=90.0)
    >>> cost = learned_from(fan, [good, good])
    >>> cost.count, cost.heat, cost.duration_s
    (2, 0.125, 9.1)
    """
    good = [
        (mark.winding_i2t_flc2s, mark.duration_s)
        for mark in recent
        if mark.outcome is Outcome.AT_SPEED and mark.winding_i2t_flc2s is not None and mark.duration_s is not None
    ][-LEARNED_FROM:]
    if not good:
        return first_guess(starter)
    i2t_flc2s = max(i2t for i2t, _ in good)
    return LearnedStart(
        count=len(good),
        heat=thermal_model(starter).start_heat(i2t_flc2s),
        winding_i2t_flc2s=i2t_flc2s,
        duration_s=max(duration for _, duration in good),
        estimated=False,
    )
