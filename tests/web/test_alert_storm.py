"""A flood of alerts: few rows, every member reachable, the odd one out in sight; and what is read out of it."""

from __future__ import annotations

import random
import re
from dataclasses import replace

import httpx
import pytest

from gateway.instants import MINUTE, SECOND
from gateway.motors.alerts import Alert, AlertKind
from gateway.web.alert_storm import FLOOD_COUNT, MOST_ROWS, flooded, grouped
from gateway.web.live import MOST_CALLS, calls_of
from gateway.web.snapshot import alert_order, take_snapshot
from tests.web.tarn_hollow import NOW, FakePlant, alert_of

KINDS = list(AlertKind)


def storm(count: int = 100, within_min: float = 10.0, *, kinds: int = len(KINDS)) -> list[Alert]:
    """Return so many alerts of different motors, kinds and priorities, evenly spread over the minutes before now."""
    return [
        alert_of(f"M-{place:03d}", KINDS[place % kinds], place % 3 + 1, f"text {place}", "look", within_min * (1.0 - place / count))
        for place in range(count)
    ]


@pytest.mark.parametrize("seed", range(5))
def test_a_hundred_alerts_in_ten_minutes_leave_ten_rows_and_lose_none(seed: int) -> None:
    chance = random.Random(seed)
    alerts = [
        replace(
            alert,
            acknowledged_at=chance.choice((None, NOW)),
            returned_at=chance.choice((None, NOW)),
            priority=chance.randint(1, 3),
        )
        for alert in storm(kinds=chance.randint(1, len(KINDS)))
    ]
    ordered = sorted(alerts, key=alert_order)
    groups = grouped(ordered)
    assert len(groups) <= MOST_ROWS, seed
    assert sorted(alert.id for group in groups for alert in group) == sorted(alert.id for alert in alerts)
    assert all(len({alert.priority for alert in group}) == 1 for group in groups)
    assert [ordered.index(group[0]) for group in groups] == sorted(ordered.index(group[0]) for group in groups)


def test_one_urgent_alert_among_ninety_nine_stands_alone_and_first() -> None:
    alerts = [replace(alert, priority=2, kind=AlertKind.NO_DATA) for alert in storm(99)]
    alerts.append(alert_of("CM-01", AlertKind.STALLED, 1, "Stalled", "look", 1))
    groups = grouped(sorted(alerts, key=alert_order))
    assert [len(group) for group in groups] == [1, 99]
    assert groups[0][0].starter == "CM-01"


def test_what_came_alone_stays_alone() -> None:
    slow = [alert_of(f"M-{place}", AlertKind.HEAT, 2, "hot", "", 70.0 * place) for place in range(30)]
    assert all(len(group) == 1 for group in grouped(slow))
    before = alert_of("OLD", AlertKind.NO_DATA, 2, "no data", "", 300)
    groups = grouped(sorted([before, *(replace(each, priority=2, kind=AlertKind.NO_DATA) for each in storm(40))], key=alert_order))
    assert [len(group) for group in groups] == [1, 40]


def test_ten_within_ten_minutes_are_a_flood_and_nine_are_not() -> None:
    def spread(count: int, width: int) -> list[Alert]:
        return [replace(alert, raised_at=NOW + place * width // (count - 1)) for place, alert in enumerate(storm(count))]

    assert len(flooded(spread(FLOOD_COUNT, 10 * MINUTE))) == FLOOD_COUNT
    assert flooded(spread(FLOOD_COUNT, 10 * MINUTE + SECOND)) == frozenset()
    assert flooded(spread(FLOOD_COUNT - 1, MINUTE)) == frozenset()


async def test_the_page_has_ten_rows_that_open_to_all_of_them_and_says_the_rate(client: httpx.AsyncClient, plant: FakePlant) -> None:
    names = list(plant.motors)
    plant.standing[:] = [replace(alert, starter=names[place % 12]) for place, alert in enumerate(storm())]
    html = (await client.get("/alerts")).text
    rows = re.findall(r"<li(?: class=\"flood\")?>", html[html.index('id="alert-list"') : html.index("</main>")])
    nested = html.count('<div class="do"><button')
    assert html.count("<details id=") <= MOST_ROWS
    assert len(rows) - nested <= MOST_ROWS
    assert nested == 100
    assert "100 in the last 30 min; a flood is 10 in 10 min" in html
    ids = re.findall(r'<details id="([^"]+)"', html)
    assert len(ids) == len(set(ids))
    assert not any(" " in each for each in ids)


def test_only_what_calls_for_somebody_is_read_out_and_never_a_hundred(plant: FakePlant) -> None:
    assert [(priority, words) for _, priority, words, _ in calls_of(take_snapshot(plant, NOW))] == [
        (1, "CM-01: Stalled: 3.4 × FLC for 25 s, then cut off"),
        (2, "BP-01: No data for 14 min; 2 starts counted, not seen"),
    ]
    plant.standing[:] = storm()
    calls = calls_of(take_snapshot(plant, NOW))
    assert len(calls) == MOST_CALLS
    assert [priority for _, priority, _, _ in calls] == sorted(priority for _, priority, _, _ in calls)
