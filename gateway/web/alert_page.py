"""The alerts page as data: what stands, how far each alert has travelled, and what to do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from gateway.instants import MINUTE, seconds_between
from gateway.motors.alerts import Alert, AlertKind
from gateway.web.alert_storm import grouped, span_of
from gateway.web.plant_time import age, span
from gateway.web.shapes.alert_line import alert_line
from gateway.web.snapshot import Snapshot
from gateway.web.wall_page import KIND_WORDS
from gateway.web.words import capital, counted, with_signs

_MOST_NAMES = 8


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
class AlertGroup:
    """One row of the list: a single alert, or many that came in a flood, told in one line that opens to them."""

    lines: tuple[AlertLine, ...]
    text: str = ""
    names: str = ""

    @property
    def key(self) -> str:
        """Return what the row is known by while alerts join and leave it."""
        foremost = self.lines[0]
        return f"{foremost.priority}-{foremost.state}-{self.text.partition(':')[0]}".replace(" ", "-")


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


def alert_groups(snapshot: Snapshot) -> list[AlertGroup]:
    """Return the rows of the list: priority, then not yet acknowledged, then oldest; a flood of any size leaves ten at most."""
    return [_group(group, snapshot) for group in grouped(snapshot.alerts)]


def _group(group: Sequence[Alert], snapshot: Snapshot) -> AlertGroup:
    lines = tuple(_line(alert, snapshot) for alert in group)
    if len(group) == 1:
        return AlertGroup(lines=lines)
    first, last = span_of(group)
    names = list(dict.fromkeys(alert.starter for alert in group))
    kinds = {alert.kind for alert in group}
    what = capital(KIND_WORDS.get(group[0].kind, "alerts")) if len(kinds) == 1 else "Several things at once"
    more = f" and {len(names) - _MOST_NAMES} more" if len(names) > _MOST_NAMES else ""
    return AlertGroup(
        lines=lines,
        text=f"{what}: {counted(len(names), 'motor', 'motors')} in {span((last - first) / 1e6)}",
        names=", ".join(names[:_MOST_NAMES]) + more,
    )


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
        text=told(alert),
        advice=f"Look first: {alert.advice.rstrip('.')}." if alert.advice else "",
        line=alert_line(alert, time, now),
        state=state,
        state_note=note,
        acknowledged=alert.acknowledged_at is not None,
        returned=alert.returned_at is not None,
    )


def told(alert: Alert) -> str:
    """Return what an alert says. Its text is of the moment it was raised: lost data that are back say how long they were away."""
    if alert.kind is AlertKind.NO_DATA and alert.returned_at is not None:
        return f"No data, back after {span(seconds_between(alert.raised_at, alert.returned_at))}"
    return with_signs(capital(alert.text))


def past_lines(found: Sequence[Alert], snapshot: Snapshot) -> list[PastLine]:
    """Return the alerts that stand no longer, newest first as given."""
    now, time = snapshot.at, snapshot.time
    return [
        PastLine(
            motor=alert.starter,
            text=told(alert),
            raised=time.moment(alert.raised_at, now),
            returned="" if alert.returned_at is None else time.moment(alert.returned_at, now),
            seen_by=alert.acknowledged_by or "",
        )
        for alert in found
    ]
