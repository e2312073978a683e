"""The budget: all limits together, how many starts are left, when the next one is permitted and which limit decides.

    starts left      the least of the limits that count starts
    next start       the latest of all limits
    deciding limit   the one with the latest next start; when a start is permitted now, the one with the fewest starts left; else the order
    of `LimitName`

A limit that can never permit a start decides before all others. While no readings come the next start cannot be told (quality BAD); a
verdict that missing data make uncertain makes the budget UNCERTAIN. The budget is advice: it replaces no protection, no interlock and no
maker's data.
"""

from __future__ import annotations

from collections.abc import Callable

from gateway.instants import Instant, seconds_between
from gateway.motors import cold_hot, motor_data, site_rules, starter_rating, starts_table, thermal_capacity
from gateway.motors.facts import Starter
from gateway.motors.history import History
from gateway.motors.reading import Quality
from gateway.motors.records import Budget, LimitName, LimitVerdict
from gateway.motors.verdicts import is_blind
from gateway.motors.wording import counted, duration_words

LIMITS: tuple[Callable[[Starter, History, Instant], LimitVerdict | None], ...] = (
    site_rules.starts_per_hour,
    site_rules.off_time,
    starter_rating.verdict,
    motor_data.verdict,
    starts_table.verdict,
    cold_hot.verdict,
)
"""Every limit that may be set; each returns its verdict, or None when it is not. Thermal capacity comes on top, always."""

_ORDER = {name: place for place, name in enumerate(LimitName)}
_NO_COUNT = 1_000_000


def budget(starter: Starter, history: History, at: Instant) -> Budget:
    """Return what all limits together say at `at` (not before the last reading).

    >>> from gateway.motors.history import HeatState, LearnedStart
    >>> from gateway.motors.facts import LimitSettings, MotorData
    >>> from gateway.motors.records import MotorState
    >>> motor = MotorData(rated_power_kw=45, rated_voltage_v=400, flc_a=80)
    >>> fan = Starter(name="F-101", motor=motor, limits=LimitSettings(starts_per_hour=3, off_time_s=600.0))
    >>> learned = LearnedStart(count=3, heat=0.14, winding_i2t_flc2s=72.0, duration_s=9.0, estimated=False)
    >>> cold = HeatState(at=0, nodes=(0.0, 0.0))
    >>> history = History(at=0, state=MotorState.STOPPED, marks=(), off_since=-60_000_000, heat=cold, learned=learned)
    >>> said = budget(fan, history, 0)
    >>> said.starts_left, said.next_start_at, said.deciding_limit.value
    (3, 540000000, 'site_off_time')
    >>> said.reason
    'next start in 9 min: off for 60 s of 10 min'
    """
    found = [limit(starter, history, at) for limit in LIMITS]
    in_force = [verdict for verdict in found if verdict is not None]
    verdicts = tuple(sorted((*in_force, thermal_capacity.verdict(starter, history, at)), key=_decides_first))
    starts_left = min(verdict.starts_left for verdict in verdicts if verdict.starts_left is not None)
    deciding = verdicts[0]
    if is_blind(starter, history):
        return Budget(
            as_of=at,
            starts_left=starts_left,
            next_start_at=None,
            deciding_limit=None,
            limits=verdicts,
            quality=Quality.BAD,
            reason=deciding.reason,
        )
    return Budget(
        as_of=at,
        starts_left=starts_left,
        next_start_at=deciding.next_start_at,
        deciding_limit=deciding.limit,
        limits=verdicts,
        quality=Quality.GOOD if all(verdict.certain for verdict in verdicts) else Quality.UNCERTAIN,
        reason=_reason(deciding, starts_left, at),
    )


def _decides_first(verdict: LimitVerdict) -> tuple[bool, int, int, int]:
    left = _NO_COUNT if verdict.starts_left is None else verdict.starts_left
    next_at = 0 if verdict.next_start_at is None else verdict.next_start_at
    return (verdict.next_start_at is not None, -next_at, left, _ORDER[verdict.limit])


def _reason(deciding: LimitVerdict, starts_left: int, at: Instant) -> str:
    if deciding.next_start_at is None:
        return f"no start is permitted: {deciding.reason}"
    if deciding.next_start_at > at:
        return f"next start in {duration_words(seconds_between(at, deciding.next_start_at))}: {deciding.reason}"
    return f"{counted(starts_left, 'start')} left: {deciding.reason}"
