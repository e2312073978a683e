"""The latest start over time and over speed: what is drawn, what is said where no speed was read, names off every line."""

from __future__ import annotations

import re
from dataclasses import replace
from xml.etree import ElementTree

import httpx
import pytest

from gateway.motors.records import Curve, Start
from gateway.services.predicted_curve import PredictedCurves, predicted_curves
from gateway.web.latest_view import NO_SPEED_READ, NO_SPEED_SIGNAL, latest_view
from gateway.web.past import Past
from gateway.web.plant_time import PlantTime
from gateway.web.shapes.label_places import Box, Name, placed_names
from gateway.web.shapes.start_curve import latest_start
from gateway.web.shapes.start_lines import Along, lines_over_speed, lines_over_time, speed_envelope, speed_samples
from gateway.web.snapshot import take_snapshot
from gateway.web.usual import usual_before
from tests.web.tarn_hollow import NOW, ZONE, FakePlant

ESTIMATES = PredictedCurves(own=((0.0, 2.0), (10.0, 3.0)), direct=((0.0, 6.0), (2.0, 1.0)), own_speed=((0.0, 2.0), (1480.0, 1.0)))


def turning(start: Start, *, speed: bool = True) -> Start:
    """Return the start with a shaft that came to 1480 rpm when it ended."""
    assert start.curve is not None
    end_s = start.duration_s or 1.0
    rpm = tuple(1480.0 * min(1.0, max(0.0, at) / end_s) if speed else None for at in start.curve.at_s)
    return replace(start, curve=Curve(at_s=start.curve.at_s, columns=dict(start.curve.columns) | {"speed": rpm}))


def with_speed(plant: FakePlant, name: str) -> None:
    """Let a motor of the plant have a measured speed in all its starts."""
    motor = plant.motors[name]
    starts = [turning(start) for start in motor.starts]
    plant.motors[name] = replace(motor, starts=starts, live=replace(motor.live, last_start=starts[0]))


async def test_the_page_switches_to_speed_where_it_was_read(plant: FakePlant, client: httpx.AsyncClient) -> None:
    with_speed(plant, "DC-01")
    over_time = (await client.get("/motors/DC-01")).text
    assert '<a class="swap" href="/motors/DC-01?along=speed#shape">over speed</a>' in over_time
    over_speed = (await client.get("/motors/DC-01?along=speed")).text
    assert "× FLC over rpm" in over_speed
    assert '<a class="swap" href="/motors/DC-01?along=time#shape">over time</a>' in over_speed
    assert ">1500 rpm<" in over_speed
    assert "over speed: 19.6 s" in over_speed
    assert "Over time only" not in over_time + over_speed
    assert 'class="pred"' in over_speed


async def test_without_a_measured_speed_the_page_says_why_there_is_none(plant: FakePlant, client: httpx.AsyncClient) -> None:
    html = (await client.get("/motors/DC-01?along=speed")).text
    assert NO_SPEED_SIGNAL in html
    assert "× FLC over seconds" in html
    assert "over speed</a>" not in html
    assert (await client.get("/motors/DC-01?along=torque")).status_code == 422


def test_a_start_during_which_the_speed_was_away_says_so(plant: FakePlant) -> None:
    snapshot = take_snapshot(plant, NOW)
    motor = snapshot.motor("DC-01")
    assert motor is not None
    starts = tuple(turning(start, speed=False) for start in plant.motors["DC-01"].starts[:10])
    past = Past(pictured=starts, recent=starts, usual=usual_before(starts, starts[0].number, 81.0))
    view = latest_view(motor, past, PlantTime(ZONE), NOW, ESTIMATES, Along.SPEED)
    assert view is not None
    assert (view.along, view.other, view.why_not) == (Along.TIME, None, NO_SPEED_READ)


def test_the_table_has_the_extremes_of_the_picture(plant: FakePlant) -> None:
    with_speed(plant, "DC-01")
    motor = take_snapshot(plant, NOW).motor("DC-01")
    assert motor is not None
    starts = tuple(plant.motors["DC-01"].starts[:10])
    past = Past(pictured=starts, recent=starts, usual=usual_before(starts, starts[0].number, 81.0))
    view = latest_view(motor, past, PlantTime(ZONE), NOW, ESTIMATES, Along.SPEED)
    assert view is not None
    lines = lines_over_speed(starts[0], starts[1:], 81.0, ESTIMATES)
    assert lines is not None
    at, highest = max(((at, value) for at, value in lines.samples if value is not None), key=lambda point: point[1])
    recorded = view.figures[0]
    assert (recorded.name, recorded.highest, recorded.at) == (f"start no. {starts[0].number}", f"{highest:.2f}", f"{at:.0f}")
    assert [line.name for line in view.figures] == [
        f"start no. {starts[0].number}",
        "usual, 90th percentile",
        "predicted from the settings",
    ]


def test_speed_is_paired_with_the_current_of_the_same_reading_and_never_guessed() -> None:
    curve = Curve(at_s=(-0.1, 0.1, 0.2, 0.3), columns={"current": (0.0, 160.0, None, 80.0), "speed": (0.0, 5.0, 9.0, None)})
    assert speed_samples(curve, 80.0) == [(5.0, 2.0), (0.0, None), (0.0, None)]


def test_the_band_over_speed_ends_where_the_slowest_start_ended(plant: FakePlant) -> None:
    starts = [turning(start) for start in plant.motors["DC-01"].starts[1:9]]
    assert speed_envelope(starts[:4], 81.0, 1500.0) == []
    band = speed_envelope(starts, 81.0, 1500.0)
    assert len(band) > 100
    assert band[-1][0] <= 1480.0
    assert all(low <= high for _, low, high in band)


def test_over_speed_nothing_leaves_a_band_that_does_not_reach_there(plant: FakePlant) -> None:
    starts = [turning(start) for start in plant.motors["DC-01"].starts[:9]]
    lines = lines_over_speed(starts[0], starts[1:], 81.0)
    assert lines is not None
    assert lines.leaves(700.0, 9.0, 0.15)
    assert not lines.leaves(1499.0, 9.0, 0.15)
    assert lines_over_time(starts[0], starts[1:], 81.0).leaves(29.9, 9.0, 0.15)


@pytest.mark.parametrize("name", ["DC-01", "CM-01", "SC-01", "RW-01"])
def test_no_name_lies_on_a_line(plant: FakePlant, name: str) -> None:
    motor = plant.motors[name]
    flc_a = motor.starter.motor.flc_a
    usual = usual_before(motor.starts, motor.starts[0].number, flc_a)
    lines = lines_over_time(motor.starts[0], motor.starts[1:10], flc_a, predicted_curves(motor.starter))
    drawn = latest_start(motor.starts[0], motor.starts[1:10], usual, flc_a, clock="14:07", tone="u", lines=lines)
    root = ElementTree.fromstring(drawn)
    texts = [text for text in root.iter("text") if len(text.text or "") > 5]
    assert len(texts) >= 3
    paths = [path.get("d", "") for path in root.iter("path") if (path.get("class") or "").split(" ")[0] in ("act", "pred", "dol")]
    for text in texts:
        bold = (text.get("class") or "") != ""
        box = Name(float(text.get("x", "0")), float(text.get("y", "0")), text.text or "", 6.8 if bold else 5.4)
        for path in paths:
            for x, y in _along(path):
                inside = box.x + 1 < x < box.x + box.width - 1 and box.top + 2 < y < box.bottom - 2
                assert not inside, f"{name}: {text.text} lies on a line at {x:.0f}, {y:.0f}"


def _along(path: str) -> list[tuple[float, float]]:
    corners = [(float(x), float(y)) for x, y in re.findall(r"[ML](-?[\d.]+) (-?[\d.]+)", path)]
    found = []
    for (x0, y0), (x1, y1) in zip(corners, corners[1:], strict=False):
        steps = max(1, int(abs(x1 - x0) + abs(y1 - y0)))
        found += [(x0 + (x1 - x0) * step / steps, y0 + (y1 - y0) * step / steps) for step in range(steps + 1)]
    return found


def test_an_upright_line_keeps_names_away_as_any_other() -> None:
    level, upright = [(0.0, 60.0), (200.0, 60.0)], [(100.0, 0.0), (100.0, 100.0)]
    (name,) = placed_names([("a name of some length", level), ("", upright)], Box(0.0, 0.0, 200.0, 100.0), letter_px=4.0)
    assert name.x + name.width < 100.0 or name.x > 100.0


def test_a_name_of_two_lines_stays_in_the_box() -> None:
    (name,) = placed_names([("first\nsecond line", [(0.0, 90.0), (200.0, 90.0)])], Box(0.0, 0.0, 200.0, 100.0))
    assert name.lines == ["first", "second line"]
    assert name.top >= 0.0
    assert name.bottom <= 100.0
