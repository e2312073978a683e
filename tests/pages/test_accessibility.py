"""Every page against the WCAG 2.2 A and AA rules of axe-core, in light and dark, on a panel, a phone and a desktop.

deploy/axe.sh puts axe-core where this looks for it. What only a person can judge is listed in the handbook, page "house style".
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.pages.conftest import Visit
from tests.pages.shoot import PAGES, SCREENS

pytestmark = [pytest.mark.pages, pytest.mark.asyncio(loop_scope="module")]
AXE = Path(__file__).parents[2] / "node_modules" / "axe-core" / "axe.min.js"
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
RUN = """async (tags) => {
  const asked = {runOnly: {type: "tag", values: tags}, rules: {"target-size": {enabled: true}}, resultTypes: ["violations"]};
  const found = await axe.run(document, asked);
  const words = (node) => node.target.join(" ") + ": " + node.failureSummary;
  return found.violations.map((rule) => ({id: rule.id, nodes: rule.nodes.map(words)}));
}"""


async def violations(visit: Visit) -> list[dict[str, Any]]:
    """Return what axe finds on the page as it is shown."""
    found: list[dict[str, Any]] = await visit.page.evaluate(RUN, TAGS)
    return found


@pytest.mark.parametrize("name", PAGES)
async def test_no_violation_in_any_theme_on_any_screen(visit: Visit, name: str) -> None:
    assert AXE.is_file(), "axe-core is not there: run deploy/axe.sh once"
    if name == "error":
        visit.forgiven = ("404",)
    await visit.go(PAGES[name])
    # Evaluated, not inserted: the pages' content policy rightly runs no script that a test inserts.
    await visit.page.evaluate(AXE.read_text(encoding="utf-8"))
    found = []
    for screen, (width, height) in SCREENS.items():
        await visit.page.set_viewport_size({"width": width, "height": height})
        for theme in ("light", "dark"):
            await visit.page.emulate_media(color_scheme=theme)
            found += [f"{name} {screen} {theme} {rule['id']}: {rule['nodes'][:3]}" for rule in await violations(visit)]
    assert not found, "\n".join(found)


async def test_the_tool_finds_what_is_wrong(visit: Visit) -> None:
    await visit.go("/")
    await visit.page.evaluate(AXE.read_text(encoding="utf-8"))
    await visit.page.evaluate("""() => {
      document.querySelector('.q').style.color = '#b8b8b8';
      const image = document.createElement('img'); image.src = '/static/mark.svg'; document.querySelector('main').append(image);
    }""")
    assert {"color-contrast", "image-alt"} <= {rule["id"] for rule in await violations(visit)}
