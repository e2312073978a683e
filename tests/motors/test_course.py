"""Records of starts and stops: the corners that lives of motors seldom reach."""

from __future__ import annotations

import pytest

from gateway.instants import HOUR, SECOND
from gateway.motors.course import LEVELS, Course
from gateway.motors.facts import Method
from gateway.motors.reading import Flaw, Quality, Reading
from gateway.motors.recogniser import Ramp
from gateway.motors.records import Outcome, StartBegan, StopKind
from gateway.motors.start_figures import Edge, Sample
from gateway.motors.under_way import UnderWay, winding_factor
from gateway.motors.watch import Watch
from tests.motors.strips import BLIND, FLC_A, OFF, RAMPS, SPEED, TRIPPED, Piece, falling, fold, starter, starts_in, stops_in, strip

STANDS = Piece(3.0, 0.0, OFF)
SOFT = (Piece(7.5, 3.5, RAMPS), Piece(0.6, falling(3.5, 0.9, 0.6), RAMPS))
RUNS = Piece(30.0, 0.9, SPEED)


def test_a_start_that_is_not_under_way_cannot_be_ended() -> None:
    with pytest.raises(ValueError, match="no start is under way"):
        Course().open_start()


def test_levels_of_a_run_are_bounded() -> None:
    course = Course()
    for tenth in range(10_000):
        course.level(tenth * SECOND // 10, 0.9)
    assert LEVELS <= len(course.levels) <= 2 * LEVELS
    assert all(later - earlier >= SECOND for (earlier, _), (later, _) in zip(course.levels, course.levels[1:], strict=False))


@pytest.mark.parametrize(
    ("last_seconds", "kind"),
    [
        (falling(0.9, 1.8, 8.0), StopKind.SOFT_STOP),
        (falling(0.9, 0.4, 8.0), StopKind.COAST),
        (lambda at_s: 1.6 if at_s < 3.0 else 0.9, StopKind.COAST),
        (lambda at_s: 0.9, StopKind.COAST),
    ],
    ids=["rises until off", "falls", "surge before", "steady"],
)
def test_only_a_rise_that_lasts_until_off_is_a_soft_stop(last_seconds: float, kind: StopKind) -> None:
    pieces = (STANDS, *SOFT, Piece(60.0, 0.9), Piece(8.0, last_seconds), STANDS)
    (stop,) = stops_in(fold(Watch(starter()), strip(pieces, bits=False)))
    assert stop.kind is kind
    seconds = (stop.ended_at - stop.began_at) / SECOND
    assert seconds == (pytest.approx(8.0, abs=1.5) if kind is StopKind.SOFT_STOP else 0.0)


def test_a_run_too_short_to_tell_coasts() -> None:
    pieces = (STANDS, Piece(2.0, 5.0), Piece(2.5, 0.9), STANDS)
    (stop,) = stops_in(fold(Watch(starter(Method.DIRECT_ON_LINE)), strip(pieces, bits=False)))
    assert stop.kind is StopKind.COAST


def test_a_begin_after_readings_that_were_bad_for_a_moment_is_not_exact() -> None:
    """Off, two seconds without a value, then on: the begin lies anywhere in the two seconds."""
    events = fold(Watch(starter()), strip((STANDS, Piece(2.0, BLIND), *SOFT, RUNS), bits=False))
    (start,) = starts_in(events)
    assert start.began_error_s == pytest.approx(1.06, abs=0.02)
    assert start.began_at == pytest.approx(3_950_000, abs=60_000)
    assert start.curve is not None and start.curve.columns["current"][0] == 0.0


def test_the_very_first_reading_can_be_on_by_a_blip() -> None:
    readings = [Reading(0, {}, {"current": Flaw(Quality.BAD, "no answer")}), Reading(SECOND, {"tripped": False, "current": 8.0})]
    watch = Watch(starter())
    assert fold(watch, readings) == [], "between off and on: nothing is known"
    assert fold(watch, [Reading(2 * SECOND, {"tripped": False, "current": 0.0})])[0].at == 2 * SECOND


def test_a_second_stall_sign_tells_nothing_new() -> None:
    pieces = (STANDS, Piece(20.0, 5.0, RAMPS), Piece(0.3, 1.0, RAMPS), Piece(10.0, 5.0), STANDS)
    events = fold(Watch(starter(max_start_s=15.0)), strip(pieces, bits=False))
    (start,) = starts_in(events)
    assert start.outcome is Outcome.STALLED
    assert start.duration_s == pytest.approx(30.3, abs=0.15)


def test_a_trip_in_the_first_reading_that_is_on() -> None:
    on_then_trip = [Reading(0, {"current": 0.0}), Reading(100_000, {"current": 400.0}), Reading(200_000, {"current": 0.0, **TRIPPED})]
    (start,) = starts_in(fold(Watch(starter()), on_then_trip))
    assert start.outcome is Outcome.TRIPPED
    assert start.duration_s == pytest.approx(0.1, abs=0.01)


def test_a_start_found_and_gone_at_once_has_no_negative_length() -> None:
    watch = Watch(starter())
    events = fold(watch, [Reading(0, {"current": 400.0}), Reading(10_000, {"current": 0.0, **TRIPPED})])
    (start,) = starts_in(events)
    assert start.began_at <= start.ended_at
    assert [event.number for event in events if isinstance(event, StartBegan)] == [1]


def test_the_change_over_ends_the_star_phase_for_the_winding() -> None:
    star = starter(Method.STAR_DELTA)
    under_way = UnderWay(began=Edge(0, 0.05), number=1)
    for index, ratio in enumerate([0.0, 2.3, 2.3, 2.2, 2.2, 2.1, 5.0, 4.0]):
        under_way.add(Sample(index * 100_000, ratio * FLC_A, {}), star)
        expected = 1.0 if index >= 6 else 3.0**0.5
        assert under_way.winding_ratio(1.0, star) == pytest.approx(expected), index
    assert under_way.changeover_at == 500_000
    assert under_way.winding_ratio(None, star) is None
    under_way.shift(HOUR)
    assert (under_way.changeover_at, under_way.samples[0].at, under_way.began.at, under_way.ended) == (HOUR + 500_000, HOUR, HOUR, None)


def test_a_change_over_that_no_sample_showed_is_where_the_settings_say() -> None:
    unknown, told = starter(Method.STAR_DELTA), starter(Method.STAR_DELTA, {"star_time_s": 1.0})
    samples = [Sample(index * 100_000, ratio * FLC_A, {}) for index, ratio in enumerate([0.0, *[2.0] * 20, 0.9])]
    records = []
    for facts in (unknown, told):
        under_way = UnderWay(began=Edge(50_000, 0.05), samples=samples, number=1, ended=Edge(2_050_000, 0.05))
        records.append(under_way.record(facts, 2_100_000))
    whole, part = (record.winding_i2t_flc2s or 0.0 for record in records)
    assert whole == pytest.approx(3.0 * 4.0 * 2.0, rel=0.03), "nothing known: all of it in star, the pessimistic side"
    assert part == pytest.approx(3.0 * 4.0 * 1.0 + 4.0 * 1.0, rel=0.05)


def test_a_tap_raises_the_winding_current_over_the_line_current() -> None:
    tapped, plain = starter(Method.AUTOTRANSFORMER, {"tap_ratio": 0.65}), starter(Method.AUTOTRANSFORMER)
    assert winding_factor(tapped) == pytest.approx(1.0 / 0.65)
    assert winding_factor(plain) == 1.0
    pieces = (STANDS, Piece(6.0, 2.4, RAMPS), Piece(0.4, 4.5, RAMPS), RUNS)
    (start,) = starts_in(fold(Watch(tapped), strip(pieces)))
    assert start.winding_i2t_flc2s == pytest.approx((2.4 / 0.65) ** 2 * 6.0 + 4.5**2 * 0.4, rel=0.05)


def test_a_sample_without_current_hides_no_change_over() -> None:
    star = starter(Method.STAR_DELTA)
    under_way = UnderWay(began=Edge(0, 0.05), number=1)
    for index, current in enumerate([0.0, 180.0, 180.0, 180.0, 180.0, None, 400.0]):
        under_way.add(Sample(index * 100_000, current, {}), star)
    assert under_way.changeover_at is None


def test_the_end_of_a_start_that_came_down_from_its_first_sample() -> None:
    under_way = UnderWay(began=Edge(0, 0.0), samples=[Sample(0, 70.0, {}), Sample(100_000, 70.0, {})])
    edge = under_way.end_edge(Ramp(high_seen=True, steady_at=0), starter())
    assert edge.at == 0


def test_a_start_without_any_current_keeps_its_length() -> None:
    rows = (
        [{"running": False, "at_speed": False}] * 3
        + [{"running": True, "at_speed": False}] * 20
        + [{"running": True, "at_speed": True}] * 60
    )
    (start,) = starts_in(fold(Watch(starter()), [Reading(index * 100_000, row) for index, row in enumerate(rows)]))
    assert start.duration_s == pytest.approx(2.0, abs=0.01)
    assert start.duration_error_s == pytest.approx(0.11, abs=0.02)
    assert (start.peak_current_a, start.i2t_error_pct, start.remark) == (None, None, "no current was read")


def test_a_flaw_that_comes_or_goes_is_looked_at() -> None:
    """The same values, but one signal is uncertain now: the page must hear of it."""
    watch = Watch(starter())
    values = {"current": 70.0, "power": 30.0}
    for second in range(5):
        watch.take(Reading(second * SECOND, values))
    watch.take(Reading(5 * SECOND, values, {"power": Flaw(Quality.UNCERTAIN, "device says so")}))
    assert watch.live().flaws == {"power": "device says so"}
    watch.take(Reading(6 * SECOND, values))
    assert watch.live().flaws == {}


def test_a_start_older_than_a_day_is_still_ended() -> None:
    """A stall that nothing cuts off for 26 hours: its mark is long forgotten."""
    watch = Watch(starter())
    fold(watch, strip((STANDS, Piece(26 * 3600.0, 5.0)), 4.0, bits=False))
    (start,) = starts_in(fold(watch, strip((STANDS,), from_at=26 * HOUR + 10 * SECOND, bits=False)))
    assert start.outcome is Outcome.STALLED
