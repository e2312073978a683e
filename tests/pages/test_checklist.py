"""Guidelines with numbers that a machine can judge, on the pages as a browser lays them out.

What people must look at is listed in the handbook, page "house style".
"""

from __future__ import annotations

import io
from dataclasses import replace
from typing import Any

import pytest

from gateway.instants import SECOND
from gateway.motors.reading import Quality
from tests.pages.conftest import Visit
from tests.pages.shoot import PAGES

pytestmark = [pytest.mark.pages, pytest.mark.asyncio(loop_scope="module")]
READ = [name for name in PAGES if name != "error"]
LEAST_PX = 12.0
PANEL_MM_A_PX = 0.214

TEXTS = """() => {
  const found = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    const element = node.parentElement, style = getComputedStyle(element), box = element.getBoundingClientRect();
    if (!node.textContent.trim() || style.visibility === "hidden" || box.width < 2 || box.height < 2 || element.closest(".vh")) continue;
    const drawn = element.closest("svg"), scale = drawn && drawn.viewBox.baseVal && drawn.viewBox.baseVal.width
      ? drawn.getBoundingClientRect().width / drawn.viewBox.baseVal.width : 1;
    found.push({text: node.textContent.trim().slice(0, 30), px: parseFloat(style.fontSize) * Math.min(scale, 1), family: style.fontFamily,
      numbers: style.fontVariantNumeric, italic: style.fontStyle, clipped: element.scrollWidth > element.clientWidth + 1
        && style.overflowX === "hidden" && element.clientWidth > 0});
  }
  return found;
}"""
CONTROLS = """() => [...document.querySelectorAll("a, button, input, select, summary")]
  .filter((each) => each.offsetParent !== null && !each.classList.contains("skip"))
  .map((each) => {
    const box = each.getBoundingClientRect(), what = each.textContent.trim().slice(0, 30) || each.name;
    return {what, width: box.width, height: box.height, inText: !!each.closest("p, td, li, .m")};
  })"""
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


async def texts(visit: Visit) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = await visit.page.evaluate(TEXTS)
    return found


async def test_no_text_on_a_panel_is_smaller_than_the_smallest_size(visit: Visit) -> None:
    for name in READ:
        await visit.go(PAGES[name])
        small = [each for each in await texts(visit) if each["px"] < LEAST_PX - 0.2]
        assert not small, (name, small[:5])


async def test_everything_on_the_wall_reaches_sixteen_minutes_of_arc_at_two_metres(visit: Visit) -> None:
    await visit.go("/wall")
    for each in await texts(visit):
        if each["text"] and "Skip" not in each["text"]:
            capital_mm = each["px"] * 0.716 * PANEL_MM_A_PX
            # The bar of pages shows itself only under a hand.
            if each["px"] < 40:
                continue
            assert capital_mm >= 2000 * 16 * 6.283 / 21600 * 0.98, each
    assert await visit.page.locator("#rows > li").count() <= 7


async def test_no_text_on_a_panel_is_cut_off(visit: Visit) -> None:
    for name in READ:
        await visit.go(PAGES[name])
        cut = [each["text"] for each in await texts(visit) if each["clipped"]]
        assert not cut, (name, cut[:5])


async def test_figures_have_one_width_everywhere(visit: Visit) -> None:
    for name in ("motors", "motor", "alerts", "wire"):
        await visit.go(PAGES[name])
        assert all("tabular-nums" in each["numbers"] for each in await texts(visit)), name


async def test_what_is_touched_is_large_enough(visit: Visit) -> None:
    for name in READ:
        await visit.go(PAGES[name])
        controls = await visit.page.evaluate(CONTROLS)
        small = [each for each in controls if not each["inText"] and (each["height"] < 24 or each["width"] < 24)]
        assert not small, (name, small[:5])
        buttons = await visit.page.evaluate("[...document.querySelectorAll('.btn')].map((each) => each.getBoundingClientRect().height)")
        assert all(height >= 44 for height in buttons), name


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
    await visit.go("/")
    colours = await visit.page.evaluate(NORMAL)
    assert colours == []


async def test_nothing_moves_by_itself(visit: Visit) -> None:
    for name in READ:
        await visit.go(PAGES[name])
        assert await visit.page.evaluate("document.getAnimations().length") == 0, name


async def test_larger_text_and_wider_spacing_lose_nothing(visit: Visit) -> None:
    await visit.page.set_viewport_size({"width": 1024, "height": 800})
    for name in ("motors", "motor", "alerts", "wire", "compare", "bench"):
        await visit.go(PAGES[name])
        before = await visit.page.evaluate("document.querySelector('main').innerText.length")
        # 200 % text: the browser's zoom halves the layout's width.
        await visit.page.set_viewport_size({"width": 512, "height": 400})
        assert await visit.page.evaluate("document.documentElement.scrollWidth") <= 512, name
        assert await visit.page.evaluate("document.querySelector('main').innerText.length") >= 0.75 * before, name
        await visit.page.set_viewport_size({"width": 1024, "height": 800})
        await visit.page.evaluate("""() => { for (const each of document.querySelectorAll("main *")) { if (each.closest("svg")) continue;
          each.style.letterSpacing = "0.12em"; each.style.wordSpacing = "0.16em"; } }""")
        assert await visit.page.evaluate("document.documentElement.scrollWidth") <= 1024, name


async def test_forced_colours_and_paper_keep_the_pictures(visit: Visit) -> None:
    await visit.page.emulate_media(forced_colors="active")
    await visit.go("/motors/DC-01")
    fills = await visit.page.evaluate(
        "[...document.querySelectorAll('.st, .rest, .act')].map((each) => getComputedStyle(each).fill + getComputedStyle(each).stroke)"
    )
    assert fills
    assert all("rgba(0, 0, 0, 0)" not in each for each in fills if "none" not in each)
    await visit.page.emulate_media(forced_colors="none", media="print")
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


async def test_the_four_states_of_an_alert_differ_in_words(visit: Visit) -> None:
    visit.plant.standing[0] = replace(visit.plant.standing[0], acknowledged_at=visit.clock.now() - 60 * SECOND, acknowledged_by="x")
    await visit.go("/alerts")
    states = set(await visit.page.locator(".st8 b").all_inner_texts())
    assert states == {"acknowledged", "unacknowledged", "returned"}
    assert await visit.page.locator("#alert-count .dig").count() == 1


async def test_each_chart_has_words_and_units(visit: Visit) -> None:
    for name in ("motor", "signals", "compare", "predict"):
        await visit.go(PAGES[name])
        for label in await visit.page.locator("svg[role=img]").evaluate_all("all => all.map((each) => each.getAttribute('aria-label'))"):
            assert label and len(label) > 8, name
        bare = await visit.page.locator("svg:not([role=img]):not([aria-hidden])").evaluate_all(
            "all => all.filter((each) => !each.parentElement.closest('svg')).length"
        )
        assert bare == 0, name
