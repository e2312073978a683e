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


@dataclass(frozen=True, slots=True, kw_only=True)
class Strike:
    """An event that raises an alert at once."""

    kind: AlertKind
    at: Instant
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Sign:
    """A standing condition at one instant: active, clear or not known. `grade` grows when it got worse, which raises the alert again."""

    active: bool | None
    label: str = ""
    grade: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Memory:
    """What the signs remember from one look to the next.

    off_at: when the motor last went off as far as seen. broken_at: when a start last came before its off time was over, None once one kept
    it.
    stalled_number: the start that stalled, None once a later one reached speed. missed: looks in a row without usable data.
    starts: starts in 60 min at the last look.
    """

    off_at: Instant | None = None
    broken_at: Instant | None = None
    stalled_number: int | None = None
    missed: int = 0
    looked_at: Instant | None = None
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
    if live.at == memory.looked_at:
        return memory
    missed = memory.missed + 1 if is_without_data(live) else 0
    starts = memory.starts if is_without_data(live) else live.starts_last_hour
    return replace(memory, missed=missed, looked_at=live.at, starts=starts)


def is_without_data(live: Live) -> bool:
    """Return True when the last poll brought nothing that may be used."""
    return live.quality is Quality.BAD


def sign_of(rule: AlertRule, memory: Memory, starter: Starter, live: Live, raised: bool) -> Sign:
    """Return how the condition of a rule stands.

    `memory` is the one before this look; `raised`: the alert is active or waits for its on-delay.
    """
    if rule.kind is AlertKind.NO_DATA:
        return _no_data(memory, starter, live)
    if is_without_data(live):
        return Sign(active=None)
    match rule.kind:
        case AlertKind.STARTS_NEAR_LIMIT | AlertKind.STARTS_AT_LIMIT:
            return _starts(rule.kind, memory, starter, live, raised)
        case AlertKind.HEAT:
            return _heat(rule, starter, live, raised)
        case AlertKind.TRIPPED:
            return _tripped(starter, live)
        case AlertKind.IMPLAUSIBLE_VALUE:
            return _implausible(live)
        case AlertKind.OFF_TIME_NOT_KEPT:
            past = memory.broken_at is None or (live.at is not None and live.at - memory.broken_at >= HOUR)
            return Sign(active=False if past else None)
        case AlertKind.STALLED:
            return Sign(active=False if memory.stalled_number is None else None)
        case AlertKind.UNSEEN_STARTS:
            return Sign(active=False if live.unseen_last_hour == 0 else None)


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


def _starts(kind: AlertKind, memory: Memory, starter: Starter, live: Live, raised: bool) -> Sign:
    limit = hourly_limit(starter)
    if limit is None:
        return Sign(active=False)
    used = live.starts_last_hour
    label = fitted(f"{counted(used, 'start')} in 60 min, limit {limit}")
    if kind is AlertKind.STARTS_AT_LIMIT:
        return Sign(active=used > 0 and used >= limit, label=label, grade=used)
    if used < limit - 1 or limit < 2:
        return Sign(active=False)
    # A count that comes down from the limit is no news; only one that rises to the warning is.
    return Sign(active=raised or (used > memory.starts and used < limit), label=label)


def _heat(rule: AlertRule, starter: Starter, live: Live, raised: bool) -> Sign:
    if live.heat is None or live.heat_quality is Quality.BAD:
        return Sign(active=None)
    level = starter.alerts.heat_warning
    beyond = is_beyond(live.heat, level, rule.deadband, raised)
    if beyond and live.heat_quality is not Quality.GOOD:
        # An uncertain heat is the highest that it can be: enough to clear an alert, not enough to raise one.
        return Sign(active=None)
    return Sign(active=beyond, label=f"{100 * live.heat:.0f} % thermal capacity used, limit {100 * level:.0f} %")


def _tripped(starter: Starter, live: Live) -> Sign:
    if live.state is MotorState.UNKNOWN:
        return Sign(active=None)
    return Sign(active=live.state is MotorState.TRIPPED, label=trip_label(starter, live))


def _no_data(memory: Memory, starter: Starter, live: Live) -> Sign:
    if not is_without_data(live):
        return Sign(active=False)
    missed = memory.missed + (1 if live.at != memory.looked_at else 0)
    blind_s = None if live.at is None or live.last_good_at is None else seconds_between(live.last_good_at, live.at)
    gap = blind_s is not None and blind_s > starter.thresholds.gap_s
    label = f"no data, {counted(missed, 'poll')} missed" if blind_s is None else f"no data for {duration_words(blind_s)}"
    return Sign(active=missed >= MISSED_POLLS or gap, label=label)


def _implausible(live: Live) -> Sign:
    found = sorted((key, reason) for key, reason in live.flaws.items() if reason.startswith(IMPLAUSIBLE))
    if not found:
        return Sign(active=False)
    key, reason = found[0]
    more = f" (+{len(found) - 1})" if len(found) > 1 else ""
    return Sign(active=True, label=fitted(f"{key}{reason.removeprefix(IMPLAUSIBLE)}{more}"))
