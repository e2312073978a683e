"""Guidelines with numbers that a machine can judge, on the pages as a browser lays them out.

Each page is loaded once and read off (`sight`); the checks then judge what was read. What people must look at is listed in the handbook,
page "house style", with the place of each check.
"""

from __future__ import annotations

import io
import re
from collections.abc import AsyncIterator, Mapping
from dataclasses import replace

import pytest
import pytest_asyncio
from playwright.async_api import Browser

from gateway.instants import SECOND
from gateway.motors.reading import Quality
from tests.pages.conftest import Visit, opened
from tests.pages.shoot import PAGES
from tests.pages.sight import TEXTS, Sight, sight_of

pytestmark = [pytest.mark.pages, pytest.mark.asyncio(loop_scope="module")]
LEAST_PX = 12.0
PANEL_MM_A_PX = 0.214
"""A 10.1-inch panel of 1024 x 600."""
CAPITAL = 0.716
"""Height of a capital in em, of Arial and the faces of equal widths."""
Sights = Mapping[str, Sight]

NORMAL = """() => {
  const bad = new Set(["rgb(165, 21, 12)", "rgb(110, 67, 0)", "rgb(242, 176, 53)"]), found = [];
  for (const each of document.querySelectorAll("main *:not(.legend *)")) {
    const style = getComputedStyle(each), colours = [style.color, style.backgroundColor, style.fill, style.stroke];
    if (colours.some((value) => bad.has(value))) found.push(each.outerHTML.slice(0, 90));
  }
  return found;
}"""
WATCH = """() => {
  window.changes = 0;
  window.shift = 0;
  const place = document.querySelector('[data-value="current"]');
  const counted = new MutationObserver((all) => { window.changes += all.length; });
  counted.observe(place, {childList: true, characterData: true, subtree: true});
  const moved = new PerformanceObserver((list) => { for (const entry of list.getEntries()) window.shift += entry.value; });
  moved.observe({type: "layout-shift", buffered: false});
}"""


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def sights(browser: Browser) -> AsyncIterator[Sights]:
    async with opened(browser) as visit:
        visit.forgiven = ("404",)
        found = {}
        for name, path in PAGES.items():
            await visit.go(path)
            found[name] = await sight_of(visit.page)
        yield found


def minutes_of_arc(px: float, distance_mm: float) -> float:
    """Return how high a capital of that type size looks on the panel (NUREG-0700 rev. 2, 1.3.1-4)."""
    return px * CAPITAL * PANEL_MM_A_PX * 21600 / (6.283 * distance_mm)


async def test_every_page_has_a_title_and_an_answer(sights: Sights) -> None:
    for name, sight in sights.items():
        assert sight.title and sight.heading, name


async def test_no_text_on_a_panel_is_smaller_than_the_smallest_size(sights: Sights) -> None:
    for name, sight in sights.items():
        small = [each for each in sight.texts if each["px"] < LEAST_PX - 0.2]
        assert not small, (name, small[:5])


async def test_everything_on_the_wall_reaches_sixteen_minutes_of_arc_at_two_metres(sights: Sights) -> None:
    # The bar of pages shows itself only under a hand, and is no part of the wall; nor is the list of pages at the foot of narrow screens.
    wall = [each for each in sights["wall"].texts if not each["inBar"] and each["where"] != "a.skip"]
    assert len(wall) > 10
    for each in wall:
        assert minutes_of_arc(each["px"], 2000.0) >= 15.7, each


async def test_answers_states_and_next_starts_reach_sixteen_minutes_at_half_a_metre(sights: Sights) -> None:
    for name, sight in sights.items():
        heading = next(each for each in sight.texts if each["where"].startswith("h1."))
        assert minutes_of_arc(heading["px"], 500.0) >= 20.0, name
    motors = [each for each in sights["motors"].texts if each["where"] in ("b.tag", "span.why", "span.plate")]
    assert motors and all(minutes_of_arc(each["px"], 500.0) >= 16.0 for each in motors)


async def test_lines_have_room_and_no_type_leans(sights: Sights) -> None:
    for name, sight in sights.items():
        assert not [each for each in sight.texts if each["italic"] != "normal"], name
        tight = [each for each in sight.texts if each["lines"] > 1 and each["pitch"] < 1.5 * CAPITAL]
        assert not tight, (name, tight[:3])


async def test_no_text_on_a_panel_is_cut_off(sights: Sights) -> None:
    for name, sight in sights.items():
        cut = [each["text"] for each in sight.texts if each["clipped"]]
        assert not cut, (name, cut[:5])


async def test_figures_have_one_width_everywhere(sights: Sights) -> None:
    for name, sight in sights.items():
        assert all("tabular-nums" in each["numbers"] for each in sight.texts), name


async def test_what_is_touched_is_large_enough(sights: Sights) -> None:
    for name, sight in sights.items():
        small = [each for each in sight.controls if not each["inText"] and (each["height"] < 24 or each["width"] < 24) and name != "error"]
        assert not small, (name, small[:5])
        assert all(each["height"] >= 44 for each in sight.controls if each["isButton"]), name


async def test_nothing_moves_by_itself(sights: Sights) -> None:
    assert {name: sight.moving for name, sight in sights.items() if sight.moving} == {}


async def test_no_page_scrolls_sideways_on_any_screen_in_either_orientation(sights: Sights) -> None:
    for name, sight in sights.items():
        assert {width for width, need in sight.sideways.items() if need > width} == set(), name


async def test_twice_the_text_loses_nothing(sights: Sights) -> None:
    # The handbook's table of contents folds away beside a narrow text; "More" and the search lead to all of it.
    for name, sight in sights.items():
        assert sight.zoomed_length >= (0.5 if "handbook" in PAGES[name] else 0.75) * sight.length, name


async def test_wider_spacing_cuts_nothing_off(sights: Sights) -> None:
    for name, sight in sights.items():
        assert {width for width, need in sight.spaced_sideways.items() if need > width} == set(), name
        assert {width: cut for width, cut in sight.spaced_cut.items() if cut} == {}, name


async def test_a_focused_control_is_never_hidden_under_the_bar_of_a_phone(sights: Sights) -> None:
    for name, sight in sights.items():
        assert sight.covered == [], name


async def test_forced_colours_let_no_drawn_thing_vanish(sights: Sights) -> None:
    for name, sight in sights.items():
        assert sight.vanished == [], (name, sight.vanished[:3])


async def test_each_chart_has_words(sights: Sights) -> None:
    for name, sight in sights.items():
        assert sight.bare == 0, name
        assert all(label and len(label) > 8 for label in sight.labels), name
    assert all(sights[name].labels for name in ("motor", "signals", "compare", "predict"))


async def test_what_ticks_is_never_read_out(sights: Sights) -> None:
    for name, sight in sights.items():
        assert sight.chatter == [], name
        assert sight.urgent == ([] if name == "error" else ["urgent"]), name


async def test_every_page_says_how_many_alerts_stand_and_the_highest(sights: Sights) -> None:
    for name, sight in sights.items():
        if name != "error":
            assert re.sub(r"\s+", " ", sight.alerts).strip() == "5, highest unacknowledged priority 1", name


async def test_what_small_type_would_be_found(visit: Visit) -> None:
    await visit.go("/wire")
    await visit.page.evaluate("document.querySelector('h1').style.cssText = 'font: italic 9px/0.8 serif'")
    heading = (await visit.page.evaluate(TEXTS))[0:40]
    assert any(each["px"] == 9 and each["italic"] == "italic" for each in heading)


async def test_nothing_normal_is_coloured(visit: Visit) -> None:
    visit.plant.standing.clear()
    for motor in visit.plant.motors.values():
        good = [start for start in motor.starts if start.quality is Quality.GOOD and start.duration_s and start.outcome.value == "at_speed"]
        usual = good[len(good) // 2]
        motor.starts = [
            replace(
                start,
                outcome=usual.outcome,
                duration_s=usual.duration_s,
                curve=usual.curve,
                peak_ratio=usual.peak_ratio,
                quality=Quality.GOOD,
            )
            for start in motor.starts
        ]
        motor.live = replace(motor.live, last_start=motor.starts[0], quality=Quality.GOOD, last_good_at=visit.clock.now())
    for path in ("/", "/wall", "/motors/RW-01", "/alerts"):
        await visit.go(path)
        assert await visit.page.evaluate(NORMAL) == [], path


async def test_paper_keeps_the_pictures(visit: Visit) -> None:
    await visit.go("/motors/DC-01")
    await visit.page.emulate_media(media="print")
    assert not await visit.page.locator(".top nav").is_visible()
    assert await visit.page.locator("table.led").first.is_visible()
    page = await visit.page.pdf(format="A4")
    assert io.BytesIO(page).read(5) == b"%PDF-"


async def test_a_value_that_changes_fast_is_shown_once_a_second_and_never_shifts_the_layout(visit: Visit) -> None:
    await visit.go("/motors/RW-01")
    await visit.page.evaluate(WATCH)
    motor = visit.plant.motors["RW-01"]
    for count in range(60):
        motor.live = replace(motor.live, values={**motor.live.values, "current": 90.0 + count % 20})
        await visit.page.wait_for_timeout(50)
    assert 1 <= await visit.page.evaluate("window.changes") <= 5
    assert await visit.page.evaluate("window.shift") <= 0.1


async def test_a_stale_value_never_keeps_its_look(visit: Visit) -> None:
    await visit.go("/motors/BP-01")
    assert "no data since 13:58" in await visit.text("[data-live=line]")
    values = await visit.page.locator("[data-value]").all_inner_texts()
    assert set(values) == {"—"}
    assert "no link" in (await visit.page.locator("[data-flaw]").all_inner_texts())[0]


async def test_the_states_of_an_alert_differ_in_words(visit: Visit) -> None:
    visit.plant.standing[0] = replace(visit.plant.standing[0], acknowledged_at=visit.clock.now() - 60 * SECOND, acknowledged_by="x")
    await visit.go("/alerts")
    states = set(await visit.page.locator(".st8 b").all_inner_texts())
    assert states == {"acknowledged", "unacknowledged", "returned"}
    assert await visit.page.locator("#alert-count .dig").count() == 1
