"""Signals over time: nothing drawn that was not read, no peak lost, and every question answered in words."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from html import unescape
from itertools import pairwise
from typing import Any

import httpx
import numpy as np
import pytest

from gateway.instants import HOUR, MINUTE, SECOND, from_iso
from gateway.store.readers import StoredEvent
from gateway.store.samples import Series, thinned
from gateway.web.plant_time import PlantTime
from gateway.web.shapes.scales import ClockAxis, nice_ticks
from gateway.web.shapes.trend import Gap, Lane, Mark, axis_ticks, lane_picture, lane_scale, with_holes
from gateway.web.shapes.trend_file import trend_file
from tests.web.tarn_hollow import NOW, ZONE, FakePlant

TIME = PlantTime(ZONE)
DAY = ClockAxis(NOW - 24 * HOUR, NOW)


def lane(values: list[float | None], step: int = MINUTE, **more: Any) -> Lane:
    at = [NOW - 24 * HOUR + place * step for place in range(len(values))]
    return replace(Lane(name="current", unit="A", at=at, values=values), **more)


def runs(drawn: str) -> int:
    return len(re.findall(r'class="tr" d=', drawn))


async def test_the_page_says_what_the_value_did(client: httpx.AsyncClient) -> None:
    answer = await client.get("/signals?motor=DC-01&signal=current&signal=running")
    assert answer.status_code == 200
    assert "DC-01 current was 0.0 to 287.0 A in 24 h." in answer.text
    assert answer.text.count('class="lane trend"') == 2
    assert "style=" not in answer.text.replace("stylesheet", "")
    points = re.search(r'data-points="([^"]+)"', answer.text)
    assert points is not None
    first = json.loads(unescape(points.group(1)))
    assert first[:3] == [
        [(NOW - 24 * HOUR) // 1000, 0.0],
        [(NOW - 24 * HOUR + 5 * MINUTE) // 1000, None],
        [(NOW - 24 * HOUR + 10 * MINUTE) // 1000, 2.0],
    ]


async def test_a_gap_is_drawn_and_named(client: httpx.AsyncClient, plant: FakePlant) -> None:
    body = {"began_at": NOW - 9 * HOUR, "reason": "no link"}
    plant.happened["DC-01"] = [
        StoredEvent(at=NOW - 4 * HOUR, kind="gap_ended", body=body),
        StoredEvent(at=NOW, kind="counter_reset", body={}),
    ]
    html = (await client.get("/signals?motor=DC-01")).text
    assert "5 h in 1 gap: no link" in html
    assert html.count('class="blind"') == 1
    assert ">no link</text>" in html


async def test_downloads(client: httpx.AsyncClient) -> None:
    where = f"motor=DC-01&signal=current&from={(NOW - 2 * HOUR) // 1000}&to={NOW // 1000}"
    picture = await client.get(f"/signals.svg?{where}")
    assert picture.headers["content-type"] == "image/svg+xml"
    assert picture.headers["content-disposition"].startswith("attachment")
    assert picture.text.startswith('<svg xmlns="http://www.w3.org/2000/svg"')
    assert "Thu 12 Mar 2026 12:12 to Thu 12 Mar 2026 14:12, Europe/London, UTC+00:00" in picture.text
    table = (await client.get(f"/signals.csv?{where}")).text.splitlines()
    assert table[0] == "motor,signal,unit,at_local,value"
    assert table[1] == "DC-01,current,A,2026-03-12T12:12:00.000+00:00,0.0"
    assert table[2].endswith(",")


@pytest.mark.parametrize(
    ("query", "status", "words"),
    [
        ("motor=XX", 404, "no motor of that name"),
        ("motor=DC-01&signal=colour", 200, "DC-01 has no signal colour: current is drawn."),
        ("motor=DC-01&signal=voltage&signal=colour", 200, "DC-01 has no signal colour."),
        ("hours=5", 422, "hours: choose one of"),
        ("from=1&to=x", 422, "milliseconds"),
        ("from=5&to=4", 422, "from must lie before to"),
        (f"from=0&to={NOW // 1000}", 422, "31 days"),
        ("end=soon", 422, "end: soon is no time"),
        ("end=1971-01-01T00:00", 200, "Signals"),
        ("end=0001-01-01T00:00", 422, "end: "),
    ],
)
async def test_questions_that_cannot_be(client: httpx.AsyncClient, query: str, status: int, words: str) -> None:
    answer = await client.get(f"/signals?{query}")
    assert answer.status_code == status
    assert words in answer.text


async def test_no_motor_no_signal(client: httpx.AsyncClient, plant: FakePlant) -> None:
    plant.motors.clear()
    assert "no motor" in (await client.get("/signals")).text


def test_a_spike_of_one_sample_in_a_month_stays_as_high_as_it_was() -> None:
    at = np.arange(NOW - 30 * 24 * HOUR, NOW, 10 * SECOND)
    values = 40.0 + (np.arange(len(at)) % 3) * 0.1
    values[123_457] = 278.6
    few = thinned(Series(at, values), int(at[0]), NOW, 1200)
    month = Lane(name="current", unit="A", at=few.at.tolist(), values=few.values.tolist())
    drawn = lane_picture(month, ClockAxis(int(at[0]), NOW), TIME)
    assert len(few.at) <= 1300
    assert month.extremes == (40.0, 278.6)
    assert "278.6" in str(drawn.lane)


def test_the_line_breaks_where_nothing_usable_came() -> None:
    assert runs(str(lane_picture(lane([1.0, 2.0, 3.0, 4.0]), DAY, TIME).lane)) == 1
    assert runs(str(lane_picture(lane([1.0, 2.0, None, 3.0, 4.0]), DAY, TIME).lane)) == 2
    away = lane([1.0, 2.0, 3.0, 4.0], gaps=[Gap(NOW - 24 * HOUR + 90 * SECOND, NOW - 24 * HOUR + 110 * SECOND, "no link")])
    assert runs(str(lane_picture(away, DAY, TIME).lane)) == 2
    far = Lane(
        name="current", unit="A", at=[*range(0, 40 * MINUTE, MINUTE), *range(30 * HOUR, 30 * HOUR + 40 * MINUTE, MINUTE)], values=[1.0] * 80
    )
    assert runs(str(lane_picture(far, ClockAxis(0, 31 * HOUR), TIME).lane)) == 2


def test_a_single_sample_is_a_dot_and_no_value_is_said() -> None:
    assert 'class="dot"' in str(lane_picture(lane([5.0]), DAY, TIME).lane)
    assert "no usable value" in str(lane_picture(lane([None]), DAY, TIME).lane)


def test_scale_begins_at_nought_unless_it_is_said() -> None:
    assert lane_scale(lane([2.0, 80.0])).from_value == 0.0
    cropped = lane_picture(lane([398.0, 402.0]), DAY, TIME)
    assert cropped.cropped
    assert lane_scale(lane([5.0, 5.0])).from_value < 5.0
    assert lane_scale(lane([-80.0, -2.0])).to_value > -2.0
    assert [lane_scale(lane([1.0], flag=True)).from_value, lane_scale(lane([1.0], flag=True)).to_value] == [0.0, 1.0]


def test_a_start_whose_readings_are_gone_still_stands_as_high_as_it_was() -> None:
    drawn = str(lane_picture(lane([1.0, 2.0], marks=[Mark(NOW - 3 * HOUR, 250.0), Mark(NOW - 2 * HOUR)]), DAY, TIME).lane)
    assert drawn.count("startmark") == 2
    assert "1 to 250 A" in drawn


def test_ticks_are_full_local_hours_over_a_clock_change() -> None:
    change = from_iso("2026-03-29T00:00:00Z")
    words = [label for _, label in axis_ticks(ClockAxis(change - 6 * HOUR, change + 12 * HOUR), TIME)]
    assert words[:3] == ["18:00", "21:00", "29 Mar"]
    assert all(word.endswith(":00") or "Mar" in word for word in words)
    month = [label for _, label in axis_ticks(ClockAxis(NOW - 30 * 24 * HOUR, NOW), TIME)]
    assert month[0] == "11 Feb"
    assert len(month) <= 9


def test_the_file_stands_alone() -> None:
    drawn = trend_file("a <b>", [lane([1.0, 2.0]), lane([0.0, 1.0], flag=True)], DAY, TIME)
    assert "a &lt;b&gt;" in drawn
    assert "<style>" in drawn
    assert "href" not in drawn


def test_an_empty_stretch_is_told_though_no_gap_was_noted() -> None:
    late = with_holes(lane([1.0] * 600), DAY)
    assert [(gap.from_at, gap.to_at, gap.reason) for gap in late.gaps] == [(NOW - 24 * HOUR + 599 * MINUTE, NOW, "nothing stored")]
    assert with_holes(lane([1.0] * 1441), DAY).gaps == ()
    noted = lane([1.0] * 600, gaps=[Gap(NOW - 14 * HOUR, NOW, "no link")])
    assert [gap.reason for gap in with_holes(noted, DAY).gaps] == ["no link"]
    assert [gap.reason for gap in with_holes(lane([]), DAY).gaps] == ["nothing stored"]


@pytest.mark.parametrize("width_h", [720, 168, 24, 6, 1])
def test_a_spike_keeps_its_height_at_every_width_and_no_column_is_lower_or_higher_than_what_was_read(width_h: int) -> None:
    at = np.arange(NOW - 30 * 24 * HOUR, NOW, 10 * SECOND)
    values = 40.0 + np.sin(np.arange(len(at)) / 900.0)
    spike = len(at) - 137
    values[spike] = 278.6
    first = NOW - width_h * HOUR
    inside = at >= first
    few = thinned(Series(at[inside], values[inside]), first, NOW, 1200)
    axis = ClockAxis(first, NOW)
    drawn = Lane(name="current", unit="A", at=few.at.tolist(), values=few.values.tolist())
    up = lane_scale(drawn)
    path = "".join(re.findall(r'class="tr" d="([^"]+)"', str(lane_picture(drawn, axis, TIME).lane)))
    heights = [float(y) for _, y in re.findall(r"([\d.]+) ([\d.]+)", path)]
    assert min(heights) == pytest.approx(up(278.6), abs=0.06)
    assert drawn.extremes == (values[inside].min(), 278.6)
    # In each of the six hundred stretches the lowest and the highest that are drawn are those that were read.
    bounds = first + np.arange(601) * (NOW - first) // 600
    for begin, end in pairwise(bounds.tolist()):
        raw = values[inside][(at[inside] >= begin) & (at[inside] < end)]
        shown = few.values[(few.at >= begin) & (few.at < end)]
        assert len(raw) == 0 or (raw.min(), raw.max()) == (shown.min(), shown.max())


def test_nothing_is_drawn_before_the_first_and_after_the_last_sample() -> None:
    part = Lane(name="current", unit="A", at=[NOW - 10 * HOUR + place * MINUTE for place in range(60)], values=[5.0] * 60)
    path = "".join(re.findall(r'class="tr" d="([^"]+)"', str(lane_picture(part, DAY, TIME).lane)))
    places = [float(x) for x, _ in re.findall(r"([\d.]+) ([\d.]+)", path)]
    assert min(places) >= DAY.percent(part.at[0]) * 10 - 0.1
    assert max(places) <= DAY.percent(part.at[-1]) * 10 + 0.1


async def test_words_table_and_picture_have_the_same_extremes_and_a_second_look_the_same_scale(client: httpx.AsyncClient) -> None:
    where = f"/signals?motor=DC-01&signal=current&from={(NOW - 2 * HOUR) // 1000}&to={NOW // 1000}"
    first, second = (await client.get(where)).text, (await client.get(where)).text
    assert "current over time, 0 to 23 A" in first
    assert re.search(r'<td class="r">0\.0</td><td class="nw">[^<]+</td><td class="r">23\.0</td>', first)
    scale = r'data-low="[^"]+" data-high="[^"]+"'
    assert re.findall(scale, first) == re.findall(scale, second) != []


@pytest.mark.parametrize("low", [0.0, -3.0, 380.0])
def test_ticks_are_one_two_or_five_in_every_decade(low: float) -> None:
    for decade in range(-3, 5):
        for mantissa in (1.0, 1.7, 2.4, 3.3, 4.9, 6.1, 9.9):
            high = low + mantissa * 10.0**decade
            if 0.0 < low < 0.8 * high:
                continue  # such an axis begins at 0
            ticks = nice_ticks(low, high, 4)
            assert 2 <= len(ticks) <= 6, (low, mantissa, decade)
            steps = {float(f"{after - before:.6g}") for before, after in pairwise(ticks)}
            assert len(steps) == 1
            assert f"{steps.pop():e}"[0] in "125"
