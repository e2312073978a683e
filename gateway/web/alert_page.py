"""The alerts page as data: what stands, how far each alert has travelled, and what to do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from gateway.instants import MINUTE
from gateway.motors.alerts import Alert
from gateway.web.plant_time import age
from gateway.web.shapes.alert_line import alert_line
from gateway.web.snapshot import Snapshot
from gateway.web.words import capital, counted


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertLine:
    """One standing alert."""

    id: str
    motor: str
    priority: int
    text: str
    advice: str
    line: Markup
    state: str
    state_note: str
    acknowledged: bool
    returned: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PastLine:
    """One alert of the past."""

    motor: str
    text: str
    raised: str
    returned: str
    seen_by: str


def alerts_sentence(snapshot: Snapshot) -> str:
    """Return the answer of the alerts page."""
    total = len(snapshot.alerts)
    waiting = sum(1 for alert in snapshot.alerts if alert.acknowledged_at is None)
    if total == 0:
        return "No alert stands."
    head = counted(total, "alert", "alerts")
    if waiting == 0:
        return f"{head}, {'it is' if total == 1 else 'all are'} acknowledged."
    if total == 1:
        return "1 alert waits to be acknowledged."
    if waiting == total:
        return f"{head}, all wait to be acknowledged."
    return f"{head}: {waiting} {'waits' if waiting == 1 else 'wait'} to be acknowledged."


def rate_words(snapshot: Snapshot, found: Sequence[Alert]) -> str:
    """Return how many alerts came lately; 10 in 10 minutes is commonly called a flood (EEMUA 191, from memory - confirm)."""
    raised = {alert.id: alert.raised_at for alert in (*found, *snapshot.alerts)}
    lately = sum(1 for at in raised.values() if snapshot.at - 30 * MINUTE < at <= snapshot.at)
    return f"{lately} in the last 30 min; a flood is 10 in 10 min"


def alert_lines(snapshot: Snapshot) -> list[AlertLine]:
    """Return the standing alerts in the order of the list: priority, then not yet acknowledged, then oldest."""
    return [_line(alert, snapshot) for alert in snapshot.alerts]


def _line(alert: Alert, snapshot: Snapshot) -> AlertLine:
    now, time = snapshot.at, snapshot.time
    if alert.acknowledged_at is not None:
        by = f" by {alert.acknowledged_by}" if alert.acknowledged_by else ""
        state, note = "acknowledged", f"{time.moment(alert.acknowledged_at, now)}{by}"
    elif alert.returned_at is not None:
        state, note = "returned", "not yet seen"
    else:
        state, note = "unacknowledged", f"for {age(alert.raised_at, now)}"
    return AlertLine(
        id=alert.id,
        motor=alert.starter,
        priority=min(max(alert.priority, 1), 3),
        text=capital(alert.text),
        advice=f"Look first: {alert.advice.rstrip('.')}." if alert.advice else "",
        line=alert_line(alert, time, now),
        state=state,
        state_note=note,
        acknowledged=alert.acknowledged_at is not None,
        returned=alert.returned_at is not None,
    )


def past_lines(found: Sequence[Alert], snapshot: Snapshot) -> list[PastLine]:
    """Return the alerts that stand no longer, newest first as given."""
    now, time = snapshot.at, snapshot.time
    return [
        PastLine(
            motor=alert.starter,
            text=capital(alert.text),
            raised=time.moment(alert.raised_at, now),
            returned="" if alert.returned_at is None else time.moment(alert.returned_at, now),
            seen_by=alert.acknowledged_by or "",
        )
        for alert in found
    ]
