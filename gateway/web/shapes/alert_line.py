"""The line an alert travels: raised, acknowledged, returned are its stops; the line shows how far it got."""

from __future__ import annotations

from markupsafe import Markup

from gateway.instants import Instant
from gateway.motors.alerts import Alert
from gateway.web.plant_time import PlantTime
from gateway.web.shapes import svg

WIDTH, HEIGHT = 212.0, 54.0
_STOPS = (28.0, 106.0, 184.0)
_HALF = 39.0


def alert_line(alert: Alert, time: PlantTime, now: Instant) -> Markup:
    """Return the line: broad while nobody has seen the alert, thin once seen and still active, double thin when it went back unseen."""
    level = min(max(alert.priority, 1), 3)
    stops = (alert.raised_at, alert.acknowledged_at, alert.returned_at)
    other_day = any(at is not None and time.moment(at, now) != time.clock(at) for at in stops)
    parts = _track(level, acknowledged=alert.acknowledged_at is not None, returned=alert.returned_at is not None)
    for x, at in zip(_STOPS, stops, strict=True):
        parts.append(svg.rect(x - 7, 5, 14, 14, f"l{level}" if at is not None else "stop"))
        if at is None:
            parts.append(svg.text(x, 36, "open", "", "middle"))
            continue
        clock, words = time.clock(at), time.moment(at, now)
        parts.append(svg.text(x, 36, clock, "t2", "middle"))
        if words != clock:  # of another day: the date stands below, since both beside each other would run into the next stop
            parts.append(svg.text(x, 51, words.removesuffix(clock).strip(), "", "middle"))
        elif other_day:  # beside "17 Nov" a bare clock reads as the same day
            parts.append(svg.text(x, 51, "today", "", "middle"))
    label = ", ".join(
        f"{name} {'no' if at is None else time.moment(at, now)}"
        for name, at in zip(("raised", "acknowledged", "returned"), stops, strict=True)
    )
    return svg.picture(WIDTH, HEIGHT, label, parts)


def _track(level: int, *, acknowledged: bool, returned: bool) -> list[str]:
    raised, seen, back = _STOPS
    if not acknowledged and returned:
        return [f'<path class="l{level}p" stroke-width="1.5" d="M{raised} 7.5H{back}M{raised} 16.5H{back}"/>']
    parts = [f'<path class="l{level}p" stroke-width="9" d="M{raised} 12H{seen if acknowledged else raised + _HALF}"/>']
    if acknowledged:
        parts.append(f'<path class="l{level}p" stroke-width="3" d="M{seen} 12H{back if returned else seen + _HALF}"/>')
    return parts
