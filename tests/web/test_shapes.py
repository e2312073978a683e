"""The pictures: right lengths on the common scale, nothing drawn that was not measured, every text escaped."""

from __future__ import annotations

import re
from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest

from gateway.instants import HOUR, MINUTE, from_iso
from gateway.motors.facts import LoadKind, Method, StarterData
from gateway.motors.reading import Quality
from gateway.motors.records import Curve, Outcome
from gateway.web.heat_view import heat_view
from gateway.web.plant_time import PlantTime
from gateway.web.shapes import ladder, svg
from gateway.web.shapes.alert_line import alert_line
from gateway.web.shapes.hours import hour_counts, hours_map
from gateway.web.shapes.scales import ClockAxis, Scale, midnight, nice_ticks, thinned
from gateway.web.shapes.slots import Slots, slot_picture, slots_of
from gateway.web.shapes.spread import spread
from gateway.web.shapes.start_curve import latest_start
from gateway.web.shapes.start_lines import since_begin, usual_envelope
from gateway.web.shapes.start_picture import PANEL_FRAME, current_samples, single, start_picture, strip, wall
from gateway.web.usual import NOTHING_USUAL, Band, Usual
from tests.web.tarn_hollow import NOW, ZONE, FakePlant, curve, seen_start, starter_of, unseen_start

TIME = PlantTime(ZONE)
FAN = starter_of("DC-01", "fan", 45, 81, LoadKind.FAN)
USUAL = Usual(count=30, duration_s=Band(11.2, 12.6), peak_ratio=Band(3.36, 3.48))


def ramp(seconds: int, ratio: float) -> Curve:
    """Return a square current of that ratio over that many seconds, one sample a second, then 4 s of running current."""
    at = tuple(float(second) for second in range(-1, seconds + 6))
    return Curve(at_s=at, columns={"current": tuple(0.0 if t < 0 else (ratio if t <= seconds else 0.8) * 81.0 for t in at)})


def path_of(picture: str, css: str) -> list[tuple[float, float]]:
    data = re.search(rf'<path class="{css}" d="([^"]+)"', picture)
    assert data is not None, f"no {css} in {picture}"
    return [(float(x), float(y)) for x, y in re.findall(r"([-\d.]+) ([-\d.]+)", data.group(1))]


def test_scale_and_ticks() -> None:
    assert Scale(0, 8, 27, 0)(4) == 13.5
    assert Scale(0, 8, 27, 0).clamped(99) == 0
    assert nice_ticks(0, 30, 4) == [0, 10, 20, 30]
    assert nice_ticks(0, 1.1, 5) == [0, 0.5, 1.0]


def test_thinning_keeps_a_spike() -> None:
    points = [(float(x), 10.0) for x in range(100)]
    points[50] = (50.0, 0.0)
    assert (50.0, 0.0) in thinned(points, 0.3)
    assert len(thinned(points, 0.3)) == 5
    assert thinned([(0.0, 0.0), (1.0, 5.0)], 0.3) == [(0.0, 0.0), (1.0, 5.0)]


def test_ten_seconds_at_four_times_flc() -> None:
    start = seen_start(FAN, 1, NOW, 10.0, curve=ramp(10, 4.0), peak_ratio=4.0)
    points = path_of(start_picture(start, NOTHING_USUAL, 81.0, 0.0, PANEL_FRAME, "c"), "st")
    assert max(x for x, _ in points) == pytest.approx(PANEL_FRAME.width * 10 / 30, abs=0.06)
    assert min(y for _, y in points) == pytest.approx(13.5, abs=0.06)


def test_part_beyond_the_usual_is_coloured() -> None:
    start = seen_start(FAN, 1, NOW, 19.6)
    picture = start_picture(start, USUAL, 81.0, 0.0, PANEL_FRAME, "u")
    edge = PANEL_FRAME.width * 12.6 / 30
    assert max(x for x, _ in path_of(picture, "st")) == pytest.approx(edge, abs=0.06)
    assert min(x for x, _ in path_of(picture, "st u")) == pytest.approx(edge, abs=0.06)
    assert 'class="st u"' not in start_picture(seen_start(FAN, 1, NOW, 12.0), USUAL, 81.0, 0.0, PANEL_FRAME, "u")


def test_stall_is_coloured_whole_with_a_cross_and_no_tail() -> None:
    picture = start_picture(seen_start(FAN, 1, NOW, 25.0, outcome=Outcome.STALLED), USUAL, 81.0, 0.0, PANEL_FRAME, "u")
    assert 'class="cut u"' in picture
    assert 'class="tl"' not in picture
    assert 'class="st"' not in picture


def test_aborted_start_has_a_plain_cross() -> None:
    picture = start_picture(seen_start(FAN, 1, NOW, 4.1, outcome=Outcome.ABORTED), USUAL, 81.0, 0.0, PANEL_FRAME, "u")
    assert 'class="cut"' in picture
    assert "u" not in re.findall(r'class="st ([uc])"', picture)


def test_unseen_start_is_an_empty_frame() -> None:
    picture = start_picture(unseen_start(3, NOW, NOW), USUAL, 81.0, 0.0, PANEL_FRAME, "u")
    assert re.fullmatch(r'<rect class="unseen"[^>]*/>', picture)


def test_few_samples_are_dots_never_an_area() -> None:
    start = seen_start(
        FAN, 1, NOW, 6.0, quality=Quality.UNCERTAIN, samples=7, curve=curve(81, 6.0, 3.4, 0.8, method=Method.SOFT_STARTER, step_s=1.0)
    )
    picture = start_picture(start, USUAL, 81.0, 0.0, PANEL_FRAME, "u")
    assert picture.count("<circle") >= 7
    assert 'class="st"' not in picture


def test_a_missing_sample_breaks_the_area() -> None:
    whole = ramp(10, 4.0)
    column: list[float | None] = list(whole.columns["current"])
    column[6] = None
    start = seen_start(FAN, 1, NOW, 10.0, curve=Curve(at_s=whole.at_s, columns={"current": tuple(column)}), peak_ratio=4.0)
    assert start_picture(start, NOTHING_USUAL, 81.0, 0.0, PANEL_FRAME, "c").count('class="st"') == 2


def test_a_start_without_its_curve_is_not_guessed() -> None:
    picture = start_picture(seen_start(FAN, 1, NOW, 10.0, curve=None), NOTHING_USUAL, 81.0, 0.0, PANEL_FRAME, "c")
    assert 'class="st"' not in picture


def test_over_the_frame_is_clipped_with_an_arrow() -> None:
    start = seen_start(FAN, 1, NOW, 40.0, curve=ramp(40, 9.0), peak_ratio=9.0)
    picture = start_picture(start, NOTHING_USUAL, 81.0, 100.0, PANEL_FRAME, "c")
    xs = [x for x, _ in path_of(picture, "st")]
    assert max(xs) <= 137.0
    assert picture.count('class="st"') == 3


def test_samples_far_apart_are_not_joined() -> None:
    slow = Curve(at_s=(-7.5, 7.5, 7.6, 7.7), columns={"current": (0.0, 162.0, 162.0, 162.0)})
    assert current_samples(slow, 81.0) == [(-7.5, 0.0), (7.5, None), (7.5, 2.0), (7.6, 2.0), (7.7, 2.0)]
    assert since_begin(current_samples(slow, 81.0))[0] == (7.5, None)


def test_a_curve_begins_at_the_begin_of_the_start() -> None:
    assert since_begin([(-0.1, 0.0), (0.1, 2.0), (0.2, 3.0)]) == [(0.0, 1.0), (0.1, 2.0), (0.2, 3.0)]
    assert since_begin([(0.0, 0.5), (0.1, 2.0)]) == [(0.0, 0.5), (0.1, 2.0)]
    assert since_begin([(-0.1, None), (0.1, 2.0)]) == [(0.1, 2.0)]


def test_phases_stand_in_for_the_line_current() -> None:
    phases = Curve(at_s=(0.0, 1.0), columns={"current_l1": (81.0, None), "current_l2": (162.0, None), "current_l3": (None, None)})
    assert current_samples(phases, 81.0) == [(0.0, 2.0), (1.0, None)]
    assert current_samples(Curve(at_s=(0.0,), columns={"speed": (1.0,)}), 81.0) == []


def test_strip_is_right_aligned_and_says_what_it_shows() -> None:
    one = strip([seen_start(FAN, 1, NOW, 12.0)], USUAL, 81.0)
    assert 'x="333"' in one
    assert "last 1 starts" in one
    assert "the latest took 12.0 s" in one
    assert "no start recorded yet" in strip([], USUAL, 81.0)
    mixed = strip([unseen_start(2, NOW, NOW), seen_start(FAN, 1, NOW, 3.0, outcome=Outcome.ABORTED)], USUAL, 81.0)
    assert "1 not seen, 1 cut off; the latest was not seen" in mixed


def test_wall_and_single() -> None:
    starts = [seen_start(FAN, number, NOW, 12.0) for number in range(40, 0, -1)]
    assert wall(starts, USUAL, 81.0).count("<g ") == 3
    assert "start 40, 12.0 s" in single(starts[0], USUAL, 81.0)
    assert "not seen" in single(unseen_start(2, NOW, NOW), USUAL, 81.0)


def test_slots(plant: FakePlant) -> None:
    held = slots_of(plant.budget("DC-01"), 0)
    assert held == Slots(allowed=3, used=2, unseen=0, held=True)
    picture = slot_picture(Slots(allowed=3, used=2, unseen=1, held=True))
    assert (picture.count('class="used"'), picture.count('class="unsure"'), picture.count('class="heldbar"')) == (1, 1, 1)
    assert "2 of 3 starts used, 1 of them not seen, the rest held by another limit" in picture
    assert "5 of 12" in slot_picture(Slots(allowed=12, used=5))
    over = slot_picture(Slots(allowed=3, used=4))
    assert (over.count('class="used"'), over.count('class="past"')) == (4, 1)
    assert slots_of(replace(plant.budget("DC-01"), limits=()), 0) is None


def test_clock_axis_ticks_are_local_hours() -> None:
    axis = ClockAxis(NOW - 72 * MINUTE, NOW + 63 * MINUTE)
    assert [label for _, label in axis.ticks(TIME)] == ["13:00", "13:30", "14:00", "14:30", "15:00"]
    odd = PlantTime(ZoneInfo("Asia/Kathmandu"))
    assert all(label.endswith((":00", ":30")) for _, label in axis.ticks(odd))
    assert axis.percent(NOW - 10 * HOUR) == 0.0


def test_midnight_over_a_clock_change() -> None:
    assert midnight(TIME, from_iso("2026-03-29T12:00:00Z"), 0) == from_iso("2026-03-29T00:00:00Z")
    assert midnight(TIME, from_iso("2026-03-30T12:00:00Z"), 0) == from_iso("2026-03-29T23:00:00Z")


def test_ladder_lanes(plant: FakePlant) -> None:
    budget = plant.budget("DC-01")
    axis = ladder.ladder_axis(budget)
    deciding = ladder.limit_lane(budget.limits[0], budget, axis, TIME)
    assert 'class="rest"' in deciding
    assert 'class="gone"' in deciding
    assert 'class="then"' in deciding
    counting = ladder.limit_lane(budget.limits[1], budget, axis, TIME)
    assert counting.count('class="rest one"') == 2
    assert "holds from" in counting
    assert "now 14:12" in ladder.answer_lane(budget, axis, TIME)
    assert "14:37" in ladder.answer_lane(budget, axis, TIME)
    assert "14:37 if stopped now" in ladder.answer_lane(budget, axis, TIME, from_stop=True)
    assert "13:30" in ladder.axis_lane(axis, TIME)
    assert "100 %" in ladder.heat_labels()


def test_axis_reaches_to_a_far_answer(plant: FakePlant) -> None:
    held = plant.budget("DC-01")
    far = replace(held, limits=(replace(held.limits[0], next_start_at=NOW + 6 * HOUR),), next_start_at=NOW + 6 * HOUR)
    axis = ladder.ladder_axis(far)
    assert axis.to_at > NOW + 6 * HOUR
    assert len(axis.ticks(TIME)) <= 6
    endless = replace(far, limits=(replace(held.limits[0], next_start_at=NOW + 999 * HOUR),))
    assert ladder.ladder_axis(endless).to_at == NOW + 48 * HOUR


def test_heat_forecast_falls_while_the_motor_stands(plant: FakePlant) -> None:
    motor = plant.motors["DC-01"]
    budget = plant.budget("DC-01")
    axis = ladder.ladder_axis(budget)
    view = heat_view(motor.starter, motor.history, budget, motor.trail, axis.to_at)
    values = [used for _, used in view.forecast]
    assert values == sorted(values, reverse=True)
    assert view.now is not None
    assert view.after_start is not None
    assert view.at_answer is not None
    assert view.at_answer < view.now < view.after_start
    lane = ladder.heat_lane(view, budget, axis, TIME)
    assert all(f'class="{css}"' in lane for css in ("hl", "hf", "hs", "g3", "dot"))


def test_heat_of_a_running_motor_has_no_forecast(plant: FakePlant) -> None:
    motor = plant.motors["RW-01"]
    view = heat_view(motor.starter, motor.history, plant.budget("RW-01"), motor.trail, NOW + HOUR)
    assert (view.forecast, view.after, view.after_start) == ((), (), None)


def test_envelope_needs_five_curves() -> None:
    earlier = [seen_start(FAN, number, NOW, 12.0) for number in range(1, 7)]
    assert usual_envelope(earlier[:4], 81.0, 30.0) == []
    envelope = usual_envelope([*earlier, replace(earlier[0], curve=None)], 81.0, 30.0)
    assert len(envelope) == 121
    assert all(low <= high for _, low, high in envelope)


def test_latest_start_is_coloured_only_outside_the_band() -> None:
    earlier = [seen_start(FAN, number, NOW, 12.0) for number in range(1, 8)]
    late = latest_start(seen_start(FAN, 9, NOW, 19.6), earlier, USUAL, 81.0, clock="14:07", tone="u")
    assert 'class="act u"' in late
    assert 'class="act in"' in late
    assert "this start, 14:07" in late
    assert "usual 11.2 to 12.6 s" in late
    calm = latest_start(seen_start(FAN, 9, NOW, 12.0), earlier, USUAL, 81.0, clock="14:07", tone="u")
    assert 'class="act u"' not in calm
    stall = latest_start(seen_start(FAN, 9, NOW, 35.0, outcome=Outcome.STALLED), [], NOTHING_USUAL, 81.0, clock="14:07", tone="u")
    assert "stalled" in stall
    assert ">40 s<" in stall
    bare = latest_start(seen_start(FAN, 9, NOW, 12.0, curve=None), [], NOTHING_USUAL, 81.0, clock="14:07", tone="u")
    assert 'class="act' not in bare


def test_latest_start_breaks_where_a_sample_is_missing() -> None:
    whole = ramp(10, 4.0)
    column: list[float | None] = list(whole.columns["current"])
    column[6] = None
    start = seen_start(FAN, 1, NOW, 10.0, curve=Curve(at_s=whole.at_s, columns={"current": tuple(column)}))
    assert latest_start(start, [], NOTHING_USUAL, 81.0, clock="14:07", tone="u").count('class="act in"') == 2


def test_spread() -> None:
    values: list[float | None] = [*([12.0] * 38), None, 19.6]
    picture = spread("duration", "s", values, Band(11.2, 12.6), 1, "u")
    assert picture.count("<circle") == 38
    assert 'class="out u"' in picture
    assert "usual 11.2 to 12.6" in picture
    assert "too few good starts yet" in spread("duration", "s", [None], None, 1, "u")
    assert 'class="out' not in spread("peak", "× FLC", [3.4], Band(3.4, 3.4), 2, "u")


def test_hours_map_counts_local_hours() -> None:
    starts = [
        seen_start(FAN, 3, from_iso("2026-03-12T13:59:59Z"), 5.0),
        seen_start(FAN, 2, from_iso("2026-03-12T13:00:00Z"), 5.0),
        unseen_start(1, from_iso("2026-03-11T16:30:00Z"), from_iso("2026-03-11T17:05:00Z")),
        seen_start(FAN, 0, from_iso("2026-02-12T13:00:00Z"), 5.0),
    ]
    seen, unseen = hour_counts(starts, TIME, NOW)
    assert dict(seen) == {(0, 13): 2}
    assert dict(unseen) == {(1, 17): 1}
    picture = hours_map(starts, TIME, NOW, 1)
    assert picture.count('class="dm over"') == 1
    assert picture.count('class="dm unseen"') == 1
    assert picture.count('class="g1"') == 9
    assert "3 in all" in picture


def test_alert_line_shows_how_far_it_got(plant: FakePlant) -> None:
    stall, long_one, _, _, returned = plant.standing
    assert 'stroke-width="9"' in alert_line(stall, TIME, NOW)
    assert alert_line(stall, TIME, NOW).count('class="stop"') == 2
    assert 'stroke-width="3"' in alert_line(long_one, TIME, NOW)
    assert 'stroke-width="1.5"' in alert_line(returned, TIME, NOW)
    assert "raised 12:48, acknowledged no, returned 13:35" in alert_line(returned, TIME, NOW)
    done = replace(long_one, returned_at=NOW)
    assert alert_line(done, TIME, NOW).count('class="stop"') == 0


def test_texts_are_escaped() -> None:
    hostile = '<script>alert("x")</script>'
    assert "<script" not in svg.text(0, 0, hostile)
    assert "<script" not in svg.picture(1, 1, hostile, [])


def test_star_delta_and_direct_on_line_draw() -> None:
    for method in (Method.STAR_DELTA, Method.DIRECT_ON_LINE):
        starter = starter_of("SW-01", "wheel", 11, 21, LoadKind.CONVEYOR, device=StarterData(method=method))
        assert 'class="st"' in single(seen_start(starter, 1, NOW, 6.0), NOTHING_USUAL, 21.0)
