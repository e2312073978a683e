"""Thermal capacity as a limit on starting: the heat of the motor and of one more start must fit below the limit.

    permitted when  U + m dU <= 1        U: thermal capacity used now, dU: learned heat of a start, m: margin >= 1
    wait            until a motor standing still has cooled to 1 - m dU: tau_stop ln(U / (1 - m dU)) with one time constant

General practice of start lockout on top of the IEC 60255-149 model (no single standard); constants and their sources stand in the verdict's
source. With m dU >= 1 no waiting helps: the limit can permit no start from these settings. For a motor that is on, the next permitted start
is the one after a stop now. For a later instant than the last reading a motor that was on is taken to have run on at full load or at its
present heat, whichever is more.
"""

from __future__ import annotations

import math

from gateway.instants import Instant, seconds_between
from gateway.motors.facts import Starter
from gateway.motors.history import HeatState, History
from gateway.motors.records import LimitName, LimitVerdict, MotorState
from gateway.motors.thermal import ThermalModel, thermal_model
from gateway.motors.verdicts import is_blind, judged, verdict_of
from gateway.motors.wording import duration_words

MOST_STARTS = 99
"""More starts than this are not told apart."""
_ROUNDING = 1e-12


def verdict(starter: Starter, history: History, at: Instant) -> LimitVerdict:
    """Return the verdict of the thermal capacity; it is always in force, since every motor has a thermal model.

    >>> from gateway.motors.history import LearnedStart
    >>> from gateway.motors.facts import MotorData
    >>> motor = MotorData(rated_power_kw=45, rated_voltage_v=400, flc_a=80, cooling_time_constant_s=1800.0)
    >>> fan = Starter(name="F-101", motor=motor)
    >>> learned = LearnedStart(count=3, heat=0.45, winding_i2t_flc2s=233.0, duration_s=9.0, estimated=False)
    >>> heat = HeatState(at=0, nodes=(0.85, 0.0))
    >>> said = verdict(fan, History(at=0, state=MotorState.STOPPED, marks=(), off_since=0, heat=heat, learned=learned), 0)
    >>> said.starts_left, round(said.wait_s, 2), said.reason
    (0, 783.57, '85 % used, a start adds 45 %; cools to 55 % in 13 min 4 s')
    """
    model = thermal_model(starter)
    state = heat_at(model, starter, history, at)
    used = model.used(state)
    cost = starter.limits.heat_margin * history.learned.heat
    permitted_level = 1.0 - cost
    left = starts_within(used, cost)
    margin = "" if starter.limits.heat_margin == 1.0 else f" with margin {starter.limits.heat_margin:g}"
    cost_words = f"a start adds {'about ' if history.learned.estimated else ''}{100 * cost:.0f} %{margin}"
    reason = f"{100 * used:.0f} % used, {cost_words}"
    if history.learned.estimated:
        reason += " (estimate from motor data)"
    next_at = model.cooled_to(state, permitted_level) if left == 0 else at
    if next_at is None:
        reason += "; never permitted from these settings, one start alone takes all there is"
    elif left == 0:
        reason += f"; cools to {100 * permitted_level:.0f} % in {duration_words(seconds_between(at, next_at))}"
    doubt = "" if state.certain else state.reason
    source = f"thermal capacity, {model.source}"
    holds = ((at, next_at),) if next_at is not None and next_at > at else ()
    said = verdict_of(LimitName.THERMAL_CAPACITY, source, at, next_at, reason, starts_left=left, holds=holds, doubt=doubt)
    return judged(said, starter, history)


def starts_within(used: float, cost: float) -> int:
    """Return how many starts of `cost` fit one after another on top of `used`, all of 1; at most 99.

    >>> starts_within(0.25, 0.25), starts_within(0.25, 0.3), starts_within(1.2, 0.1), starts_within(0.5, 0.0)
    (3, 2, 0, 99)
    """
    free = 1.0 - used
    if free < 0.0:
        return 0
    if cost <= 0.0:
        return MOST_STARTS
    return min(MOST_STARTS, math.floor(free / cost * (1.0 + _ROUNDING)))


def heat_at(model: ThermalModel, starter: Starter, history: History, at: Instant) -> HeatState:
    """Return the heat at `at`, not before the last reading: cooled if the motor is known off, else as if it had run on at full load."""
    known_off = history.state in (MotorState.STOPPED, MotorState.TRIPPED) and not is_blind(starter, history)
    return model.after(history.heat, at, 0.0 if known_off else None, running=not known_off)
