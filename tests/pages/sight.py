"""One look at a page: all that a machine can read off it in a single visit, so that many checks cost one loading of each page."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from playwright.async_api import Page

WIDTHS = ((320, 800), (390, 844), (600, 1024), (768, 1024), (1024, 600), (1440, 900))
PANEL = (1024, 600)

TEXTS = """() => {
  const found = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    const element = node.parentElement, style = getComputedStyle(element), box = element.getBoundingClientRect();
    if (!node.textContent.trim() || style.visibility === "hidden" || box.width < 2 || box.height < 2 || element.closest(".vh")) continue;
    const drawn = element.closest("svg"), scale = drawn && drawn.viewBox.baseVal && drawn.viewBox.baseVal.width
      ? drawn.getBoundingClientRect().width / drawn.viewBox.baseVal.width : 1;
    const range = document.createRange();
    range.selectNodeContents(node);
    const tops = new Set([...range.getClientRects()].map((each) => Math.round(each.top)));
    found.push({text: node.textContent.trim().slice(0, 40), px: parseFloat(style.fontSize) * Math.min(scale, 1), family: style.fontFamily,
      lines: tops.size, pitch: parseFloat(style.lineHeight) / parseFloat(style.fontSize), numbers: style.fontVariantNumeric,
      italic: style.fontStyle, inBar: !!element.closest('.top'),
      clipped: element.scrollWidth > element.clientWidth + 1 && style.overflowX === "hidden" && element.clientWidth > 0,
      where: element.tagName.toLowerCase() + "." + element.className});
  }
  return found;
}"""
CONTROLS = """() => [...document.querySelectorAll("a, button, input, select, summary")]
  .filter((each) => each.offsetParent !== null && !each.classList.contains("skip"))
  .map((each) => {
    const box = each.getBoundingClientRect(), what = each.textContent.trim().slice(0, 30) || each.name;
    return {what, width: box.width, height: box.height, inText: !!each.closest("p, td, li, .m"), isButton: each.classList.contains("btn")};
  })"""
LABELS = "[...document.querySelectorAll('svg[role=img]')].map((each) => each.getAttribute('aria-label'))"
BARE = "[...document.querySelectorAll('svg:not([role=img])')].filter((each) => !each.closest('[aria-hidden=true], svg svg')).length"
# What ticks must not be read out each second: nothing that the stream changes may lie in a live region.
CHATTER = """() => {
  const ticking = "[data-live],[data-value],[data-flaw],[data-clock],#clock,#date,#ages,#busy-time,progress";
  const regions = document.querySelectorAll("[aria-live]:not([aria-live=off]),[role=status],[role=alert],[role=log],[role=timer]");
  return [...regions].filter((each) => each.matches(ticking) || each.querySelector(ticking)).map((each) => each.outerHTML.slice(0, 90));
}"""
URGENT = "[...document.querySelectorAll('[role=alert],[aria-live=assertive]')].map((each) => each.id || each.className)"
# A fixed bar may cover a focused control in part, never wholly (WCAG 2.2, 2.4.11).
COVERED = """() => {
  const found = [], all = document.querySelectorAll("a[href], button, input:not([type=hidden]), select, summary, [tabindex='0']");
  for (const each of all) {
    if (each.offsetParent === null && getComputedStyle(each).position !== "fixed") continue;
    each.focus();
    if (document.activeElement !== each) { found.push("takes no focus: " + each.outerHTML.slice(0, 80)); continue; }
    const box = each.getClientRects()[0];
    if (!box || box.width < 2) continue;
    const seen = [[.5, .5], [.1, .2], [.9, .2], [.1, .8], [.9, .8]].some(([x, y]) => {
      const top = document.elementFromPoint(box.left + x * box.width, box.top + y * box.height);
      return top && (each.contains(top) || top.contains(each));
    });
    if (!seen) found.push("covered: " + each.outerHTML.slice(0, 80));
  }
  document.activeElement.blur();
  return found;
}"""
# WCAG 1.4.12. A sheet made by script passes the content policy, which rightly lets no inline style in.
SPACED = """() => {
  const sheet = new CSSStyleSheet();
  sheet.replaceSync(`:not(svg *) { line-height: 1.5 !important; letter-spacing: .12em !important; word-spacing: .16em !important; }
    p { margin-bottom: 2em !important; }`);
  document.adoptedStyleSheets = [sheet];
}"""
CUT = """() => {
  const found = [];
  for (const each of document.querySelectorAll("main *:not(svg, svg *)")) {
    if (![...each.childNodes].some((node) => node.nodeType === 3 && node.textContent.trim()) || each.closest(".vh")) continue;
    const text = document.createRange(); text.selectNodeContents(each);
    const need = text.getBoundingClientRect();
    if (need.width < 2) continue;
    for (let box = each; box && box.tagName !== "MAIN"; box = box.parentElement) {
      const style = getComputedStyle(box), room = box.getBoundingClientRect();
      if (style.overflowX === "auto" || style.overflowX === "scroll") break;
      const isCut = style.overflowX === "hidden" && need.right > room.right + 2
        || style.overflowY === "hidden" && need.bottom > room.bottom + 4;
      // What is shortened in a link stands in full where the link leads.
      const isShortened = getComputedStyle(box).textOverflow === "ellipsis" && each.closest("a, [title]");
      if (isCut && !isShortened) { found.push(each.textContent.trim().slice(0, 40) + " in " + box.className); break; }
    }
  }
  return found;
}"""
# In forced colours the system's colours replace the page's; what is drawn must not take the colour of what it is drawn on.
VANISHED = """() => {
  const ground = getComputedStyle(document.body).backgroundColor, found = [];
  for (const each of document.querySelectorAll("main svg :is(rect, path, line, circle, text)")) {
    const style = getComputedStyle(each), box = each.getBoundingClientRect();
    if (box.width + box.height < 2 || each.matches(".fr, .swi, .g1, .g2, .dm, .sw0, .sw1") || style.visibility === "hidden") continue;
    const seen = [[style.fill, style.fillOpacity], [style.stroke, style.strokeOpacity]].some(([colour, opacity]) =>
      colour !== "none" && colour !== ground && colour !== "rgba(0, 0, 0, 0)" && parseFloat(opacity) > 0.3);
    if (!seen && !each.matches(".band, .blind")) found.push(each.outerHTML.slice(0, 80));
  }
  return found;
}"""
COUNT = "(document.getElementById('alert-count') || {textContent: ''}).textContent"
SIDEWAYS = "document.documentElement.scrollWidth"
LENGTH = "document.querySelector('main').innerText.length"


@dataclass
class Sight:
    """What was read off one page; widths in CSS px."""

    title: str
    heading: str
    texts: list[dict[str, Any]]
    controls: list[dict[str, Any]]
    labels: list[str]
    bare: int
    moving: int
    alerts: str
    chatter: list[str]
    urgent: list[str]
    sideways: dict[int, float] = field(default_factory=dict)
    covered: list[str] = field(default_factory=list)
    length: int = 0
    zoomed_length: int = 0
    spaced_sideways: dict[int, float] = field(default_factory=dict)
    spaced_cut: dict[int, list[str]] = field(default_factory=dict)
    vanished: list[str] = field(default_factory=list)


async def sight_of(page: Page) -> Sight:
    """Return all that can be read off the page that is open, and leave it as it was."""
    read = page.evaluate
    seen = Sight(
        title=await page.title(),
        heading=(await page.locator("h1").first.inner_text()).strip(),
        texts=await read(TEXTS),
        controls=await read(CONTROLS),
        labels=await read(LABELS),
        bare=await read(BARE),
        moving=await read("document.getAnimations().length"),
        alerts=await read(COUNT),
        chatter=await read(CHATTER),
        urgent=await read(URGENT),
        length=await read(LENGTH),
    )
    for width, height in WIDTHS:
        await page.set_viewport_size({"width": width, "height": height})
        seen.sideways[width] = await read(SIDEWAYS)
        if width == 390:
            seen.covered = await read(COVERED)
    # 200 % text: the browser's zoom halves the width that the layout has.
    await page.set_viewport_size({"width": 512, "height": 400})
    seen.sideways[512], seen.zoomed_length = await read(SIDEWAYS), await read(LENGTH)
    await page.emulate_media(forced_colors="active")
    seen.vanished = await read(VANISHED)
    await page.emulate_media(forced_colors="none")
    await read(SPACED)
    for width in (320, 1024):
        await page.set_viewport_size({"width": width, "height": 800})
        seen.spaced_sideways[width] = await read(SIDEWAYS)
        seen.spaced_cut[width] = await read(CUT)
    await read("document.adoptedStyleSheets = []")
    await page.set_viewport_size({"width": PANEL[0], "height": PANEL[1]})
    return seen
