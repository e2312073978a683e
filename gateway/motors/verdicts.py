"""What every limit needs: the verdict itself, a rolling window of starts, and what missing data may hide.

Missing data are judged the way that permits least. While no readings come nothing can be told. A gap that no counter explains may hide one
start and one more for each shortest cycle (a start of the learned length, then off long enough to be seen) that fits into it, all of them
at its end.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from gateway.instants import SECOND, Instant, after, seconds_between
from gateway.motors.facts import Starter
from gateway.motors.history import History, StartMark
from gateway.motors.reading import Quality
from gateway.motors.records import LimitName, LimitVerdict, MotorState, Outcome
from gateway.motors.wording import counted, duration_words

HOUR_S = 3600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Hidden:
    """Starts that missing data may hide, each placed as late as it can have been; `reason` is empty when there can be none."""

    begins: tuple[Instant, ...] = ()
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """A rolling window of starts at one instant: how many count, how many are left, when the next is permitted (None: never)."""

    used: int
    starts_left: int
    next_start_at: Instant | None
    holds: tuple[tuple[Instant, Instant], ...]


def is_blind(starter: Starter, history: History) -> bool:
    """Return True when no usable reading has come for longer than the starter's gap time: nothing can be told of the present."""
    return history.blind_since is not None and seconds_between(history.blind_since, history.at) > starter.thresholds.gap_s


def marks_until(history: History, at: Instant) -> tuple[StartMark, ...]:
    """Return the starts that had begun by `at`, oldest first, aborted and unseen ones and the one under way included."""
    return tuple(mark for mark in history.marks if mark.began_at <= at)


def start_under_way(history: History) -> StartMark | None:
    """Return the start that is under way, None when there is none."""
    return history.marks[-1] if history.marks and history.state is MotorState.STARTING else None


def hidden_starts(starter: Starter, history: History, at: Instant, window_s: float, at_most: int) -> Hidden:
    """Return the starts that unexplained gaps may hide from a window of `window_s` seconds before `at`, no more than `at_most`.

    >>> from gateway.motors.facts import MotorData
    >>> from gateway.motors.history import HeatState, LearnedStart
    >>> learned = LearnedStart(count=1, heat=0.1, winding_i2t_flc2s=70.0, duration_s=9.4, estimated=False)
    >>> history = History(at=90_000_000, state=MotorState.STOPPED, marks=(), off_since=None, heat=HeatState(at=0, nodes=(0.0, 0.0)),
    ...                   learned=learned, unexplained=((10_000_000, 35_000_000),))
    >>> fan = Starter(name="F-101", motor=MotorData(rated_power_kw=45, rated_voltage_v=400, flc_a=80))
    >>> hidden_starts(fan, history, 90_000_000, 3600.0, 5).begins      # 25 s: one, and two more cycles of 10 s
    (35000000, 35000000, 35000000)
    """
    limits = starter.thresholds
    cycle_s = max(history.learned.duration_s, limits.min_start_s) + limits.off_confirm_s
    begins: list[Instant] = []
    longest_s = 0.0
    for began_at, ended_at in history.unexplained:
        if ended_at <= after(at, -window_s) or began_at > at:
            continue
        gap_s = seconds_between(began_at, ended_at)
        longest_s = max(longest_s, gap_s)
        fit = 1 + math.floor(gap_s / cycle_s)
        begins.extend([ended_at] * min(fit, at_most - len(begins)))
    if not begins:
        return Hidden()
    found = counted(len(begins), "start")
    return Hidden(begins=tuple(sorted(begins)), reason=f"no readings for {duration_words(longest_s)}, {found} may be hidden there")


def rolling_window(begins: Sequence[Instant], allowed: int, window_s: float, at: Instant) -> Window:
    """Return the state of a rule "at most `allowed` starts in any `window_s` seconds".

    A start counts from its begin until exactly `window_s` later, when it lets go.

    >>> rolling_window([0, 600_000_000], 2, 3600.0, 1200_000_000).next_start_at     # the first one lets go after 60 min
    3600000000
    >>> rolling_window([0, 600_000_000], 2, 3600.0, 3600_000_000).starts_left
    1
    """
    span = round(window_s * SECOND)
    inside = sorted(begin for begin in begins if at - span < begin <= at)
    left = max(0, allowed - len(inside))
    next_at: Instant | None = at
    if left == 0:
        next_at = inside[-allowed] + span if allowed > 0 else None
    return Window(used=len(inside), starts_left=left, next_start_at=next_at, holds=tuple((begin, begin + span) for begin in inside))


def off_since(starter: Starter, history: History, at: Instant) -> tuple[Instant | None, str]:
    """Return since when the motor has surely been off, and why that is not certain ("" when it is); None when it is on or that is not
    known.

    An unseen start, or one that a gap may hide, ended no later than its gap: the off time counts from there.
    """
    if history.state is MotorState.UNKNOWN:
        return None, "not known whether the motor is on"
    if history.off_since is None:
        known_on = history.state in (MotorState.STARTING, MotorState.RUNNING, MotorState.STOPPING)
        return None, "" if known_on else "not known since when the motor is off"
    since, doubt = history.off_since, ""
    for mark in history.marks:
        if mark.outcome is Outcome.UNSEEN and since < mark.ended_at <= at:
            since, doubt = mark.ended_at, "an unseen start may have ended later than the last stop that was seen"
    for _, ended_at in history.unexplained:
        if since < ended_at <= at:
            since, doubt = ended_at, "a gap without readings may hide a start"
    return since, doubt


def verdict_of(
    limit: LimitName,
    source: str,
    at: Instant,
    next_start_at: Instant | None,
    reason: str,
    *,
    starts_left: int | None = None,
    allowed: float | None = None,
    used: int | None = None,
    holds: tuple[tuple[Instant, Instant], ...] = (),
    doubt: str = "",
) -> LimitVerdict:
    """Return a verdict with the wait reckoned from `at`; a next start in the past is now. `doubt` says why it is not certain."""
    next_at = None if next_start_at is None else max(at, next_start_at)
    return LimitVerdict(
        limit=limit,
        source=source,
        starts_left=starts_left,
        next_start_at=next_at,
        wait_s=None if next_at is None else seconds_between(at, next_at),
        reason=f"{reason}; {doubt}" if doubt else reason,
        allowed=allowed,
        used=used,
        holds=holds,
        certain=not doubt,
    )


def judged(verdict: LimitVerdict, starter: Starter, history: History) -> LimitVerdict:
    """Return the verdict as the quality of the history allows: while no readings come the next start cannot be told, and none is left."""
    if is_blind(starter, history):
        blind_s = seconds_between(history.blind_since or history.at, history.at)
        reason = f"no readings for {duration_words(blind_s)}, the next start cannot be told"
        left = None if verdict.starts_left is None else 0
        return replace(verdict, starts_left=left, next_start_at=None, wait_s=None, reason=reason, certain=False)
    if history.quality is Quality.BAD and verdict.certain:
        return replace(verdict, reason=f"{verdict.reason}; {history.reason}" if history.reason else verdict.reason, certain=False)
    return verdict
