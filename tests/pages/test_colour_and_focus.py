"""What is left without colour, and where the focus is: judged from the pixels that the browser paints."""

from __future__ import annotations

import io
from itertools import combinations

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image
from playwright.async_api import Locator

from gateway.instants import MINUTE
from gateway.motors.alerts import AlertKind
from tests.pages.conftest import Visit
from tests.web.tarn_hollow import alert_of

pytestmark = [pytest.mark.pages, pytest.mark.asyncio(loop_scope="module")]
Luminance = NDArray[np.float64]
SIGHTS = ("achromatopsia", "protanopia", "deuteranopia", "tritanopia")
"""Grey, and the three kinds of missing colour receptors, as the browser itself simulates them."""
LEAST_CONTRAST = 2.0
LEAST_SHARE = 0.02
"""Two marks differ when at least this share of their pixels has at least that contrast."""
# Texts differ anyway and would let equal shapes pass: only shapes are compared.
BARE = "document.querySelectorAll('svg text').forEach((each) => each.remove())"
AT_CORNER = """(mark) => {
  const corner = document.createElement("div"), copy = mark.cloneNode(true), box = mark.getBoundingClientRect();
  corner.id = "corner";
  corner.style.cssText = "position: fixed; inset: 0; z-index: 99; background: var(--ground)";
  corner.append(copy);
  document.body.append(corner);
  return [Math.ceil(box.width), Math.ceil(box.height)];
}"""
FOCUSABLE = "main a[href], main button, main input, main select, main summary, .top nav a, main [tabindex='0']"


def luminance(picture: bytes) -> Luminance:
    """Return the relative luminance of each pixel (WCAG 2.2, relative luminance)."""
    values = np.asarray(Image.open(io.BytesIO(picture)).convert("RGB"), dtype=np.float64) / 255.0
    linear = np.where(values <= 0.04045, values / 12.92, ((values + 0.055) / 1.055) ** 2.4)
    return np.asarray(linear @ np.array([0.2126, 0.7152, 0.0722]))


def contrast(one: Luminance, other: Luminance) -> Luminance:
    """Return the contrast ratio pixel by pixel (WCAG 2.2, contrast ratio)."""
    return (np.maximum(one, other) + 0.05) / (np.minimum(one, other) + 0.05)


async def painted(places: dict[str, Locator]) -> dict[str, Luminance]:
    """Return each mark as it is painted at the upper left corner, so that no fraction of a pixel makes a difference."""
    found = {}
    for name, place in places.items():
        size = await place.evaluate(AT_CORNER)
        found[name] = luminance(await place.page.screenshot(clip={"x": 0, "y": 0, "width": size[0], "height": size[1]}))
        await place.page.evaluate("document.getElementById('corner').remove()")
    return found


def alike(marks: dict[str, Luminance]) -> list[tuple[str, str]]:
    """Return the pairs of marks that cannot be told apart."""
    found = []
    for (one, first), (other, second) in combinations(marks.items(), 2):
        if first.shape == second.shape and (contrast(first, second) >= LEAST_CONTRAST).mean() < LEAST_SHARE:
            found.append((one, other))
    return found


async def test_every_state_differs_by_shape_whoever_looks(visit: Visit) -> None:
    seen_at = visit.clock.now() - 9 * MINUTE
    visit.plant.standing[:] = [
        alert_of("CM-01", AlertKind.STALLED, 2, "new", "", 20),
        alert_of("DC-01", AlertKind.HEAT, 2, "seen", "", 20, acknowledged_at=seen_at, acknowledged_by="x"),
        alert_of("RW-01", AlertKind.HEAT, 2, "back unseen", "", 20, returned_at=seen_at),
        alert_of("RW-02", AlertKind.HEAT, 1, "urgent", "", 20),
    ]
    await visit.go("/alerts")
    rows = {name: visit.page.locator("#alert-list > li", has_text=name).locator("svg") for name in ("CM-01", "DC-01", "RW-01")}
    plates = {name: visit.page.locator("#alert-list .plate i", has_text=name).first for name in ("1", "2")}
    await differ(visit, plates, needs=0.0)
    await visit.page.evaluate(BARE)
    await differ(visit, rows)
    await visit.go("/")
    await visit.page.evaluate(BARE)
    legend = visit.page.locator(".foot .legend svg")
    assert await legend.count() == 7
    await differ(visit, {str(place): legend.nth(place) for place in range(7)})


async def differ(visit: Visit, places: dict[str, Locator], *, needs: float = LEAST_SHARE) -> None:
    """Hold each mark against each other and against its ground, as each kind of eye sees them."""
    session = await visit.page.context.new_cdp_session(visit.page)
    for sight in SIGHTS:
        await session.send("Emulation.setEmulatedVisionDeficiency", {"type": sight})
        marks = await painted(places)
        assert alike(marks) == [], sight
        for name, mark in marks.items():
            # 3 : 1 is what the colours have (tests/web/test_colours.py); the edge of a thin line is painted a little paler.
            assert (contrast(mark, np.full_like(mark, mark[-1, -1])) >= 2.5).mean() >= needs, (sight, name)
    await session.send("Emulation.setEmulatedVisionDeficiency", {"type": "none"})


async def test_marks_that_differ_in_colour_alone_would_be_found(visit: Visit) -> None:
    session = await visit.page.context.new_cdp_session(visit.page)
    await session.send("Emulation.setEmulatedVisionDeficiency", {"type": "achromatopsia"})
    await visit.go("/")
    marks = visit.page.locator(".foot .legend svg")
    await visit.page.evaluate("""() => { const [one, two] = document.querySelectorAll(".foot .legend svg");
      two.innerHTML = one.innerHTML.replaceAll("st u", "st c"); }""")
    assert alike(await painted({"urgent": marks.nth(0), "caution": marks.nth(1)})) == [("urgent", "caution")]


@pytest.mark.parametrize(("theme", "least"), [("light", 12), ("dark", 6)])
async def test_the_focus_shows_on_each_kind_of_control(visit: Visit, theme: str, least: int) -> None:
    await visit.page.emulate_media(color_scheme="dark" if theme == "dark" else "light")
    known: set[str] = set()
    for path in ("/", "/alerts", "/signals?motor=DC-01", "/motors/DC-01")[: 4 if theme == "light" else 2]:
        await visit.go(path)
        await visit.page.keyboard.press("Tab")  # from here on the browser shows the focus, as for a hand on the keyboard
        controls = await visit.page.query_selector_all(FOCUSABLE)
        for control in controls:
            kind = await control.evaluate("(each) => each.offsetParent === null ? '' : each.tagName + '.' + each.className")
            if not kind or kind in known:
                continue
            known.add(kind)
            await control.scroll_into_view_if_needed()
            await control.evaluate("(each) => { document.activeElement.blur(); }")
            box = await control.bounding_box()
            assert box is not None
            around = {"x": max(0.0, box["x"] - 6), "y": max(0.0, box["y"] - 6), "width": box["width"] + 12, "height": box["height"] + 12}
            before = luminance(await visit.page.screenshot(clip=around))
            await control.focus()
            after = luminance(await visit.page.screenshot(clip=around))
            changed = contrast(before, after) >= 3.0
            # A perimeter 2 px wide (WCAG 2.2, 2.4.13), less what the content itself covers.
            assert changed.sum() >= 0.8 * 2 * 2 * (box["width"] + box["height"] - 4), (path, kind, int(changed.sum()), box)
    assert len(known) >= least, known


@pytest.mark.parametrize("path", ["/alerts", "/signals?motor=DC-01", "/predict?motor=DC-01", "/reports", "/bench?motor=DC-01"])
async def test_tab_reaches_every_control_and_comes_out_again(visit: Visit, path: str) -> None:
    await visit.go(path)
    wanted = await visit.page.evaluate(
        """() => { const kinds = "a[href], button, input:not([type=hidden]), select, textarea, summary, [tabindex='0']";
          const all = [...document.querySelectorAll(kinds)]
          .filter((each) => !each.disabled && each.tabIndex >= 0 && each.checkVisibility({visibilityProperty: true}));
          all.forEach((each, place) => { each.dataset.walked = place; }); return all.length; }"""
    )
    reached: list[int] = []
    for _ in range(2 * wanted):
        await visit.page.keyboard.press("Tab")
        place = await visit.page.evaluate("Number(document.activeElement.dataset.walked ?? -1)")
        if place == -1 and reached:
            break
        if place >= 0 and (not reached or reached[-1] != place):  # the parts of a date are one control with several stops
            reached.append(place)
    assert reached == list(range(wanted))
