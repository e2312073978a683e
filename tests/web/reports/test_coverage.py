"""Gaps are cut to the period, never counted twice, and what was not recorded is said."""

from __future__ import annotations

from gateway.instants import HOUR, MINUTE, SECOND
from gateway.motors.records import GapEnded
from gateway.web.reports.coverage import NOT_YET, SINCE, Coverage, Gap, coverage_of
from gateway.web.reports.period import Period

DAY = Period(0, 24 * HOUR)


def gap(began_h: float, ended_h: float, reason: str = "no answer") -> GapEnded:
    return GapEnded(began_at=round(began_h * HOUR), at=round(ended_h * HOUR), reason=reason)


def test_a_day_with_readings_throughout_is_whole() -> None:
    assert coverage_of(DAY, [], -HOUR, 24 * HOUR - SECOND, 5.0) == Coverage(1.0, ())


def test_gaps_are_cut_to_the_period() -> None:
    found = coverage_of(DAY, [gap(-2, 1), gap(6, 9), gap(23, 30)], -9 * HOUR, 31 * HOUR, 5.0)
    assert [(each.began_at // HOUR, each.ended_at // HOUR) for each in found.gaps] == [(0, 1), (6, 9), (23, 24)]
    assert found.share == 1 - 5 / 24


def test_time_that_two_gaps_share_counts_once() -> None:
    found = coverage_of(DAY, [gap(2, 5), gap(3, 4), gap(4, 6)], -HOUR, 24 * HOUR, 5.0)
    assert sum(each.length_s for each in found.gaps) == 4 * 3600
    assert found.share == 1 - 4 / 24


def test_before_the_first_reading_and_after_the_last_one_nothing_is_known() -> None:
    found = coverage_of(DAY, [], 6 * HOUR, 18 * HOUR, 5.0)
    assert found.gaps == (Gap(0, 6 * HOUR, NOT_YET), Gap(18 * HOUR, 24 * HOUR, SINCE))
    assert found.share == 0.5


def test_a_last_reading_within_the_gap_time_leaves_no_gap() -> None:
    assert coverage_of(DAY, [], 0, 24 * HOUR - MINUTE, 60.0).gaps == ()
    assert len(coverage_of(DAY, [], 0, 24 * HOUR - MINUTE, 59.0).gaps) == 1


def test_a_starter_never_read_has_no_coverage() -> None:
    assert coverage_of(DAY, [], None, None, 5.0) == Coverage(0.0, (Gap(0, 24 * HOUR, NOT_YET),))
