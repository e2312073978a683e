"""How many starts an hour each limit permits for ever at a motor's present duty.

A duty is one cycle repeated: a start, a run at a steady current, a stop. Rates follow from each rule:

    counting rules      the rate itself (whole starts in the window)
    off time            3600 / (start + run + off time)
    starter rating      3600 / longest of the rated cycle and what the duty needs, both lengthened for heavier starts
    thermal capacity    one time constant, closed form: before the start U0 = 1 - m dU, after it 1, after the run
                        U1 = D + (1 - D) e^(-run / tau), so the stop must last tau_stop ln(U1 / U0);
                        two: the stop for which the cycle repeats itself, by stepping cycles until they do

A duty that heats the motor beyond what any stop cools permits none: 0. Valid for equal cycles; the motor stands between the runs.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from gateway.instants import after, seconds_between
from gateway.motors import starts_table
from gateway.motors.facts import Starter
from gateway.motors.history import HeatState, LearnedStart
from gateway.motors.motor_data import whole_starts
from gateway.motors.rating_index import parse_rating
from gateway.motors.records import LimitName
from gateway.motors.starter_rating import severity
from gateway.motors.thermal import ThermalModel, thermal_model

CYCLES_TO_SETTLE = 400
"""Cycles after which a duty that has not repeated itself is taken as it stands."""
_SETTLED_S = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class Duty:
    """One cycle of work: run time after the start [s] and the current in it, x FLC."""

    run_s: float
    run_ratio: float


def sustained_starts_per_hour(starter: Starter, learned: LearnedStart, duty: Duty) -> dict[LimitName, float]:
    """Return the starts an hour that each limit in force permits for ever; ValueError for a rating that cannot be read.

    >>> from gateway.motors.facts import LimitSettings, MotorData
    >>> motor = MotorData(rated_power_kw=45, rated_voltage_v=400, flc_a=80)
    >>> fan = Starter(name="F-101", motor=motor, limits=LimitSettings(starts_per_hour=6, off_time_s=600.0))
    >>> learned = LearnedStart(count=3, heat=0.14, winding_i2t_flc2s=72.0, duration_s=10.0, estimated=False)
    >>> found = sustained_starts_per_hour(fan, learned, Duty(run_s=590.0, run_ratio=0.9))
    >>> {limit.value: round(rate, 2) for limit, rate in found.items()}
    {'site_starts_per_hour': 6.0, 'site_off_time': 3.0, 'thermal_capacity': 4.04}
    """
    found: dict[LimitName, float] = {}
    limits, motor = starter.limits, starter.motor
    on_s = learned.duration_s + duty.run_s
    if limits.starts_per_hour is not None:
        found[LimitName.SITE_STARTS_PER_HOUR] = float(limits.starts_per_hour)
    if limits.off_time_s is not None:
        found[LimitName.SITE_OFF_TIME] = 3600.0 / (on_s + limits.off_time_s)
    if starter.device.rating is not None:
        found[LimitName.STARTER_RATING] = _rated_rate(starter, learned, on_s)
    if motor.starts_per_hour is not None:
        found[LimitName.MOTOR_DATA] = _whole_rate(motor.starts_per_hour)
    allowable = starts_table.allowed_for(starter)
    if allowable is not None:
        found[LimitName.NEMA_MG10] = min(_whole_rate(allowable.starts_per_hour), 3600.0 / (on_s + allowable.off_time_s))
    found[LimitName.THERMAL_CAPACITY] = thermal_rate(thermal_model(starter), limits.heat_margin, learned, duty)
    return found


def thermal_rate(model: ThermalModel, margin: float, learned: LearnedStart, duty: Duty) -> float:
    """Return the starts an hour that the thermal capacity permits for ever, 0 when none.

    Every cycle starts at the level that just permits it; with one time constant the first cycle repeats itself already, which is the closed
    form.
    """
    level = 1.0 - margin * learned.heat
    # Every node at the limit: the slow one is then warmer than where it settles, so a rate not settled yet is too low, not too high.
    state = model.warm(0, 1.0)
    cycle_s = 0.0
    for _ in range(CYCLES_TO_SETTLE):
        # The start is charged as a whole, without cooling, so its time passes without the model.
        began_at, started = state.at, replace(state, at=after(state.at, learned.duration_s))
        state = model.after(started, after(started.at, duty.run_s), duty.run_ratio, True)
        cooled_at = model.cooled_to(state, level)
        if cooled_at is None:
            return 0.0
        state = _charged(model, model.after(state, cooled_at, 0.0, False), margin * learned.heat)
        before_s, cycle_s = cycle_s, seconds_between(began_at, state.at)
        if abs(cycle_s - before_s) < _SETTLED_S:
            break
    return 3600.0 / cycle_s


def _charged(model: ThermalModel, state: HeatState, heat: float) -> HeatState:
    # Here the heat is given, not guessed: no doubt goes with it.
    return replace(state, nodes=(*model.charged(state, heat).nodes[:-1], 0.0))


def _whole_rate(rate_per_hour: float) -> float:
    number, window_s = whole_starts(rate_per_hour)
    return 3600.0 * number / window_s


def _rated_rate(starter: Starter, learned: LearnedStart, on_s: float) -> float:
    rating = parse_rating(starter.device.rating or "")
    factor = max(1.0, severity(rating, starter, learned.winding_i2t_flc2s))
    if rating.kind == "b":
        # The motor may run on the bypass meanwhile, so the run counts as rest of the semiconductors.
        return 3600.0 / max(learned.duration_s + rating.rest_s * factor, on_s)
    return 3600.0 / max(rating.cycle_s * factor, on_s + rating.rest_s)
