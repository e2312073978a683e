"""What a browser and the gateway do for one page: times of the browser's own clocks, and of scripted touches."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import median

from playwright.async_api import Browser, Page

WEEK = "/signals?motor=DC-01&signal=current&hours=168"
# The browser's clocks, from the sent request on: the answer's last byte, and the later of first paint and finished page.
TIMES = """() => {
  const way = performance.getEntriesByType("navigation")[0], paint = performance.getEntriesByName("first-contentful-paint")[0];
  const done = Math.max(paint.startTime, way.loadEventEnd || way.domComplete);
  return [way.responseEnd - way.requestStart, done - way.responseEnd, way.decodedBodySize];
}"""
# Event Timing tells of what took 16 ms and more; what it does not tell of took less.
TOUCHED = """() => { window.took = []; new PerformanceObserver((list) => { for (const each of list.getEntries())
  if (each.interactionId) window.took.push(each.duration); }).observe({type: "event", durationThreshold: 16}); }"""
UNTOLD_MS = 16.0


@dataclass(frozen=True, slots=True)
class PageWork:
    """Work for one page: both sides, in milliseconds, and its bytes."""

    server_ms: float
    client_ms: float
    size: int


async def page_work(browser: Browser, address: str, rounds: int) -> PageWork:
    """Return the middle work of so many loadings of a page, the first one left out: its styles and scripts are cached by then."""
    context = await browser.new_context(viewport={"width": 1024, "height": 600})
    page = await context.new_page()
    found = []
    for _ in range(rounds + 1):
        await page.goto(address)
        await page.wait_for_timeout(250)
        found.append(await page.evaluate(TIMES))
    await context.close()
    return PageWork(median(each[0] for each in found[1:]), median(each[1] for each in found[1:]), int(found[0][2]))


async def touches(browser: Browser, address: str) -> tuple[float, int]:
    """Return the third quartile of scripted touches [ms] from the press to the next paint, and how many there were."""
    context = await browser.new_context(viewport={"width": 1024, "height": 600})
    page = await context.new_page()
    took: list[float] = []
    await page.goto(address + "/")
    took += await _typed(page, "#find", "rw-01")
    await page.goto(address + "/motors/DC-01")
    took += await _typed(page, "#note-text, textarea, [name=text]", "belt changed")
    await page.goto(address + "/signals?motor=DC-01")
    await page.evaluate(TOUCHED)
    box = await page.locator("svg.trend").first.bounding_box()
    assert box is not None
    for place in range(8):
        await page.mouse.click(box["x"] + 40 + place * 60, box["y"] + 40)
    took += await _told(page, 8)
    await context.close()
    return sorted(took)[len(took) * 3 // 4], len(took)


async def _typed(page: Page, selector: str, words: str) -> list[float]:
    await page.evaluate(TOUCHED)
    await page.locator(selector).first.press_sequentially(words, delay=60)
    return await _told(page, len(words))


async def _told(page: Page, count: int) -> list[float]:
    await page.wait_for_timeout(300)
    told: list[float] = (await page.evaluate("window.took"))[:count]
    return told + [UNTOLD_MS] * (count - len(told))
