"""Two starts from cold, or one from hot (NEMA MG 1 12.54.1, IEC 60034-12).

MG 1 12.54.1: a Design A or B cage motor manages two starts in succession, coasting to rest in between, from ambient temperature, or one
start from a temperature not above rated-load operating temperature. IEC 60034-12 (from memory - confirm) says the same and permits a
further start only if the temperature before it is not above the steady rated-load temperature. Neither says "per hour", and it is not
turned into an hourly figure here.

What decides is temperature, so the rule reads the thermal capacity used:
    below COLD_USED             the motor is cold: two starts
    a series begun cold         its second start is permitted at once, whatever the first one left
    up to the rated-load level  the motor is hot but not above rated-load temperature: one start
    above it                    wait until it has cooled to that level at standstill

Valid when: voltage and frequency inside the motor's tolerance, a square-law load torque that equals rated torque at rated speed, and load
inertia inside the standard's limit. The rule counts on the motor coasting to rest before each start, which the gateway does not see.
"""

from __future__ import annotations

from dataclasses import dataclass

from gateway.instants import Instant, seconds_between
from gateway.motors.facts import Starter
from gateway.motors.history import History
from gateway.motors.records import LimitName, LimitVerdict
from gateway.motors.thermal import thermal_model
from gateway.motors.thermal_capacity import heat_at
from gateway.motors.verdicts import hidden_starts, judged, marks_until, verdict_of
from gateway.motors.wording import counted, duration_words

COLD_STARTS = 2
HOT_STARTS = 1
COLD_SHARE = 0.1
"""Share of the rated-load level below which a motor counts as being at ambient temperature; own choice."""
SOURCE = "two starts cold / one hot, NEMA MG 1 12.54.1 and IEC 60034-12 (from memory - confirm)"
_ROUNDING = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Succession:
    """What the rule permits at one instant: starts left, when the next one is permitted (None: never), the reason and what is doubtful."""

    starts_left: int
    next_start_at: Instant | None
    reason: str
    doubt: str


def verdict(starter: Starter, history: History, at: Instant) -> LimitVerdict | None:
    """Return the verdict of two cold / one hot, None when the site does not hold starts against it.

    >>> from gateway.motors.history import HeatState, LearnedStart
    >>> from gateway.motors.facts import LimitSettings, MotorData
    >>> from gateway.motors.records import MotorState
    >>> fan = Starter(name="F-101", motor=MotorData(rated_power_kw=45, rated_voltage_v=400, flc_a=80), limits=LimitSettings(cold_hot=True))
    >>> learned = LearnedStart(count=3, heat=0.14, winding_i2t_flc2s=72.0, duration_s=9.0, estimated=False)
    >>> def left(x):
    ...     heat = HeatState(at=0, nodes=(x, 0.0))
    ...     return verdict(fan, History(at=0, state=MotorState.STOPPED, marks=(), off_since=0, heat=heat, learned=learned), 0).starts_left
    >>> left(0.0), left(0.8), left(1.1)     # ambient, hot, above rated-load temperature
    (2, 1, 0)
    """
    if not starter.limits.cold_hot:
        return None
    found = succession(starter, history, at, COLD_STARTS, HOT_STARTS)
    said = verdict_of(
        LimitName.COLD_HOT, SOURCE, at, found.next_start_at, found.reason, starts_left=found.starts_left, holds=holds_of(found, at),
        doubt=found.doubt
    )
    return judged(said, starter, history)


def succession(starter: Starter, history: History, at: Instant, cold_starts: int, hot_starts: int) -> Succession:
    """Return what a rule "so many starts in succession from cold, so many from hot" permits at `at`."""
    model = thermal_model(starter)
    state = heat_at(model, starter, history, at)
    used, rated = model.used(state), model.rated_used
    doubt = "" if state.certain else state.reason
    made = made_in_series_from_cold(starter, history, at, COLD_SHARE * rated)
    level = f"{100 * used:.0f} % used, rated load {100 * rated:.0f} %"
    if used <= COLD_SHARE * rated:
        return Succession(starts_left=cold_starts, next_start_at=at if cold_starts else None, reason=f"cold: {level}", doubt=doubt)
    if made is not None and made < cold_starts:
        left = cold_starts - made
        reason = f"{made} of {counted(cold_starts, 'start')} from cold made"
        return Succession(starts_left=left, next_start_at=at, reason=reason, doubt=doubt)
    if hot_starts <= 0:
        cold_at = model.cooled_to(state, COLD_SHARE * rated)
        return Succession(starts_left=0, next_start_at=cold_at, reason=f"only starts from cold are permitted: {level}", doubt=doubt)
    if used <= rated * (1.0 + _ROUNDING):
        return Succession(starts_left=hot_starts, next_start_at=at, reason=f"hot: {level}", doubt=doubt)
    next_at = model.cooled_to(state, rated)
    wait = "" if next_at is None else f"; cools to it in {duration_words(seconds_between(at, next_at))}"
    return Succession(starts_left=0, next_start_at=next_at, reason=f"above rated-load temperature: {level}{wait}", doubt=doubt)


def made_in_series_from_cold(starter: Starter, history: History, at: Instant, cold_level: float) -> int | None:
    """Return how many starts the series that began with the last start from cold has; None when there is none or it is not known.

    Starts that a gap may hide make it unknown: they may belong to the series.
    """
    marks = marks_until(history, at)
    for place in range(len(marks) - 1, -1, -1):
        heat_before = marks[place].heat_before
        if heat_before is None:
            return None
        if heat_before <= cold_level:
            window_s = max(0.0, seconds_between(marks[place].began_at, at))
            return None if hidden_starts(starter, history, at, window_s, 1).begins else len(marks) - place
    return None


def holds_of(found: Succession, at: Instant) -> tuple[tuple[Instant, Instant], ...]:
    """Return the span that must pass before the next start, empty when it is permitted now or never."""
    return ((at, found.next_start_at),) if found.next_start_at is not None and found.next_start_at > at else ()
