"""Limits that the motor's own data sheet gives: starts an hour, and starts in succession from cold and from hot.

Starts an hour may be fractional. 1.8 an hour means that two starts inside one hour are already too many, so the whole part counts in any 60
minutes; below one an hour it is one start in 3600 / rate seconds. Starts in succession are judged by temperature as in `cold_hot`; where
only one of the two counts is given the other is taken from NEMA MG 1 12.54.1 (two cold, one hot), but never more from hot than from cold.
The stricter of the two rules is the verdict. Valid for: the conditions of the data sheet (load inertia, load torque, voltage).
"""

from __future__ import annotations

import math
from dataclasses import replace

from gateway.instants import Instant, seconds_between
from gateway.motors.cold_hot import COLD_STARTS, HOT_STARTS, holds_of, succession
from gateway.motors.facts import Starter
from gateway.motors.history import History
from gateway.motors.records import LimitName, LimitVerdict
from gateway.motors.verdicts import HOUR_S, hidden_starts, judged, marks_until, rolling_window, verdict_of
from gateway.motors.wording import counted, duration_words


def verdict(starter: Starter, history: History, at: Instant) -> LimitVerdict | None:
    """Return the verdict of the motor data, None when they say nothing on starts.

    >>> from gateway.motors.history import HeatState, LearnedStart, StartMark
    >>> from gateway.motors.facts import MotorData
    >>> from gateway.motors.records import MotorState, Outcome
    >>> pump = Starter(name="P-1", motor=MotorData(rated_power_kw=185, rated_voltage_v=400, flc_a=320, starts_per_hour=1.8))
    >>> learned = LearnedStart(count=3, heat=0.14, winding_i2t_flc2s=72.0, duration_s=9.0, estimated=False)
    >>> mark = StartMark(began_at=0, ended_at=9_000_000, outcome=Outcome.AT_SPEED)
    >>> now = 600_000_000
    >>> heat = HeatState(at=now, nodes=(0.0, 0.0))
    >>> history = History(at=now, state=MotorState.RUNNING, marks=(mark,), off_since=None, heat=heat, learned=learned)
    >>> said = verdict(pump, history, now)
    >>> said.starts_left, said.wait_s, said.reason
    (0, 3000.0, '1 start in 60 min, the motor data permit 1.8 per hour; next in 50 min')
    """
    found = [said for said in (_rate(starter, history, at), _succession(starter, history, at)) if said is not None]
    if not found:
        return None
    stricter = min(found, key=_strictness)
    certain = all(said.certain for said in found)
    lefts = [said.starts_left for said in found if said.starts_left is not None]
    return judged(replace(stricter, starts_left=min(lefts), certain=certain), starter, history)


def whole_starts(rate_per_hour: float) -> tuple[int, float]:
    """Return a rate as starts in a window: (number, window [s]).

    >>> whole_starts(1.8), whole_starts(6.0), whole_starts(0.5), whole_starts(0.0)
    ((1, 3600.0), (6, 3600.0), (1, 7200.0), (0, 3600.0))
    """
    if rate_per_hour >= 1.0:
        return math.floor(rate_per_hour), HOUR_S
    return (1, HOUR_S / rate_per_hour) if rate_per_hour > 0.0 else (0, HOUR_S)


def rate_verdict(
    limit: LimitName, source: str, said_by: str, rate_per_hour: float, starter: Starter, history: History, at: Instant
) -> LimitVerdict:
    """Return the verdict of a rate that may be fractional; `said_by` names its origin in the reason, with its verb."""
    allowed, window_s = whole_starts(rate_per_hour)
    hidden = hidden_starts(starter, history, at, window_s, allowed)
    begins = [mark.began_at for mark in marks_until(history, at)]
    window = rolling_window([*begins, *hidden.begins], allowed, window_s, at)
    reason = f"{counted(window.used, 'start')} in {duration_words(window_s)}, {said_by} {rate_per_hour:.3g} per hour"
    if window.next_start_at is not None and window.starts_left == 0:
        reason += f"; next in {duration_words(seconds_between(at, window.next_start_at))}"
    return verdict_of(
        limit,
        source,
        at,
        window.next_start_at,
        reason,
        starts_left=window.starts_left,
        allowed=rate_per_hour,
        used=window.used,
        holds=window.holds,
        doubt=hidden.reason,
    )


def _rate(starter: Starter, history: History, at: Instant) -> LimitVerdict | None:
    rate = starter.motor.starts_per_hour
    if rate is None:
        return None
    return rate_verdict(LimitName.MOTOR_DATA, "motor data, starts per hour", "the motor data permit", rate, starter, history, at)


def _succession(starter: Starter, history: History, at: Instant) -> LimitVerdict | None:
    motor = starter.motor
    if motor.cold_starts is None and motor.hot_starts is None:
        return None
    cold = motor.cold_starts if motor.cold_starts is not None else max(COLD_STARTS, motor.hot_starts or 0)
    hot = motor.hot_starts if motor.hot_starts is not None else min(HOT_STARTS, cold)
    found = succession(starter, history, at, cold, hot)
    source = f"motor data, {cold} cold / {hot} hot starts in succession"
    return verdict_of(
        LimitName.MOTOR_DATA, source, at, found.next_start_at, found.reason, starts_left=found.starts_left, holds=holds_of(found, at),
        doubt=found.doubt
    )


def _strictness(said: LimitVerdict) -> tuple[bool, int, int]:
    left = 0 if said.starts_left is None else said.starts_left
    return (said.next_start_at is not None, -(said.next_start_at or 0), left)
