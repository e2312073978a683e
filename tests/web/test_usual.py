"""What is usual, and what is beyond it."""

from __future__ import annotations

from dataclasses import replace

from gateway.instants import HOUR
from gateway.motors.facts import LoadKind
from gateway.motors.reading import Quality
from gateway.motors.records import Outcome
from gateway.web.usual import NOTHING_USUAL, Band, abnormal, beyond_duration, good_starts, usual_before
from tests.web.tarn_hollow import NOW, seen_start, starter_of, unseen_start

FAN = starter_of("DC-01", "fan", 45, 81, LoadKind.FAN)
TEN = [seen_start(FAN, number, NOW - (20 - number) * HOUR, float(number)) for number in range(1, 11)]


def test_band_is_10th_to_90th_percentile() -> None:
    usual = usual_before(TEN, None, 81.0)
    assert usual.count == 10
    assert usual.duration_s is not None
    assert (round(usual.duration_s.low, 6), round(usual.duration_s.high, 6)) == (1.9, 9.1)


def test_the_start_itself_and_later_ones_do_not_count() -> None:
    assert usual_before(TEN, 7, 81.0).count == 6


def test_five_good_starts_are_needed() -> None:
    assert usual_before(TEN[:4], None, 81.0).duration_s is None
    assert usual_before(TEN[:5], None, 81.0).duration_s is not None


def test_only_the_last_thirty_count() -> None:
    many = [seen_start(FAN, number, NOW, 10.0 if number > 10 else 99.0) for number in range(1, 41)]
    usual = usual_before(many, None, 81.0)
    assert usual.duration_s == Band(10.0, 10.0)


def test_bad_aborted_and_unseen_starts_do_not_count() -> None:
    found = [
        replace(TEN[0], quality=Quality.UNCERTAIN),
        seen_start(FAN, 2, NOW, 3.0, outcome=Outcome.ABORTED),
        unseen_start(3, NOW - HOUR, NOW),
        TEN[3],
    ]
    assert good_starts(found) == [TEN[3]]


def test_beyond_leaves_room_for_tolerance_and_error() -> None:
    usual = replace(NOTHING_USUAL, duration_s=Band(9.0, 10.0))
    assert not beyond_duration(seen_start(FAN, 1, NOW, 11.5, duration_error_s=0.1), usual)
    assert beyond_duration(seen_start(FAN, 1, NOW, 11.7, duration_error_s=0.1), usual)
    assert not beyond_duration(seen_start(FAN, 1, NOW, 11.7, duration_error_s=0.3), usual)
    assert not beyond_duration(unseen_start(1, NOW, NOW), usual)


def test_stall_is_abnormal_without_any_usual() -> None:
    assert abnormal(seen_start(FAN, 1, NOW, 3.0, outcome=Outcome.STALLED), NOTHING_USUAL)
    assert not abnormal(seen_start(FAN, 1, NOW, 3.0, outcome=Outcome.ABORTED), NOTHING_USUAL)
