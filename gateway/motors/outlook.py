"""What stands behind a budget: how clearly it was decided, how the motor cools meanwhile, what a start would do, what it may do for ever.

If a start were made now all the same, permitted or not: the heat after it (the heat now and the learned cost of a start, without margin),
the limits that it breaks, and the budget after it. That start is taken to be as the learned one, at once, with the motor off after it.
The heat to come is that of a motor that stands; one that is on is taken to be stopped at the budget's instant.
"""

from __future__ import annotations

from dataclasses import replace

from gateway.instants import HOUR, Instant, after, seconds_between
from gateway.motors.budget import budget
from gateway.motors.facts import Starter
from gateway.motors.history import History, StartMark
from gateway.motors.outlook_terms import IfStarted, Outlook, Sustained
from gateway.motors.reading import Quality
from gateway.motors.records import Budget, LimitVerdict, MotorState, Outcome
from gateway.motors.sustained import Duty, sustained_starts_per_hour
from gateway.motors.thermal import thermal_model
from gateway.motors.thermal_capacity import heat_at

HEAT_POINTS = 25


def with_outlook(starter: Starter, history: History, found: Budget) -> Budget:
    """Return a budget with its outlook; as it was while nothing can be told (quality BAD).

    >>> from gateway.motors.history import HeatState, LearnedStart
    >>> from gateway.motors.facts import LimitSettings, MotorData
    >>> motor = MotorData(rated_power_kw=45, rated_voltage_v=400, flc_a=80)
    >>> fan = Starter(name="F-101", motor=motor, limits=LimitSettings(starts_per_hour=3))
    >>> learned = LearnedStart(count=3, heat=0.3, winding_i2t_flc2s=72.0, duration_s=9.0, estimated=False)
    >>> heat = HeatState(at=0, nodes=(0.8, 0.0))
    >>> history = History(at=0, state=MotorState.STOPPED, marks=(), off_since=0, heat=heat, learned=learned)
    >>> behind = with_outlook(fan, history, budget(fan, history, 0)).outlook
    >>> round(behind.if_started.heat_after, 2), round(behind.if_started.over_by, 2), [limit.value for limit in behind.if_started.broken]
    (1.1, 0.1, ['thermal_capacity'])
    >>> behind.runner_up.value, round(behind.decides_by_s)
    ('site_starts_per_hour', 721)
    """
    if found.quality is Quality.BAD:
        return found
    runner_up, by_s, by_starts = _decided_by(found)
    outlook = Outlook(
        runner_up=None if runner_up is None else runner_up.limit,
        decides_by_s=by_s,
        decides_by_starts=by_starts,
        heat=heat_to_come(starter, history, found),
        if_started=_if_started(starter, history, found),
        sustained=_sustained(starter, history),
    )
    return replace(found, outlook=outlook)


def heat_to_come(starter: Starter, history: History, found: Budget) -> tuple[tuple[Instant, float], ...]:
    """Return (instant, thermal capacity used) from the budget's instant to the next permitted start, an hour where that is now or never."""
    at, until = found.as_of, found.next_start_at
    if until is None or until <= at:
        until = at + HOUR
    model = thermal_model(starter)
    state = heat_at(model, starter, history, at)
    instants = [at + (until - at) * place // (HEAT_POINTS - 1) for place in range(HEAT_POINTS)]
    return tuple((instant, model.used_when_stopped(state, instant)) for instant in instants)


def _decided_by(found: Budget) -> tuple[LimitVerdict | None, float | None, int | None]:
    if len(found.limits) < 2:
        return None, None, None
    deciding, runner_up = found.limits[:2]
    if deciding.next_start_at is None or runner_up.next_start_at is None:
        return runner_up, None, None
    if deciding.next_start_at > found.as_of:
        return runner_up, seconds_between(runner_up.next_start_at, deciding.next_start_at), None
    if deciding.starts_left is None or runner_up.starts_left is None:
        return runner_up, None, None
    return runner_up, None, runner_up.starts_left - deciding.starts_left


def _if_started(starter: Starter, history: History, found: Budget) -> IfStarted:
    model, learned, at = thermal_model(starter), history.learned, found.as_of
    state = heat_at(model, starter, history, at)
    before = model.used(state)
    charged = model.charged(state, learned.heat, state.reason)
    ended_at = after(at, learned.duration_s)
    # The heat of this start is given, not guessed: no doubt goes with it. Its time passes without cooling.
    heat = replace(charged, at=ended_at, nodes=(*charged.nodes[:-1], state.nodes[-1]), certain=state.certain, reason=state.reason)
    mark = StartMark(
        began_at=at,
        ended_at=ended_at,
        outcome=Outcome.AT_SPEED,
        duration_s=learned.duration_s,
        winding_i2t_flc2s=learned.winding_i2t_flc2s,
        heat_before=before,
    )
    later = replace(history, at=ended_at, state=MotorState.STOPPED, marks=(*history.marks, mark), off_since=ended_at, heat=heat)
    return IfStarted(
        heat_before=before,
        heat_after=model.used(heat),
        over_by=max(0.0, model.used(heat) - 1.0),
        broken=tuple(verdict.limit for verdict in found.limits if verdict.next_start_at is None or verdict.next_start_at > at),
        next_start_at=budget(starter, later, ended_at).next_start_at,
        estimated=learned.estimated,
    )


def _sustained(starter: Starter, history: History) -> Sustained | None:
    if history.run_s is None or history.run_ratio is None:
        return None
    duty = Duty(run_s=history.run_s, run_ratio=history.run_ratio)
    try:
        rates = sustained_starts_per_hour(starter, history.learned, duty)
    except ValueError:
        return None  # a rating that cannot be read; its own verdict says so
    return Sustained(run_s=duty.run_s, run_ratio=duty.run_ratio, starts_per_hour=rates)
