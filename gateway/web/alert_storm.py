"""Many alerts at once as few rows: when a supply fails, forty motors say the same, and the one that says something else must stay in sight.

Alerts that came in a flood (ten or more within ten minutes; EEMUA 191, from memory - confirm) are put together by priority, by what
happened, and by whether somebody has seen them. What came alone stays alone; so does the highest priority, as long as it leaves ten rows.
Nothing is hidden: a row of many names its motors and opens to them.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence

from gateway.instants import MINUTE, Instant
from gateway.motors.alerts import Alert

FLOOD_COUNT = 10
FLOOD_WITHIN = 10 * MINUTE
MOST_ROWS = 10


def flooded(alerts: Sequence[Alert]) -> frozenset[str]:
    """Return the ids of the alerts that came in a flood: each of them lies in some ten minutes with at least ten of them."""
    times = sorted((alert.raised_at, alert.id) for alert in alerts)
    found: set[str] = set()
    for place in range(len(times) - FLOOD_COUNT + 1):
        if times[place + FLOOD_COUNT - 1][0] - times[place][0] <= FLOOD_WITHIN:
            found.update(alert_id for _, alert_id in times[place : place + FLOOD_COUNT])
    return frozenset(found)


def grouped(alerts: Sequence[Alert]) -> list[tuple[Alert, ...]]:
    """Return the alerts of the list, in its order, as groups: what came in a flood together, all else by itself.

    A flood of any size leaves at most `MOST_ROWS` groups; a group stands where its first member stood.
    """
    flood = flooded(alerts)
    for key in (_foremost_alone, _by_kind, _by_priority):
        groups = _by_key(alerts, flood, key)
        if sum(1 for group in groups if group[0].id in flood) <= MOST_ROWS:
            return groups
    return groups


def span_of(group: Sequence[Alert]) -> tuple[Instant, Instant]:
    """Return when the first and the last of a group were raised."""
    return min(alert.raised_at for alert in group), max(alert.raised_at for alert in group)


def _by_key(alerts: Sequence[Alert], flood: frozenset[str], key: Callable[[Alert], Hashable]) -> list[tuple[Alert, ...]]:
    groups: dict[Hashable, list[Alert]] = {}
    for alert in alerts:
        groups.setdefault(key(alert) if alert.id in flood else alert.id, []).append(alert)
    return [tuple(group) for group in groups.values()]


def _foremost_alone(alert: Alert) -> Hashable:
    return alert.id if alert.priority == 1 else _by_kind(alert)


def _by_kind(alert: Alert) -> Hashable:
    return (*_by_priority(alert), alert.kind, alert.returned_at is not None)


def _by_priority(alert: Alert) -> tuple[Hashable, ...]:
    return (min(max(alert.priority, 1), 3), alert.acknowledged_at is not None)
