"""The site's own rules: at most so many starts in any 60 minutes, and a least off time between two runs.

Rolling 60 minutes, not clock hours: a start counts from its begin until exactly 60 min later. Aborted, jogged and unseen starts count as
any other, and so does the one under way. The off time counts from the instant at which the current went off; for a motor that is on, from a
stop now.
Source: the site file (`starts_per_hour_source`, `off_time_source`), since no standard gives one figure for all motors.
"""

from __future__ import annotations

from gateway.instants import Instant, after, seconds_between
from gateway.motors.facts import Starter
from gateway.motors.history import History
from gateway.motors.records import LimitName, LimitVerdict
from gateway.motors.verdicts import HOUR_S, hidden_starts, judged, marks_until, off_since, rolling_window, verdict_of
from gateway.motors.wording import counted, duration_words


def starts_per_hour(starter: Starter, history: History, at: Instant) -> LimitVerdict | None:
    """Return the verdict of the site's starts per hour, None when it is not set.

    >>> from gateway.motors.history import HeatState, LearnedStart, StartMark
    >>> from gateway.motors.facts import LimitSettings, MotorData
    >>> from gateway.motors.records import MotorState, Outcome
    >>> motor = MotorData(rated_power_kw=45, rated_voltage_v=400, flc_a=80)
    >>> fan = Starter(name="F-101", motor=motor, limits=LimitSettings(starts_per_hour=2))
    >>> marks = tuple(StartMark(began_at=m * 60_000_000, ended_at=m * 60_000_000, outcome=Outcome.AT_SPEED) for m in (0, 20))
    >>> learned = LearnedStart(count=2, heat=0.1, winding_i2t_flc2s=70.0, duration_s=9.0, estimated=False)
    >>> now = 30 * 60_000_000
    >>> heat = HeatState(at=now, nodes=(0.0, 0.0))
    >>> history = History(at=now, state=MotorState.RUNNING, marks=marks, off_since=None, heat=heat, learned=learned)
    >>> verdict = starts_per_hour(fan, history, now)
    >>> verdict.starts_left, verdict.wait_s, verdict.reason
    (0, 1800.0, '2 of 2 starts in 60 min; the oldest lets go in 30 min')
    """
    allowed = starter.limits.starts_per_hour
    if allowed is None:
        return None
    hidden = hidden_starts(starter, history, at, HOUR_S, allowed)
    begins = [mark.began_at for mark in marks_until(history, at)]
    window = rolling_window([*begins, *hidden.begins], allowed, HOUR_S, at)
    reason = f"{window.used} of {counted(allowed, 'start')} in 60 min"
    if window.next_start_at is None:
        reason += "; no start is permitted by this rule"
    elif window.starts_left == 0:
        which = "the oldest lets go" if window.used == allowed else "enough of them have let go"
        reason += f"; {which} in {duration_words(seconds_between(at, window.next_start_at))}"
    verdict = verdict_of(
        LimitName.SITE_STARTS_PER_HOUR,
        starter.limits.starts_per_hour_source,
        at,
        window.next_start_at,
        reason,
        starts_left=window.starts_left,
        allowed=float(allowed),
        used=window.used,
        holds=window.holds,
        doubt=hidden.reason,
    )
    return judged(verdict, starter, history)


def off_time(starter: Starter, history: History, at: Instant) -> LimitVerdict | None:
    """Return the verdict of the site's least off time, None when it is not set."""
    least_s = starter.limits.off_time_s
    if least_s is None:
        return None
    return rest_verdict(LimitName.SITE_OFF_TIME, starter.limits.off_time_source, least_s, starter, history, at)


def rest_verdict(limit: LimitName, source: str, least_s: float, starter: Starter, history: History, at: Instant) -> LimitVerdict:
    """Return the verdict of any rule "off for at least `least_s` seconds before the next start"."""
    since, doubt = off_since(starter, history, at)
    counts_from = at if since is None else since
    next_at = after(counts_from, least_s)
    if since is None:
        reason = f"off time {duration_words(least_s)}, counts from the stop"
    elif next_at > at:
        reason = f"off for {duration_words(seconds_between(since, at))} of {duration_words(least_s)}"
    else:
        reason = f"off time {duration_words(least_s)} is kept"
    holds = ((counts_from, next_at),) if next_at > at else ()
    # A doubt matters only while the off time is not over.
    verdict = verdict_of(limit, source, at, next_at, reason, holds=holds, doubt=doubt if next_at > at else "")
    return judged(verdict, starter, history)
