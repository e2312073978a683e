"""Alerts and their life cycle after IEC 62682 (states A to D; shelving is not built yet).

    A normal                        no standing alert
    B active, not acknowledged      A -> B raised, C -> B and D -> B raised again
    C active, acknowledged          B -> C acknowledged
    D returned, not acknowledged    B -> D returned
    C -> A returned, D -> A acknowledged. There is no A -> C, A -> D and no D -> C.

The state is nothing but the three instants an alert carries: raised, acknowledged, returned. One board a starter folds the live state and
the events in the order of their reading times: same readings, same alerts, same ids. A condition that got worse (one more start over the
limit), or an event that came again, raises a standing alert again under its id. Acknowledging writes nothing to any device.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

from gateway.instants import Instant
from gateway.motors.alert_rules import RULES, AlertKind, AlertRule, Delay, delayed, rules_for
from gateway.motors.alert_signs import Memory, Strike, advice_of, grade_of, hourly_limit, is_active, label_of, looked, struck, trip_label
from gateway.motors.facts import Starter
from gateway.motors.plain import from_plain, to_plain
from gateway.motors.records import Event, Live

__all__ = ["RULES", "Alert", "AlertBoard", "AlertChange", "AlertKind", "AlertState", "Change"]

_AT_REST = Delay()


class AlertState(StrEnum):
    """State of an alert; the letters are those of IEC 62682 as cited above."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned"


class Change(StrEnum):
    """What happened to an alert."""

    RAISED = "raised"
    RAISED_AGAIN = "raised_again"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned"
    REWORDED = "reworded"
    """Its figure has moved on; nobody is called again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Alert:
    """One alert. `text`: what and how much, at most 44 characters; `advice`: what to look at first."""

    starter: str
    kind: AlertKind
    priority: int
    text: str
    advice: str
    raised_at: Instant
    acknowledged_at: Instant | None = None
    acknowledged_by: str = ""
    returned_at: Instant | None = None

    @property
    def id(self) -> str:
        """Return the key of the alert: the same whenever the same readings are folded."""
        return f"{self.starter}:{self.kind}:{self.raised_at}"

    @property
    def state(self) -> AlertState:
        """Return the state; NORMAL once it has returned and was acknowledged."""
        if self.returned_at is None:
            return AlertState.UNACKNOWLEDGED if self.acknowledged_at is None else AlertState.ACKNOWLEDGED
        return AlertState.RETURNED if self.acknowledged_at is None else AlertState.NORMAL


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertChange:
    """One step of an alert; `alert` is the alert after it."""

    at: Instant
    what: Change
    alert: Alert


class AlertBoard:
    """The standing alerts of one starter: at most one a kind.

    >>> from types import MappingProxyType
    >>> from gateway.motors.facts import LimitSettings, MotorData
    >>> from gateway.motors.reading import Quality
    >>> from gateway.motors.records import MotorState
    >>> motor = MotorData(rated_power_kw=45, rated_voltage_v=400, flc_a=80)
    >>> board = AlertBoard(Starter(name="F-101", motor=motor, limits=LimitSettings(starts_per_hour=3)))
    >>> live = Live(
    ...     starter="F-101", at=0, state=MotorState.RUNNING, state_since=0, current_a=70.0, current_ratio=0.875, starts_last_hour=4,
    ...     unseen_last_hour=0, heat=0.5, heat_quality=Quality.GOOD, quality=Quality.GOOD, reason="", last_good_at=0, last_start=None,
    ...     total_starts=4,
    ... )
    >>> [change] = board.take(live, ())
    >>> change.what.value, change.alert.text, change.alert.id
    ('raised', '4 starts in 60 min, limit 3', 'F-101:starts_at_limit:0')
    >>> board.acknowledge(change.alert.id, 5_000_000, "night shift").alert.state.value
    'acknowledged'
    """

    def __init__(self, starter: Starter) -> None:
        self._starter = starter
        self._rules = rules_for(starter.alerts)
        self._limit = hourly_limit(starter)
        self._memory = Memory()
        self._delays: dict[AlertKind, Delay] = {}
        self._alerts: dict[AlertKind, Alert] = {}

    def take(self, live: Live, events: Sequence[Event]) -> tuple[AlertChange, ...]:
        """Return what the live state and the events since the last call changed, in order."""
        self._memory, strikes = struck(self._memory, self._starter, events)
        kinds = {rule.kind: rule for rule in self._rules}
        changes = [change for strike in strikes if strike.kind in kinds for change in self._strike(kinds[strike.kind], strike, live)]
        if live.at is not None:
            for rule in self._rules:
                changes.extend(self._look(rule, live, live.at))
            for kind in [kind for kind in self._alerts if kind not in kinds]:
                changes.extend(self._return(kind, live.at))  # the site turned this rule off while an alert of it stood
            self._memory = looked(self._memory, live)
        return tuple(changes)

    def acknowledge(self, alert_id: str, at: Instant, by: str) -> AlertChange | None:
        """Return the change when somebody has seen the alert; None when no such alert stands or it was acknowledged before."""
        for kind, alert in self._alerts.items():
            if alert.id == alert_id and alert.acknowledged_at is None:
                seen = replace(alert, acknowledged_at=at, acknowledged_by=by)
                self._put(kind, seen)
                return AlertChange(at=at, what=Change.ACKNOWLEDGED, alert=seen)
        return None

    @property
    def is_idle(self) -> bool:
        """True when no alert stands and none is on its way."""
        return not self._alerts and not any(delay.raised or delay.pending_since is not None for delay in self._delays.values())

    def standing(self) -> tuple[Alert, ...]:
        """Return the alerts that are active or not acknowledged, most pressing first, then oldest."""
        return tuple(sorted(self._alerts.values(), key=lambda alert: (alert.priority, alert.raised_at, alert.kind)))

    def snapshot(self) -> dict[str, Any]:
        """Return the board's state as plain data that JSON keeps exactly."""
        return {
            "memory": to_plain(self._memory),
            "delays": {kind.value: to_plain(delay) for kind, delay in self._delays.items()},
            "alerts": {kind.value: to_plain(alert) for kind, alert in self._alerts.items()},
        }

    def restore(self, snapshot: Mapping[str, Any]) -> None:
        """Take over a state that `snapshot` gave; the board goes on as if it had never stopped."""
        self._memory = from_plain(Memory, snapshot["memory"])
        self._delays = {AlertKind(kind): from_plain(Delay, delay) for kind, delay in snapshot["delays"].items()}
        self._alerts = {AlertKind(kind): from_plain(Alert, alert) for kind, alert in snapshot["alerts"].items()}

    def _strike(self, rule: AlertRule, strike: Strike, live: Live) -> tuple[AlertChange, ...]:
        self._delays[rule.kind] = Delay(raised=True)
        label = strike.label or trip_label(self._starter, live)
        return self._raise(rule, strike.at, label, rule.first_action)

    def _look(self, rule: AlertRule, live: Live, at: Instant) -> tuple[AlertChange, ...]:
        before = self._delays.get(rule.kind, _AT_REST)
        waiting = before.raised or before.pending_since is not None
        active = is_active(rule, self._memory, self._starter, self._limit, live, waiting)
        now = delayed(before, active, at, rule.on_delay_s, rule.off_delay_s)
        if active and now.raised:
            grade = grade_of(rule.kind, live)
            # What has drifted wavers round its mean: only a new worst is news.
            now = replace(now, grade=max(grade, before.grade) if rule.kind is AlertKind.DRIFT else grade)
            if before.raised and now.grade <= before.grade:
                self._delays[rule.kind] = now
                return self._reword(rule, at, live) if rule.kind is AlertKind.DRIFT else ()
            self._delays[rule.kind] = now
            label = label_of(rule.kind, self._memory, self._starter, self._limit, live)
            return self._raise(rule, at, label, advice_of(rule, live))
        if now is not before:
            self._delays[rule.kind] = now
        return self._return(rule.kind, at) if before.raised and not now.raised else ()

    def _raise(self, rule: AlertRule, at: Instant, label: str, advice: str) -> tuple[AlertChange, ...]:
        standing = self._alerts.get(rule.kind)
        if standing is None:
            alert = Alert(
                starter=self._starter.name,
                kind=rule.kind,
                priority=rule.priority,
                text=label,
                advice=advice,
                raised_at=at,
            )
            self._alerts[rule.kind] = alert
            return (AlertChange(at=at, what=Change.RAISED, alert=alert),)
        anew = replace(standing, text=label, advice=advice, acknowledged_at=None, acknowledged_by="", returned_at=None)
        self._alerts[rule.kind] = anew
        return (AlertChange(at=at, what=Change.RAISED_AGAIN, alert=anew),)

    def _reword(self, rule: AlertRule, at: Instant, live: Live) -> tuple[AlertChange, ...]:
        standing = self._alerts.get(rule.kind)
        label, advice = label_of(rule.kind, self._memory, self._starter, self._limit, live), advice_of(rule, live)
        if standing is None or (standing.text, standing.advice) == (label, advice):
            return ()
        self._alerts[rule.kind] = said = replace(standing, text=label, advice=advice)
        return (AlertChange(at=at, what=Change.REWORDED, alert=said),)

    def _return(self, kind: AlertKind, at: Instant) -> tuple[AlertChange, ...]:
        standing = self._alerts.get(kind)
        if standing is None or standing.returned_at is not None:
            return ()
        returned = replace(standing, returned_at=at)
        self._put(kind, returned)
        return (AlertChange(at=at, what=Change.RETURNED, alert=returned),)

    def _put(self, kind: AlertKind, alert: Alert) -> None:
        if alert.state is AlertState.NORMAL:
            del self._alerts[kind]
        else:
            self._alerts[kind] = alert
