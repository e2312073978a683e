"""Thermal capacity used: how hot the motor is, of its limit, from its current alone.

Running law (IEC 60255-149, formerly 60255-8), one or two time constants i with weight w_i:

    dU_i/dt = (D(I) - U_i) / tau_i         I in x FLC, tau_i running or stopped
    U       = sum(w_i U_i)                 U = 1 is the limit
    D(I)    = (I / k)^2                    so that a long run at full load ends at 1/k^2 and one at k x FLC at the limit

solved exactly for a current that holds from one reading to the next: U_i <- D + (U_i - D) exp(-dt / tau_i). The standard's own discrete
form is the backward-Euler step of the same equation; it is not used, because its answer depends on the poll period.

Why starts are heated apart. One time constant fitted to running overload trips on a normal hot start: tau = 600 s, k = 1.05, full load
ends at 0.907, 6 x for 8 s adds 0.42, together 1.33. In a start the heat stays where it arises, and what counts is the stall limit. So
while the current is above START_RATIO the model charges I2t against the start capacity Q0 (see `thermal_constants`), without cooling
(adiabatic, conservative):

    dU = I^2 dt / Q0

Where both stall times are known they also say how much of the starting capacity full load uses: u1 = 1 - hot stall / cold stall. Then

    D(I) = u1 I^2 up to full load,  D(I) = u1 + (1 - u1) (I^2 - 1) / (k^2 - 1) above it

which keeps cold stall, hot stall, the limit at k x FLC and the standard's trip times from hot; from cold an overload reaches the limit
sooner than by the standard. Cooling is U exp(-dt / tau_stop), which the wait for the next start rests on.

Unknown current: the higher of what the motor has and a run at full load; it never cools in the dark. How far this may be above the truth is
carried as `doubt`, the last node: the difference of two solutions of a linear equation decays at least as fast as the slowest time constant
whatever the current, so the state is certain again once the doubt has decayed below CERTAIN_WITHIN.

A measured winding temperature and an ambient above the rated one come on top where a map has them (`temperature`). A thermal figure of
the device itself stands beside this one; this one decides.
Valid for: motors cooled by their own shaft fan, true r.m.s. current of the winding (star phase x sqrt 3 on the line base), unbalance
weighted in where all three line currents are read (`unbalance.heating_square`). A frequency drive's motor at low speed cools worse than
the model says.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

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
    """The thermal model of one motor; states are `HeatState` with nodes (U_1 [, U_2], doubt).

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
        return self.steady_used(1.0)

    def steady_used(self, current_ratio: float) -> float:
        """Return the thermal capacity used at which a long run at that current ends, of 1 (above 1: it reaches the limit before)."""
        square, overload_square, rated = current_ratio**2, self.constants.overload_ratio**2, self.constants.rated_used
        if rated is None:
            return square / overload_square
        if square <= 1.0:
            return rated * square
        return rated + (1.0 - rated) * (square - 1.0) / (overload_square - 1.0)

    def cold(self, at: Instant) -> HeatState:
        """Return the state of a motor known to be at ambient temperature."""
        return HeatState(at=at, nodes=(0.0,) * (len(self.constants.weights) + 1))

    def warm(self, at: Instant, used: float) -> HeatState:
        """Return the state of a motor known to have used that much for long, of 1."""
        return HeatState(at=at, nodes=(used,) * len(self.constants.weights) + (0.0,))

    def initial(self, at: Instant) -> HeatState:
        """Return the state when nothing is known of the past: as after a long run at full load, uncertain."""
        nodes = (self.rated_used,) * (len(self.constants.weights) + 1)  # the last one is the doubt: it may be cold as well
        return _settled(at, nodes, UNKNOWN_PAST)

    def at_least(self, state: HeatState, used: float) -> HeatState:
        """Return the state with no less than that much used, of 1: every node is raised alike."""
        missing = used - self.used(state)
        if missing <= 0.0:
            return state
        return _settled(state.at, (*(u + missing for u in state.nodes[:-1]), state.nodes[-1]), state.reason, state.ambient)

    def after(self, state: HeatState, at: Instant, current_ratio: float | None, running: bool) -> HeatState:
        """Return the state at `at`, the winding current [x FLC] having held since `state.at`; a time that does not advance changes nothing.

        `current_ratio` None: not known. `running`: the shaft turns or may turn, so that the running time constants hold; with an unknown
        current and `running` False the motor cools.
        """
        dt_s = seconds_between(state.at, at)
        if dt_s <= 0.0:
            return state
        constants = self.constants
        taus_s = constants.running_s if running else constants.stopped_s
        if current_ratio is None:
            return self._in_the_dark(state, at, dt_s) if running else self._driven(state, at, dt_s, 0.0, taus_s)
        if constants.start_capacity_flc2s is not None and current_ratio >= START_RATIO:
            nodes = self._charged_nodes(state.nodes, current_ratio**2 * dt_s / constants.start_capacity_flc2s)
            return _settled(at, nodes, state.reason, state.ambient)
        return self._driven(state, at, dt_s, self.steady_used(current_ratio), taus_s)

    def used(self, state: HeatState) -> float:
        """Return the thermal capacity used, of 1 (above 1: past the limit)."""
        return self._weighted(state.nodes) + state.ambient

    def start_heat(self, winding_i2t_flc2s: float) -> float:
        """Return the rise of thermal capacity used by a start of that winding I2t [FLC2s], of 1.

        Adiabatic, so an upper bound: Q / Q0, or Q sum(w_i / tau_i) / k^2 where starts are heated by the running law.
        """
        capacity = self.constants.start_capacity_flc2s
        if capacity is not None:
            return winding_i2t_flc2s / capacity
        return winding_i2t_flc2s * self._rate() / self.constants.overload_ratio**2

    def charged(self, state: HeatState, heat: float, reason: str = UNSEEN_START) -> HeatState:
        """Return the state with the heat of a start that was not seen added at once; its doubt grows by as much."""
        nodes = self._charged_nodes(state.nodes, heat)
        return _settled(state.at, (*nodes[:-1], nodes[-1] + heat), reason, state.ambient)

    def used_when_stopped(self, state: HeatState, at: Instant) -> float:
        """Return the thermal capacity used at `at` if the motor stands still from `state.at` on."""
        return self._used_after_standing(state, max(0.0, seconds_between(state.at, at)))

    def cooled_to(self, state: HeatState, level: float) -> Instant | None:
        """Return when a motor standing still from `state.at` on has cooled to `level`; None when it never does (level <= 0).

        One time constant: tau ln(U / level); two: bisection to the microsecond, since U only falls.
        """
        level -= state.ambient  # which no standing still takes away
        used_now = self._weighted(state.nodes)
        if used_now <= level:
            return state.at
        if level <= 0.0:
            return None
        wait_s = max(self.constants.stopped_s) * math.log(used_now / level)  # every node decays at least as fast as the slowest
        if len(self.constants.weights) > 1:
            wait_s = self._bisected_s(state, level, wait_s)
        return after(state.at, wait_s)

    def _bisected_s(self, state: HeatState, level: float, upper_s: float) -> float:
        lower_s = 0.0
        while upper_s - lower_s > 1e-6:
            middle_s = 0.5 * (lower_s + upper_s)
            if self._used_after_standing(state, middle_s) - state.ambient > level:
                lower_s = middle_s
            else:
                upper_s = middle_s
        return upper_s

    def _driven(self, state: HeatState, at: Instant, dt_s: float, drive: float, taus_s: tuple[float, ...]) -> HeatState:
        used = [drive + (u - drive) * math.exp(-dt_s / tau) for u, tau in zip(state.nodes, taus_s, strict=False)]
        doubt = state.nodes[-1]
        if doubt:
            doubt *= math.exp(-dt_s / max(taus_s))
        return _settled(at, (*used, doubt), state.reason, state.ambient)

    def _in_the_dark(self, state: HeatState, at: Instant, dt_s: float) -> HeatState:
        factors = [math.exp(-dt_s / tau) for tau in self.constants.running_s]
        rated = self.rated_used
        used = [max(u, rated + (u - rated) * factor) for u, factor in zip(state.nodes, factors, strict=False)]
        # The coolest that it can be instead: no current, and the fan still turning.
        coolest = [u * factor for u, factor in zip(state.nodes, factors, strict=False)]
        doubt = state.nodes[-1] * max(factors) + self._weighted(used) - self._weighted(coolest)
        return _settled(at, (*used, doubt), UNKNOWN_CURRENT, state.ambient)

    def _weighted(self, nodes: Sequence[float]) -> float:
        return sum(weight * u for weight, u in zip(self.constants.weights, nodes, strict=False))

    def _used_after_standing(self, state: HeatState, dt_s: float) -> float:
        nodes = [u * math.exp(-dt_s / tau) for u, tau in zip(state.nodes, self.constants.stopped_s, strict=False)]
        return self._weighted(nodes) + state.ambient

    def _rate(self) -> float:
        return sum(weight / tau for weight, tau in zip(self.constants.weights, self.constants.running_s, strict=True))

    def _charged_nodes(self, nodes: tuple[float, ...], heat: float) -> tuple[float, ...]:
        # A short heat pulse raises each node in inverse proportion to its time constant; together they rise by `heat`.
        scale = heat / self._rate()
        return (*(u + scale / tau for u, tau in zip(nodes, self.constants.running_s, strict=False)), nodes[-1])


def _settled(at: Instant, nodes: tuple[float, ...], reason: str, ambient: float = 0.0) -> HeatState:
    certain = nodes[-1] <= CERTAIN_WITHIN
    return HeatState(at=at, nodes=nodes, certain=certain, reason="" if certain else reason, ambient=ambient)


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
