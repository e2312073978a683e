"""Times at the plant: zones, the doubled hour, waiting times rounded so that nobody comes too early."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest

from gateway.instants import from_iso
from gateway.web.plant_time import PlantTime, age, span

LONDON = PlantTime(ZoneInfo("Europe/London"))
KATHMANDU = PlantTime(ZoneInfo("Asia/Kathmandu"))


def test_clock_is_local() -> None:
    assert LONDON.clock(from_iso("2026-03-12T14:12:30Z")) == "14:12"
    assert LONDON.clock(from_iso("2026-07-12T14:12:30Z")) == "15:12"
    assert KATHMANDU.clock(from_iso("2026-07-12T14:12:30Z")) == "19:57"


def test_the_hour_that_comes_twice_is_told_apart() -> None:
    assert LONDON.clock(from_iso("2026-10-25T00:30:00Z")) == "01:30 BST"
    assert LONDON.clock(from_iso("2026-10-25T01:30:00Z")) == "01:30 GMT"
    assert LONDON.clock(from_iso("2026-10-25T02:30:00Z")) == "02:30"
    assert LONDON.clock(from_iso("2026-03-29T01:30:00Z")) == "02:30"


def test_other_days_carry_their_date() -> None:
    now = from_iso("2026-03-12T14:12:00Z")
    assert LONDON.moment(from_iso("2026-03-12T00:00:00Z"), now) == "00:00"
    assert LONDON.moment(from_iso("2026-03-11T13:15:52Z"), now, seconds=True) == "11 Mar 13:15:52"
    assert LONDON.moment(from_iso("2025-11-03T08:00:00Z"), now) == "3 Nov 2025 08:00"
    assert LONDON.stamp(from_iso("2026-03-12T14:07:01Z"), now) == "today 14:07:01"
    assert LONDON.stamp(from_iso("2026-03-11T14:07:01Z"), now) == "11 Mar 14:07:01"


def test_zone_and_exports() -> None:
    summer = from_iso("2026-07-12T14:12:30.250Z")
    assert LONDON.zone_text(summer) == "Europe/London, UTC+01:00"
    assert LONDON.iso(summer) == "2026-07-12T15:12:30.250+01:00"
    assert LONDON.date(summer) == "Sun 12 Jul 2026"
    assert LONDON.day(summer) == "12 Jul Sun"


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0, "0 s"),
        (0.2, "1 s"),
        (119.0, "119 s"),
        (120.0, "2 min"),
        (1500.2, "26 min"),
        (7200, "2 h"),
        (7260, "2 h 1 min"),
        (172800, "2 days"),
    ],
)
def test_waiting_is_rounded_up(seconds: float, words: str) -> None:
    assert span(seconds) == words


@pytest.mark.parametrize(("seconds", "words"), [(-3, "0 s"), (2.9, "2 s"), (839, "13 min"), (7200, "2 h"), (200000, "2 days")])
def test_age_is_rounded_down(seconds: float, words: str) -> None:
    assert age(0, round(seconds * 1e6)) == words
