"""Every page against the WCAG 2.2 A and AA rules of axe-core, in light and dark, on a panel, a phone and a desktop.

deploy/axe.sh puts axe-core where this looks for it. What only a person can judge is listed in the handbook, page "house style".
"""

from __future__ import annotations

from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio
from playwright.async_api import Browser, Page

from tests.pages.conftest import Visit, opened
from tests.pages.shoot import PAGES, SCREENS, served
from tests.web.tarn_hollow import FakePlant, ShiftedClock

pytestmark = [pytest.mark.pages, pytest.mark.asyncio(loop_scope="module")]
AXE = Path(__file__).parents[2] / "node_modules" / "axe-core" / "axe.min.js"
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
COLOURS = ["color-contrast", "link-in-text-block"]
"""The rules that a change of colours alone can break."""
CANNOT_TELL = {"color-contrast"}
"""Rules that axe-core leaves open, reviewed: it does not see behind drawn text. tests/web/test_colours.py works those contrasts out."""
RUN = """async (only) => {
  const asked = {runOnly: only, rules: {"target-size": {enabled: true}}, resultTypes: ["violations", "incomplete"]};
  const found = await axe.run(document, asked);
  const words = (node) => node.target.join(" ") + ": " + node.failureSummary;
  const told = (rules) => rules.map((rule) => ({id: rule.id, nodes: rule.nodes.map(words)}));
  return {violations: told(found.violations), open: told(found.incomplete)};
}"""


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def shared(browser: Browser) -> AsyncIterator[Visit]:
    """One plant for all pages: nothing here changes it."""
    assert AXE.is_file(), "axe-core is not there: run deploy/axe.sh once"
    async with opened(browser) as visit:
        visit.forgiven = ("404",)
        yield visit


async def judged(page: Page, only: dict[str, Any]) -> dict[str, list[dict[str, Any]]]:
    found: dict[str, list[dict[str, Any]]] = await page.evaluate(RUN, only)
    return found


async def violations(visit: Visit) -> list[dict[str, Any]]:
    """Return what axe finds on the page as it is shown."""
    return (await judged(visit.page, {"type": "tag", "values": TAGS}))["violations"]


async def found_on(page: Page) -> list[str]:
    """Return what axe finds on every screen in both themes: all rules in light, the rules of colour in dark."""
    # Evaluated, not inserted: the pages' content policy rightly runs no script that a test inserts.
    await page.evaluate(AXE.read_text(encoding="utf-8"))
    found = []
    for screen, (width, height) in SCREENS.items():
        await page.set_viewport_size({"width": width, "height": height})
        for theme, only in (("light", {"type": "tag", "values": TAGS}), ("dark", {"type": "rule", "values": COLOURS})):
            await page.emulate_media(color_scheme="light" if theme == "light" else "dark")
            told = await judged(page, only)
            open_rules = [rule for rule in told["open"] if rule["id"] not in CANNOT_TELL]
            found += [f"{screen} {theme} {rule['id']}: {rule['nodes'][:3]}" for rule in (*told["violations"], *open_rules)]
    await page.emulate_media(color_scheme="light")
    return found


@pytest.mark.parametrize("name", PAGES)
async def test_no_violation_in_any_theme_on_any_screen(shared: Visit, name: str) -> None:
    await shared.go(PAGES[name])
    assert await found_on(shared.page) == []


async def test_no_violation_in_a_report(shared: Visit) -> None:
    # A served report may run nothing, a test's script neither: the same text stands in an empty page of its own.
    answer = await shared.page.request.get(shared.address + "/reports/file?form=view&motor=DC-01")
    page = await shared.page.context.new_page()
    await page.set_content(await answer.text())
    assert await found_on(page) == []
    await page.close()


@pytest.mark.parametrize("path", ["/", "/alerts", "/signals", "/predict", "/reports", "/wire", "/wall", "/bench"])
async def test_no_violation_in_the_first_minute(shared: Visit, path: str) -> None:
    clock = ShiftedClock()
    async with served(FakePlant({}, clock=clock), clock) as address:
        page = await shared.page.context.new_page()
        await page.goto(address + path)
        assert await page.locator("h1").inner_text()
        await page.evaluate(AXE.read_text(encoding="utf-8"))
        assert (await judged(page, {"type": "tag", "values": TAGS}))["violations"] == []
        await page.close()


async def test_the_tool_finds_what_is_wrong(visit: Visit) -> None:
    await visit.go("/")
    await visit.page.evaluate(AXE.read_text(encoding="utf-8"))
    await visit.page.evaluate("""() => {
      document.querySelector('.q').style.color = '#b8b8b8';
      const image = document.createElement('img'); image.src = '/static/mark.svg'; document.querySelector('main').append(image);
    }""")
    assert {"color-contrast", "image-alt"} <= {rule["id"] for rule in await violations(visit)}
