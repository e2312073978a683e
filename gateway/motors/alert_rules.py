"""The alert rules as data: what each kind means, how pressing it is, when it is raised and returns, what to do first.

Priorities: 1 act now, 2 look soon, 3 note. Delays follow common practice, no source: none on protective trips and on counts, some seconds
on measured values. The site file changes priorities and delays by kind, or turns a kind off.

An alert is raised once its condition has held for the on-delay (a condition that holds for exactly the on-delay raises), and returns once
it has been clear for the off-delay; a value clears at its limit less the deadband (exactly there it is clear). What is not known neither
raises nor clears, and starts both delays anew.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from types import MappingProxyType

from gateway.instants import Instant, seconds_between
from gateway.motors.facts import AlertSettings


class AlertKind(StrEnum):
    """The conditions that alerts tell of."""

    STARTS_NEAR_LIMIT = "starts_near_limit"
    STARTS_AT_LIMIT = "starts_at_limit"
    HEAT = "heat"
    OFF_TIME_NOT_KEPT = "off_time_not_kept"
    TRIPPED = "tripped"
    STALLED = "stalled"
    UNSEEN_STARTS = "unseen_starts"
    NO_DATA = "no_data"
    IMPLAUSIBLE_VALUE = "implausible_value"
    PHASE_LOSS = "phase_loss"
    DRIFT = "drift"


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertRule:
    """One rule. `returns_when` says in words when the cause is over; `first_action` reads on from "Look first: "."""

    kind: AlertKind
    priority: int
    on_delay_s: float
    off_delay_s: float
    deadband: float
    raised_when: str
    returns_when: str
    cause: str
    consequence: str
    first_action: str


_RULES = (
    AlertRule(
        kind=AlertKind.STARTS_NEAR_LIMIT,
        priority=2,
        on_delay_s=0.0,
        off_delay_s=0.0,
        deadband=0.0,
        raised_when="the starts in 60 min reach one less than the hourly limit",
        returns_when="fewer than that count in 60 min",
        cause="a level, pressure or interlock signal that switches too often, or starts by hand",
        consequence="one more start uses up what the hourly limit permits",
        first_action="what commands the starts, and how far its on and off points lie apart",
    ),
    AlertRule(
        kind=AlertKind.STARTS_AT_LIMIT,
        priority=1,
        on_delay_s=0.0,
        off_delay_s=0.0,
        deadband=0.0,
        raised_when="the starts in 60 min reach the hourly limit",
        returns_when="fewer than the limit count in 60 min",
        cause="a level, pressure or interlock signal that switches too often, or starts by hand",
        consequence="the winding and the rotor heat more than they cool; a further start may trip or damage the motor",
        first_action="hold further starts, then what commands them",
    ),
    AlertRule(
        kind=AlertKind.HEAT,
        priority=2,
        on_delay_s=5.0,
        off_delay_s=60.0,
        deadband=0.05,
        raised_when="the thermal capacity used reaches the warning level",
        returns_when="it is below the level less 5 %",
        cause="overload, starts in quick succession, a long or heavy start, blocked cooling air",
        consequence="the next start must wait for the motor to cool; the overload relay may trip",
        first_action="the running current against full load, then fan cowl and cooling air",
    ),
    AlertRule(
        kind=AlertKind.OFF_TIME_NOT_KEPT,
        priority=2,
        on_delay_s=0.0,
        off_delay_s=0.0,
        deadband=0.0,
        raised_when="a start begins before the off time is over",
        returns_when="a later start keeps the off time, or 60 min have passed",
        cause="the command does not wait, or somebody started by hand",
        consequence="the start met a motor or a starter that had not cooled as the rule wants",
        first_action="the restart delay in the control of this motor",
    ),
    AlertRule(
        kind=AlertKind.TRIPPED,
        priority=1,
        on_delay_s=0.0,
        off_delay_s=0.0,
        deadband=0.0,
        raised_when="the device reports a trip",
        returns_when="the device reports that it is reset",
        cause="the protection of the starter switched off; the code says which",
        consequence="the motor stands until somebody resets the starter",
        first_action="the trip code at the starter, before any reset",
    ),
    AlertRule(
        kind=AlertKind.STALLED,
        priority=1,
        on_delay_s=0.0,
        off_delay_s=0.0,
        deadband=0.0,
        raised_when="a start does not reach speed in time while the current stays high",
        returns_when="a later start reaches speed",
        cause="blocked or jammed load, too low a current limit, low voltage, one phase missing",
        consequence="all heat of the start stays in the motor; stall time is short",
        first_action="whether the load turns freely, then the voltage during the start",
    ),
    AlertRule(
        kind=AlertKind.UNSEEN_STARTS,
        priority=3,
        on_delay_s=0.0,
        off_delay_s=0.0,
        deadband=0.0,
        raised_when="the device counted starts that the gateway did not see",
        returns_when="none of them counts in the last 60 min",
        cause="the device or the network could not be reached while the motor started",
        consequence="these starts have no curve and are charged at the learned cost, an estimate",
        first_action="the connection to this device at that time",
    ),
    AlertRule(
        kind=AlertKind.NO_DATA,
        priority=2,
        on_delay_s=0.0,
        off_delay_s=5.0,
        deadband=0.0,
        raised_when="three polls in a row bring no usable value, or none has come for the gap time",
        returns_when="usable values have come for the off-delay",
        cause="device off, network cut, wrong address or a changed map",
        consequence="starts are not seen; no next permitted start can be told",
        first_action="whether the device is on, then its network port and address",
    ),
    AlertRule(
        kind=AlertKind.IMPLAUSIBLE_VALUE,
        priority=3,
        on_delay_s=0.0,
        off_delay_s=60.0,
        deadband=0.0,
        raised_when="a value lies outside the plausible range of its map",
        returns_when="all values are plausible again",
        cause="wrong word order, scale or address in the map, or a broken transducer",
        consequence="the value is not used; what depends on it is missing",
        first_action="this signal's address, type and word order in the map",
    ),
    AlertRule(
        kind=AlertKind.PHASE_LOSS,
        priority=1,
        on_delay_s=0.0,
        off_delay_s=0.0,
        deadband=0.0,
        raised_when="two line currents flow and the third does not, or the device says that a phase is lost",
        returns_when="all three line currents flow again, or the device says so no more",
        cause="a blown fuse, an open contact, a broken cable or winding",
        consequence="at standstill the motor does not turn; at speed two windings and the rotor heat fast",
        first_action="the motor off, then the fuses and the line voltages at the starter",
    ),
    AlertRule(
        kind=AlertKind.DRIFT,
        priority=2,
        on_delay_s=0.0,
        off_delay_s=0.0,
        deadband=0.0,
        raised_when="a figure of the starts has left its baseline by a certain and noticeable shift",
        returns_when="it is back within half of that shift, or a note or a changed setting begins a new baseline",
        cause="wear, dirt, a changed load or supply",
        consequence="starts grow harder or fail one day; the cause is cheaper to find now",
        first_action="what has changed on the machine since the baseline",
    ),
)

RULES: Mapping[AlertKind, AlertRule] = MappingProxyType({rule.kind: rule for rule in _RULES})
"""The built-in rules by kind, in the order in which they are looked at."""


def rules_for(settings: AlertSettings) -> tuple[AlertRule, ...]:
    """Return the rules as a site changed them, without those it turned off.

    >>> changed = rules_for(AlertSettings(off=frozenset({"heat"}), priority={"unseen_starts": 2}))
    >>> len(changed), [rule.priority for rule in changed if rule.kind is AlertKind.UNSEEN_STARTS]
    (10, [2])
    """
    return tuple(
        replace(
            rule,
            priority=settings.priority.get(rule.kind, rule.priority),
            on_delay_s=settings.on_delay_s.get(rule.kind, rule.on_delay_s),
            off_delay_s=settings.off_delay_s.get(rule.kind, rule.off_delay_s),
        )
        for rule in _RULES
        if rule.kind not in settings.off
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Delay:
    """Where one condition stands: raised or not, since when the opposite has held (None: it does not hold now), and how bad it was last."""

    raised: bool = False
    pending_since: Instant | None = None
    grade: int = 0


def delayed(delay: Delay, active: bool | None, at: Instant, on_delay_s: float, off_delay_s: float) -> Delay:
    """Return where a condition stands after it was found `active` (None: not known) at `at`.

    >>> waiting = delayed(Delay(), True, 0, 5.0, 10.0)
    >>> delayed(waiting, True, 4_900_000, 5.0, 10.0).raised, delayed(waiting, True, 5_000_000, 5.0, 10.0).raised
    (False, True)
    """
    if active is None or active is delay.raised:
        return delay if delay.pending_since is None else replace(delay, pending_since=None)
    since = at if delay.pending_since is None else delay.pending_since
    if seconds_between(since, at) >= (off_delay_s if delay.raised else on_delay_s):
        return replace(delay, raised=active, pending_since=None)
    return replace(delay, pending_since=since)


def is_beyond(value: float, limit: float, deadband: float, raised: bool) -> bool:
    """Return whether a value is beyond its upper limit; once raised, until it is down at limit - deadband.

    >>> is_beyond(100.0, 100.0, 2.0, raised=False), is_beyond(98.1, 100.0, 2.0, raised=True), is_beyond(98.0, 100.0, 2.0, raised=True)
    (True, True, False)
    """
    return value > limit - deadband if raised else value >= limit
