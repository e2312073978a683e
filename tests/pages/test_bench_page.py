"""The map bench in a browser: up to date in fixed places, worked by keyboard, and its answers keep the accessibility rules."""

from __future__ import annotations

from dataclasses import replace

import pytest

from gateway.instants import SECOND
from gateway.services.kept_words import RawView
from tests.bench.rig import MAPS
from tests.pages.conftest import Visit
from tests.pages.shoot import SCREENS, with_kept_words
from tests.pages.test_accessibility import AXE, violations
from tests.web.kept import MAP
from tests.web.tarn_hollow import NOW

pytestmark = [pytest.mark.pages, pytest.mark.asyncio(loop_scope="module")]
ROW = '[data-row="current_l2"]'
SHIFT = """() => {
  window.shift = 0;
  const moved = new PerformanceObserver((list) => { for (const entry of list.getEntries()) window.shift += entry.value; });
  moved.observe({type: "layout-shift"});
}"""


@pytest.fixture(autouse=True)
def kept_words(visit: Visit) -> None:
    """Give the plant a motor with a wrong map and the words of a start."""
    with_kept_words(visit.plant)


def with_word(view: RawView, address: int, word: int) -> RawView:
    """Return what is kept with another word at an address, as a later poll would have brought it."""
    latest = []
    for raw in view.latest:
        place = 2 * (address - raw.block.span.first)
        holds = raw.block.span.first <= address <= raw.block.span.last
        data = raw.data[:place] + word.to_bytes(2, "big") + raw.data[place + 2 :] if holds else raw.data
        latest.append(raw._replace(data=data))
    return replace(view, latest=tuple(latest))


async def no_violation(visit: Visit) -> None:
    await visit.page.evaluate(AXE.read_text(encoding="utf-8"))
    for width, height in SCREENS.values():
        await visit.page.set_viewport_size({"width": width, "height": height})
        assert await visit.page.evaluate("document.documentElement.scrollWidth") <= width
        for theme in ("light", "dark"):
            await visit.page.emulate_media(color_scheme=theme)
            assert await violations(visit) == [], (width, theme)


async def test_values_and_verdicts_change_in_their_places(visit: Visit) -> None:
    view = visit.plant.kept["DC-01"]
    await visit.go("/bench?motor=DC-01")
    before = await visit.text(f"{ROW} [data-cell='1']")
    order = await visit.page.locator("[data-row]").evaluate_all("all => all.map((each) => each.dataset.row)")
    await visit.page.evaluate(SHIFT)
    visit.plant.kept["DC-01"] = with_word(view, 0x000E, 40_001)
    await visit.until_text(f"{ROW} [data-cell='1']", "4000.1 A")
    assert before != "4000.1 A"
    assert await visit.text(f"{ROW} [data-cell='0']") == "9C41"
    assert await visit.text(f"{ROW} [data-cell='3']") in ("suspicious", "wrong")
    assert "plausible" not in await visit.text(f"{ROW} .ver")
    assert await visit.page.locator("[data-row]").evaluate_all("all => all.map((each) => each.dataset.row)") == order
    assert await visit.page.evaluate("window.shift") <= 0.1
    assert "wrong" in await visit.text("h1")
    visit.plant.kept["DC-01"] = replace(view, start_at=NOW - 5 * SECOND)
    await visit.until_text("#bench-more", "Load the page again")


async def test_it_says_the_same_before_any_script_has_run(visit: Visit) -> None:
    await visit.page.route("**/*.js*", lambda route: route.abort())
    visit.forgiven = ("ERR_FAILED",)
    await visit.go("/bench?motor=DC-01")
    assert "wrong" in await visit.text('[data-row="power"]')
    assert "sends nothing to the device" in await visit.text("footer")
    await visit.page.locator("#find input[name=value]").fill("82 A")
    await visit.page.locator("#find button").click()
    assert "holding 0x0046" in await visit.text("#find pre")


async def test_a_block_is_chosen_and_a_value_found_by_keyboard(visit: Visit) -> None:
    await visit.go("/bench?motor=DC-01")
    await visit.page.locator('[data-row="set_flc"] a').focus()
    await visit.page.keyboard.press("Enter")
    await visit.until_text("#words h3", "one register")
    assert await visit.page.locator("#words input[name=at]").input_value() == "holding 0x0046"
    field = visit.page.locator("#words input[name=expect]")
    await field.fill("82 A")
    await field.press("Enter")
    await visit.until_text("#words .fit", "fits 82 A")
    await visit.page.locator("#words .rest2").focus()
    await visit.page.keyboard.press("Enter")
    await visit.until_text("#words h3", "its bits")


async def test_what_it_proposes_and_finds_keeps_the_rules(visit: Visit) -> None:
    await visit.go("/bench?motor=DC-01&propose=start&at=holding 71&expect=82 A")
    assert "word_order: low_first" in await visit.text("#propose pre")
    await no_violation(visit)


async def test_a_checked_map_keeps_the_rules_and_its_table_is_a_file(visit: Visit) -> None:
    await visit.go("/bench?motor=DC-01")
    await visit.page.locator("input[type=file]").set_input_files(MAPS / f"{MAP}.yaml")
    await visit.page.locator("text=Check this map").click()
    await visit.until_text("h1", "no mistake, 27 signals")
    await no_violation(visit)
    async with visit.page.expect_download() as waiting:
        await visit.page.locator("button[value=csv]").click()
    assert (await waiting.value).suggested_filename == f"{MAP}-table.csv"
    await visit.page.locator("textarea").fill("map: a\nprotocol: modbus\nsignals:\n  current: {at: holding 1, tpye: uint16}\n")
    await visit.page.locator("text=Check this map").click()
    await visit.until_text("h1", "mistake")
    assert "did you mean" in await visit.text(".mistakes")
    await no_violation(visit)
