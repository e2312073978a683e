"""Days of the plant or instants; all mistakes at once; summer time changes no day's begin."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest

from gateway.errors import InputError
from gateway.instants import from_iso
from gateway.web.reports.period import Period, chosen_period, week_before

LONDON = ZoneInfo("Europe/London")
NOW = from_iso("2026-03-12T14:12:30Z")


def test_without_a_choice_it_is_seven_days_up_to_this_minute() -> None:
    assert chosen_period(None, None, LONDON, NOW) == Period(from_iso("2026-03-06T00:00:00Z"), from_iso("2026-03-12T14:12:00Z"))
    assert chosen_period("", "", LONDON, NOW) == chosen_period(None, None, LONDON, NOW)


def test_a_last_day_is_meant_with_all_its_hours_and_seven_days_go_back_from_it() -> None:
    assert chosen_period(None, "2026-03-10", LONDON, NOW) == Period(from_iso("2026-03-04T00:00:00Z"), from_iso("2026-03-11T00:00:00Z"))


def test_the_day_on_which_the_clock_changes_has_23_hours() -> None:
    now = from_iso("2026-04-12T12:00:00Z")
    assert chosen_period("2026-03-29", "2026-03-29", LONDON, now).length_s == 23 * 3600
    assert chosen_period("2026-03-29T00:30:00+00:00", "2026-03-29T02:30:00+01:00", LONDON, now).length_s == 3600


def test_the_future_is_left_out() -> None:
    assert chosen_period("2026-03-12", "2026-03-20", LONDON, NOW).to_at == from_iso("2026-03-12T14:12:00Z")


def test_every_mistake_is_named_at_once() -> None:
    with pytest.raises(InputError) as refused:
        chosen_period("yesterday", "2026-03-12T14:00:00", LONDON, NOW)
    assert [(problem.field, problem.found) for problem in refused.value.problems] == [
        ("--to", "2026-03-12T14:00:00"),
        ("--from", "yesterday"),
    ]
    assert all("2026-03-12" in problem.allowed for problem in refused.value.problems)


@pytest.mark.parametrize(
    ("first", "last", "words"),
    [
        ("2026-03-10", "2026-03-09", "must begin before it ends"),
        ("2026-03-13", None, "and before now"),
        ("2020-01-01", "2026-01-01", "at most 366 days"),
    ],
)
def test_a_period_that_cannot_be_is_refused(first: str, last: str | None, words: str) -> None:
    with pytest.raises(InputError, match=words):
        chosen_period(first, last, LONDON, NOW)


def test_a_day_beyond_the_calendar_is_no_day() -> None:
    with pytest.raises(InputError, match="neither a day"):
        chosen_period(None, "9999-12-31", LONDON, NOW)


def test_the_last_whole_week_ends_where_its_weekday_began() -> None:
    week = week_before(3, LONDON, NOW)  # today is a Thursday: the week ended this midnight
    assert week == Period(from_iso("2026-03-05T00:00:00Z"), from_iso("2026-03-12T00:00:00Z"))
    assert week_before(4, LONDON, NOW).to_at == from_iso("2026-03-06T00:00:00Z")
    spring = week_before(0, LONDON, from_iso("2026-04-01T12:00:00Z"))
    assert spring.length_s == (7 * 24 - 1) * 3600
