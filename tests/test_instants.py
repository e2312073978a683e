"""Instants against the standard library's own arithmetic and the text forms of RFC 3339."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway import instants

MOMENTS = st.integers(0, 7_258_118_400_000_000).map(lambda at: datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=at))


@given(MOMENTS)
def test_an_instant_goes_to_a_datetime_and_back_unchanged(moment: datetime) -> None:
    assert instants.to_datetime(instants.from_datetime(moment)) == moment


@given(MOMENTS)
def test_text_goes_and_comes_back_to_the_microsecond(moment: datetime) -> None:
    at = instants.from_datetime(moment)
    assert instants.from_iso(instants.to_iso(at)) == at


def test_the_zone_of_a_text_counts() -> None:
    # RFC 3339, 5.8: 1996-12-19T16:39:57-08:00 is 1996-12-20T00:39:57Z.
    assert instants.from_iso("1996-12-19T16:39:57-08:00") == instants.from_iso("1996-12-20T00:39:57Z")


def test_a_time_without_a_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="no time zone"):
        instants.from_iso("2026-03-12T14:12:00")


def test_a_summer_time_change_changes_no_duration() -> None:
    before = datetime(2026, 3, 29, 1, 59, tzinfo=timezone(timedelta(hours=1)))
    after = datetime(2026, 3, 29, 3, 1, tzinfo=timezone(timedelta(hours=2)))
    assert instants.seconds_between(instants.from_datetime(before), instants.from_datetime(after)) == 120


def test_a_duration_is_rounded_to_the_microsecond() -> None:
    assert instants.after(10, 0.000_000_6) == 11
    assert instants.after(10, -1) == 10 - instants.SECOND
