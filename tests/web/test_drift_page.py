"""A motor's page of drift: each limit line is the limit that held, changes of the machine are marked, and the same stands in figures."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import httpx

from gateway.instants import HOUR
from gateway.motors.drift import LEARN
from gateway.motors.drift_chart import drift_charts
from gateway.motors.drift_terms import Begun, DriftBreak, Figure
from gateway.web.shapes.control_picture import control_picture
from gateway.web.shapes.scales import Scale
from gateway.web.usual import Band
from tests.web.tarn_hollow import NOW, FakePlant


async def test_the_page_shows_each_figure_with_its_limits_by_name_and_value(plant: FakePlant, client: httpx.AsyncClient) -> None:
    answer = await client.get("/motors/RW-02/drift")
    assert answer.status_code == 200
    starts = list(reversed(plant.motors["RW-02"].starts))
    chart = next(each for each in drift_charts(starts, [], plant.motors["RW-02"].starter.motor.flc_a) if each.begun is Begun.WARM)
    assert chart.figure is Figure.DURATION
    stands = chart.stands
    assert stands is not None
    for words in (
        f"EWMA limit {stands.high_limit:.1f}",
        f"EWMA limit {stands.low_limit:.1f}",
        f"CUSUM limit {stands.decision:.2f}",
        "usual to ",
        "usual from ",
    ):
        assert words in answer.text
    assert "<td>duration, from warm</td>" in answer.text
    assert "starts grow longer" in re.sub(r"<svg.*?</svg>", "", answer.text, flags=re.S)


async def test_a_note_is_marked_where_it_was_made_and_learning_begins_anew(plant: FakePlant, client: httpx.AsyncClient) -> None:
    middle = plant.motors["RW-02"].starts[20].began_at - HOUR
    plant.breaks["RW-02"] = [DriftBreak(at=middle, reason="bearings <b>changed</b>")]
    html = (await client.get("/motors/RW-02/drift")).text
    assert "cutline" in html
    assert "bearings &lt;b&gt;chang" in html
    assert "<b>changed" not in html
    plant.breaks["RW-02"] = [DriftBreak(at=NOW, reason="belt changed")]
    html = (await client.get("/motors/RW-02/drift")).text
    assert "RW-02: still learning, 0 of 15 good starts." in html
    assert f"learning, 0 of {LEARN}" in html
    assert "12 Mar Thu: belt changed" in html
    assert "learning anew" in html


async def test_a_motor_without_starts_is_told_what_to_wait_for(plant: FakePlant, client: httpx.AsyncClient) -> None:
    plant.motors["RW-02"].starts.clear()
    html = (await client.get("/motors/RW-02/drift")).text
    assert "nothing can drift" in html
    assert "No good start is in the ledger yet." in html
    assert (await client.get("/motors/XX-99/drift")).status_code == 404


async def test_the_motor_page_leads_here(client: httpx.AsyncClient) -> None:
    assert 'href="/motors/DC-01/drift"' in (await client.get("/motors/DC-01")).text


def test_a_limit_line_is_drawn_at_the_limit(plant: FakePlant) -> None:
    starts = list(reversed(plant.motors["RW-02"].starts))
    chart = next(each for each in drift_charts(starts, [], 131.0) if each.begun is Begun.WARM)
    root = ElementTree.fromstring(control_picture(chart, Band(8.8, 10.0), "duration", "s", 1, []))
    upper = next(path for path in root.iter("path") if path.get("class") == "lim")
    heights = [float(y) for _, y in re.findall(r"[ML](-?[\d.]+) (-?[\d.]+)", upper.get("d", ""))]
    dots = [float(dot.get("cy", "0")) for dot in root.iter("circle")]
    points = chart.points[-40:]
    # Two dots at known values give the scale of the picture; every limit must lie where its own value does.
    low, high = min(points, key=lambda p: p.value), max(points, key=lambda p: p.value)
    scale = Scale(low.value, high.value, dots[points.index(low)], dots[points.index(high)])
    limits = [point.high_limit for point in points if point.high_limit is not None]
    assert len(limits) == len(heights) > 5
    assert all(abs(scale(limit) - y) < 0.3 for limit, y in zip(limits, heights, strict=True))
