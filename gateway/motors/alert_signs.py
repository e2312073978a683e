"""What speaks for and against each kind of alert: strikes from events, standing conditions from the live state.

A strike raises its alert at once, even if its cause is over before the next look. A standing condition is active, clear or not known
(None); what is not known changes nothing, so bad data neither raise nor clear an alert on the process.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from gateway.instants import HOUR, Instant, seconds_between
from gateway.motors import starts_table
from gateway.motors.alert_rules import AlertKind, AlertRule, is_beyond
from gateway.motors.facts import Starter
from gateway.motors.motor_data import whole_starts
from gateway.motors.reading import Quality
from gateway.motors.records import Event, Live, MotorState, Outcome, StartBegan, StartEnded, StateChanged, StopEnded, UnseenStarts
from gateway.motors.wording import counted, duration_words

LABEL_CHARACTERS = 44
MISSED_POLLS = 3
IMPLAUSIBLE = "implausible"
DRIFT_GRADE = 0.2
"""Own choice: a drift that has gone on by so much of the baseline is news again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Strike:
    """An event that raises an alert at once."""

    kind: AlertKind
    at: Instant
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Memory:
    """What the signs remember from one look to the next.

    off_at: when the motor last went off as far as seen. broken_at: when a start last came before its off time was over, None once one kept
    it.
    stalled_number: the start that stalled, None once a later one reached speed. missed: looks in a row without usable data, the last at
    missed_at. starts: starts in 60 min at the last look with data.
    """

    off_at: Instant | None = None
    broken_at: Instant | None = None
    stalled_number: int | None = None
    missed: int = 0
    missed_at: Instant | None = None
    starts: int = 0


def hourly_limit(starter: Starter) -> int | None:
    """Return the least whole number of starts an hour that site rule, motor data and MG 10 table permit, None when none of them is set.

    >>> from gateway.motors.facts import LimitSettings, MotorData
    >>> motor = MotorData(rated_power_kw=45, rated_voltage_v=400, flc_a=80, starts_per_hour=2.5)
    >>> hourly_limit(Starter(name="F-101", motor=motor, limits=LimitSettings(starts_per_hour=3)))
    2
    """
    found = [] if starter.limits.starts_per_hour is None else [starter.limits.starts_per_hour]
    if starter.motor.starts_per_hour is not None:
        found.append(whole_starts(starter.motor.starts_per_hour)[0])
    allowable = starts_table.allowed_for(starter)
    if allowable is not None:
        found.append(whole_starts(allowable.starts_per_hour)[0])
    return min(found) if found else None


def struck(memory: Memory, starter: Starter, events: Sequence[Event]) -> tuple[Memory, tuple[Strike, ...]]:
    """Return the memory after the events, and the alerts that they raise at once."""
    strikes: list[Strike] = []
    for event in events:
        match event:
            case StateChanged(at=at, after=MotorState.TRIPPED):
                strikes.append(Strike(kind=AlertKind.TRIPPED, at=at, label=""))
            case StopEnded():
                memory = replace(memory, off_at=event.stop.ended_at)
            case StartBegan():
                memory, strike = _began(memory, starter, event)
                strikes.extend(strike)
            case StartEnded():
                memory, strike = _ended(memory, event)
                strikes.extend(strike)
            case UnseenStarts():
                # Each of them ended somewhere in its gap, so since when the motor is off is not known any more.
                memory = replace(memory, off_at=None)
                strikes.append(_unseen(event))
            case _:
                pass
    return memory, tuple(strikes)


def looked(memory: Memory, live: Live) -> Memory:
    """Return the memory after a look at the live state."""
    if is_without_data(live):
        return replace(memory, missed=memory.missed + (live.at != memory.missed_at), missed_at=live.at)
    if not memory.missed and memory.starts == live.starts_last_hour:
        return memory
    return replace(memory, missed=0, missed_at=None, starts=live.starts_last_hour)


def is_without_data(live: Live) -> bool:
    """Return True when the last poll brought nothing that may be used."""
    return live.quality is Quality.BAD or live.at is None or live.last_good_at is None or live.last_good_at < live.at


def is_active(rule: AlertRule, memory: Memory, starter: Starter, limit: int | None, live: Live, raised: bool) -> bool | None:
    """Return whether the condition of a rule holds now: True, False, or None when it is not known.

    `memory` is the one before this look, `limit` that of `hourly_limit`; `raised`: the alert is active or waits for its on-delay.
    """
    match rule.kind:
        case AlertKind.NO_DATA:
            return is_without_data(live) and _is_missing(memory, starter, live)
        case _ if is_without_data(live):
            return None
        case AlertKind.STARTS_NEAR_LIMIT:
            if limit is None or live.starts_last_hour < limit - 1:
                return False
            # A count that comes down from the limit is no news; only one that rises to the warning is.
            return raised or memory.starts < live.starts_last_hour < limit
        case AlertKind.STARTS_AT_LIMIT:
            return limit is not None and live.starts_last_hour >= max(1, limit)
        case AlertKind.HEAT:
            return _is_hot(rule, starter, live, raised)
        case AlertKind.TRIPPED:
            return None if live.state is MotorState.UNKNOWN else live.state is MotorState.TRIPPED
        case AlertKind.IMPLAUSIBLE_VALUE:
            return bool(live.flaws) and any(reason.startswith(IMPLAUSIBLE) for reason in live.flaws.values())
        case AlertKind.OFF_TIME_NOT_KEPT:
            past = memory.broken_at is None or (live.at is not None and live.at - memory.broken_at >= HOUR)
            return False if past else None
        case AlertKind.STALLED:
            return False if memory.stalled_number is None else None
        case AlertKind.UNSEEN_STARTS:
            return False if live.unseen_last_hour == 0 else None
        case AlertKind.PHASE_LOSS:
            return bool(live.lost_phase)
        case AlertKind.DRIFT:
            return bool(live.drifts)


def grade_of(kind: AlertKind, live: Live) -> int:
    """Return how bad an active condition is; when it grows the alert is raised again. Only starts over the limit and drift have grades.

    Drift: one for each fifth by which the figure furthest off has left its baseline.
    """
    if kind is AlertKind.DRIFT:
        return int(max((abs(drift.now / drift.baseline - 1.0) for drift in live.drifts if drift.baseline), default=0.0) / DRIFT_GRADE)
    return live.starts_last_hour if kind is AlertKind.STARTS_AT_LIMIT else 0


def advice_of(rule: AlertRule, live: Live) -> str:
    """Return what to look at first: the rule's own words, for a drift the hint that goes with it."""
    return live.drifts[0].hint if rule.kind is AlertKind.DRIFT and live.drifts else rule.first_action


def label_of(kind: AlertKind, memory: Memory, starter: Starter, limit: int | None, live: Live) -> str:
    """Return the label of a condition that holds now: what and how much, at most 44 characters."""
    match kind:
        case AlertKind.HEAT:
            heat = 100.0 * (live.heat or 0.0)
            return f"{heat:.0f} % thermal capacity used, limit {100 * starter.alerts.heat_warning:.0f} %"
        case AlertKind.TRIPPED:
            return trip_label(starter, live)
        case AlertKind.PHASE_LOSS:
            return fitted(f"phase loss: {live.lost_phase} carries no current")
        case AlertKind.DRIFT:
            more = f" (+{len(live.drifts) - 1})" if len(live.drifts) > 1 else ""
            return fitted(f"{live.drifts[0].text}{more}" if len(live.drifts[0].text) + len(more) <= LABEL_CHARACTERS else
            live.drifts[0].text)
        case AlertKind.NO_DATA:
            blind_s = _blind_s(live)
            missed = f"no data, {counted(_missed(memory, live), 'poll')} missed"
            return missed if blind_s is None else f"no data for {duration_words(blind_s)}"
        case AlertKind.IMPLAUSIBLE_VALUE:
            found = sorted((key, reason) for key, reason in live.flaws.items() if reason.startswith(IMPLAUSIBLE))
            key, reason = found[0]
            more = f" (+{len(found) - 1})" if len(found) > 1 else ""
            return fitted(f"{key}{reason.removeprefix(IMPLAUSIBLE)}{more}")
        case _:
            return fitted(f"{counted(live.starts_last_hour, 'start')} in 60 min, limit {limit}")


def trip_label(starter: Starter, live: Live) -> str:
    """Return the label of a trip, with the code's text where the map has one."""
    code = live.values.get("trip_code")
    if code is None or isinstance(code, str):
        return fitted(f"tripped: {code}" if code else "tripped, no code from the device")
    text = starter.signals.texts.get("trip_code", {}).get(int(code))
    return fitted(f"tripped: {text}, code {int(code)}" if text else f"tripped, code {int(code)}")


def fitted(label: str) -> str:
    """Return a label no longer than it may be.

    >>> len(fitted("a label that goes on and on beyond what fits into the space"))
    44
    """
    return label if len(label) <= LABEL_CHARACTERS else label[: LABEL_CHARACTERS - 1] + "\N{HORIZONTAL ELLIPSIS}"


def _began(memory: Memory, starter: Starter, event: StartBegan) -> tuple[Memory, tuple[Strike, ...]]:
    least_s = starter.limits.off_time_s
    off_at = memory.off_at
    memory = replace(memory, off_at=None)
    if least_s is None or off_at is None:
        return memory, ()
    off_s = seconds_between(off_at, event.at)
    if off_s >= least_s:
        return replace(memory, broken_at=None), ()
    label = fitted(f"off {duration_words(off_s)} before a start, rule {duration_words(least_s)}")
    return replace(memory, broken_at=event.at), (Strike(kind=AlertKind.OFF_TIME_NOT_KEPT, at=event.at, label=label),)


def _ended(memory: Memory, event: StartEnded) -> tuple[Memory, tuple[Strike, ...]]:
    start = event.start
    if start.outcome is Outcome.AT_SPEED:
        over = memory.stalled_number is not None and start.number > memory.stalled_number
        return (replace(memory, stalled_number=None) if over else memory), ()
    memory = replace(memory, off_at=start.ended_at)
    if start.outcome is not Outcome.STALLED or start.number == memory.stalled_number:
        return memory, ()  # the same start may come again with better figures
    label = "stalled"
    if start.duration_s is not None:
        label += f" for {duration_words(start.duration_s)}"
    if start.peak_ratio is not None:
        label += f" at up to {start.peak_ratio:.1f} x FLC"
    return replace(memory, stalled_number=start.number), (Strike(kind=AlertKind.STALLED, at=event.at, label=fitted(label)),)


def _unseen(event: UnseenStarts) -> Strike:
    label = f"{counted(len(event.starts), 'start')} not seen"
    if event.starts:
        gap_s = seconds_between(min(start.began_at for start in event.starts), max(start.ended_at for start in event.starts))
        label += f", within {duration_words(gap_s)}"
    return Strike(kind=AlertKind.UNSEEN_STARTS, at=event.at, label=fitted(label))


def _is_hot(rule: AlertRule, starter: Starter, live: Live, raised: bool) -> bool | None:
    if live.heat is None or live.heat_quality is Quality.BAD:
        return None
    beyond = is_beyond(live.heat, starter.alerts.heat_warning, rule.deadband, raised)
    # An uncertain heat is the highest that it can be: enough to clear an alert, not enough to raise one.
    return None if beyond and live.heat_quality is not Quality.GOOD else beyond


def _is_missing(memory: Memory, starter: Starter, live: Live) -> bool:
    blind_s = _blind_s(live)
    return _missed(memory, live) >= MISSED_POLLS or (blind_s is not None and blind_s > starter.thresholds.gap_s)


def _missed(memory: Memory, live: Live) -> int:
    return memory.missed + (live.at != memory.missed_at)


def _blind_s(live: Live) -> float | None:
    return None if live.at is None or live.last_good_at is None else seconds_between(live.last_good_at, live.at)
