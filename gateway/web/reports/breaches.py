"""Which starts were begun before a limit permitted them, by the same rules as the budget, told the past as it was at each start. Pure.

The decision rule, with the uncertainty taken in favour of the start: the begin is taken as late as its error allows, and a verdict that
missing data make uncertain accuses nobody. Unseen starts count against those after them and are not judged themselves: their begin is not
known. Thermal capacity counts as exceeded when the heat after the start is above 100 %.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from gateway.instants import HOUR, Instant, after, seconds_between
from gateway.motors.budget import LIMITS
from gateway.motors.facts import Starter
from gateway.motors.history import HeatState, History, StartMark
from gateway.motors.records import LimitName, LimitVerdict, MotorState, Outcome, Start, Stop
from gateway.motors.thermal import learned_from, thermal_model

LOOK_BACK = 25 * HOUR
"""How far limits look back; the same as the running gateway's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Breach:
    """One start that a limit did not permit yet. early_s: how much too early, None when the limit never permits one or counts no time."""

    limit: LimitName
    number: int
    began_at: Instant
    early_s: float | None
    reason: str


def breaches_of(starter: Starter, starts: Sequence[Start], stops: Sequence[Stop], from_at: Instant) -> tuple[Breach, ...]:
    """Return the breaches of the starts that began at or after `from_at`; `starts` and `stops` reach back a day before it, in order."""
    found: list[Breach] = []
    for place, start in enumerate(starts):
        if start.outcome is Outcome.UNSEEN or start.began_at < from_at:
            continue
        earlier = [each for each in starts[:place] if each.ended_at > start.began_at - LOOK_BACK]
        found += _breaches(starter, start, earlier, stops)
    return tuple(found)


def limits_in_force(starter: Starter, at: Instant) -> tuple[LimitVerdict, ...]:
    """Return what each limit of the site file says of a rested, cold motor: for its name and source."""
    history = _history(starter, (), thermal_model(starter).cold(at), at, off_since=at - LOOK_BACK)
    return tuple(verdict for limit in LIMITS if (verdict := limit(starter, history, at)) is not None)


def _breaches(starter: Starter, start: Start, earlier: Sequence[Start], stops: Sequence[Stop]) -> list[Breach]:
    at = after(start.began_at, start.began_error_s)
    marks = tuple(_mark(each) for each in earlier)
    last_begin = max((mark.began_at for mark in marks), default=start.began_at - LOOK_BACK)
    ended = [stop.ended_at for stop in stops if last_begin < stop.ended_at <= start.began_at]
    model = thermal_model(starter)
    heat = model.initial(at) if start.heat_before is None else model.warm(at, start.heat_before)
    history = _history(starter, marks, heat, at, off_since=ended[-1] if ended else None)
    found = [_breach(start, at, verdict) for limit in LIMITS if (verdict := limit(starter, history, at)) is not None]
    if start.heat_after is not None and start.heat_after > 1.0:
        reason = f"heat {100 * start.heat_after:.0f} % after the start"
        found.append(Breach(limit=LimitName.THERMAL_CAPACITY, number=start.number, began_at=start.began_at, early_s=None, reason=reason))
    return [breach for breach in found if breach is not None]


def _breach(start: Start, at: Instant, verdict: LimitVerdict) -> Breach | None:
    if not verdict.certain or (verdict.next_start_at is not None and verdict.next_start_at <= at):
        return None
    early_s = None if verdict.next_start_at is None else seconds_between(at, verdict.next_start_at)
    return Breach(limit=verdict.limit, number=start.number, began_at=start.began_at, early_s=early_s, reason=verdict.reason)


def _history(starter: Starter, marks: tuple[StartMark, ...], heat: HeatState, at: Instant, *, off_since: Instant | None) -> History:
    learned = learned_from(starter, marks)
    return History(at=at, state=MotorState.STOPPED, marks=marks, off_since=off_since, heat=heat, learned=learned)


def _mark(start: Start) -> StartMark:
    return StartMark(
        began_at=start.ended_at if start.outcome is Outcome.UNSEEN else start.began_at,
        ended_at=start.ended_at,
        outcome=start.outcome,
        duration_s=start.duration_s,
        peak_ratio=start.peak_ratio,
        winding_i2t_flc2s=start.winding_i2t_flc2s,
        heat_before=start.heat_before,
    )
