"""What the pages cost: paint with 200 motors, a week of one signal, touches, weight of every page, live update. One command, two tables.

    python -m tests.benchmarks.pages [rounds]

Browser and gateway run on the same machine, the plant is the invented one of the tests, 200 motors of it with ten starts each. First paint
is the browser's own first-contentful-paint, the middle one of the rounds, nothing cached. The live update is what one event costs the
gateway, which makes it once for all clients, and what each further client costs. The week of one signal comes from a store on disk: the
gateway's work is from request to last byte, the browser's from there until the page is painted and finished.
"""

from __future__ import annotations

import asyncio
import gzip
import sys
import time
from dataclasses import replace
from statistics import median
from unittest.mock import patch

import httpx
import orjson
from playwright.async_api import Browser, async_playwright
from rich.console import Console
from rich.table import Table

from gateway.instants import SECOND
from gateway.web import application
from gateway.web.application import create_app
from gateway.web.desk import STATIC
from gateway.web.stream import Hub
from tests.benchmarks.page_work import WEEK, page_work, touches
from tests.benchmarks.week import STARTER, WEEK_S, week_plant, week_store
from tests.pages.shoot import ARGUMENTS, CHROMIUM, PAGES, served
from tests.web.tarn_hollow import NOW, FakePlant, ShiftedClock, tarn_hollow

MOTORS = 200
AIM_S = 1.0
WEEK_AIM_MS = 200.0
TOUCH_AIM_MS = 200.0
STATIC_FILES = [f"/static/{path.name}" for path in sorted(STATIC.iterdir()) if path.suffix in (".css", ".js")]
PAINT = """() => new Promise((told) => { const look = () => {
  const paint = performance.getEntriesByName("first-contentful-paint")[0];
  if (paint) told(paint.startTime); else setTimeout(look, 10);
}; look(); })"""


def many(count: int) -> FakePlant:
    """Return the invented plant with its motors repeated under other names."""
    clock = ShiftedClock()
    plant = tarn_hollow(clock)
    known = list(plant.motors.values())
    for number in range(len(known), count):
        like = known[number % len(known)]
        name = f"{like.starter.name}-{number}"
        plant.motors[name] = replace(
            like, starter=replace(like.starter, name=name), live=replace(like.live, starter=name), starts=like.starts[:10]
        )
    return plant


async def paints(browser: Browser, address: str, rounds: int) -> list[float]:
    """Return the first contentful paints [s], each in a browser that has cached nothing."""
    found = []
    for _ in range(rounds):
        context = await browser.new_context(viewport={"width": 1440, "height": 900})
        page = await context.new_page()
        await page.goto(address)
        await page.wait_for_selector("#rows li")
        found.append(float(await page.evaluate(PAINT)) / 1000.0)
        await context.close()
    return found


async def weights(address: str) -> list[tuple[str, int, int]]:
    """Return each page's own bytes, plain and as gzip would send them."""
    found = []
    async with httpx.AsyncClient(base_url=address, timeout=60.0) as client:
        for name in [*PAGES.values(), *STATIC_FILES]:
            body = (await client.get(name)).content
            found.append((name, len(body), len(gzip.compress(body))))
    return found


def event_cost(plant: FakePlant) -> tuple[float, int]:
    """Return the time of one event [ms] and its bytes."""
    hub: Hub = create_app(plant, clock=plant.clock).state.desk.hub
    began = time.perf_counter()
    for _ in range(10):
        event = hub.event()
    return (time.perf_counter() - began) * 100.0, len(event)


async def client_cost(plant: FakePlant, clients: int = 40, seconds: float = 8.0) -> float:
    """Return the CPU time of one more client [ms a second], both ends of its connection included: they share this process.

    The event is the plant's, made beforehand: the cost of making it, which all clients share, would hide what one of them costs.
    """
    event = create_app(plant, clock=plant.clock).state.desk.hub.event()
    whole = orjson.loads(event.removeprefix(b"data: "))
    with patch.object(application, "take_snapshot", return_value=None), patch.object(application, "event_of", return_value=whole):
        async with served(plant, plant.clock) as address:
            return await _client_cost(address, clients, seconds)


async def _client_cost(address: str, clients: int, seconds: float) -> float:
    used = []
    for count in (1, clients):
        readers = [asyncio.create_task(_listen(address)) for _ in range(count)]
        await asyncio.sleep(1.0)
        began = time.process_time()
        await asyncio.sleep(seconds)
        used.append((time.process_time() - began) / seconds)
        for reader in readers:
            reader.cancel()
        await asyncio.gather(*readers, return_exceptions=True)
    return (used[1] - used[0]) * 1000.0 / (clients - 1)


async def _listen(address: str) -> None:
    host, _, port = address.removeprefix("http://").partition(":")
    reader, writer = await asyncio.open_connection(host, int(port))
    writer.write(f"GET /stream HTTP/1.1\r\nhost: {host}:{port}\r\n\r\n".encode())
    try:
        while await reader.read(65536):
            pass
    finally:
        writer.close()


async def week(browser: Browser, rounds: int) -> list[tuple[str, str, str]]:
    """Return the rows on a week of one signal: read from the store, answered, painted."""
    with week_store() as readers:
        began = time.perf_counter()
        for _ in range(rounds):
            found = readers.samples(STARTER, "current", NOW - WEEK_S * SECOND, NOW, points=1200)
        read_ms = (time.perf_counter() - began) * 1000.0 / rounds
        kept = len(readers.samples(STARTER, "current", NOW - WEEK_S * SECOND, NOW).at)
        plant = week_plant(readers)
        async with served(plant, plant.clock) as address:
            work = await page_work(browser, address + WEEK, rounds)
    total_ms = work.server_ms + work.client_ms
    return [
        (f"a week of one signal at 1 s: {kept} kept samples read and thinned to {len(found.at)}", f"{read_ms:.0f} ms", ""),
        ("its page, gateway: request to last byte", f"{work.server_ms:.0f} ms", ""),
        (f"its page, browser: last byte to painted, {work.size / 1000:.0f} kB", f"{work.client_ms:.0f} ms", ""),
        ("its page, both together", f"{total_ms:.0f} ms", f"<= {WEEK_AIM_MS:g} ms"),
    ]


async def measured(rounds: int) -> None:
    """Measure and print."""
    console = Console()
    plant = many(MOTORS)
    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        async with served(plant, plant.clock) as address:
            cold = (await paints(browser, address, 1))[0]
            found = await paints(browser, address, rounds)
            touch_ms, touch_count = await touches(browser, address)
        further_ms = await client_cost(plant)
        small = tarn_hollow(plant.clock)
        async with served(small, small.clock) as address:
            await paints(browser, address, 1)
            twelve = await paints(browser, address, rounds)
            heavy = await weights(address)
        week_rows = await week(browser, rounds)
        await browser.close()
    table = Table("what", "figure", "aim")
    table.add_row(f"first paint, {MOTORS} motors, first page after the gateway's start", f"{cold:.2f} s", "")
    table.add_row(f"first paint, {MOTORS} motors, middle of {rounds}", f"{median(found):.2f} s", f"<= {AIM_S:g} s")
    table.add_row(f"first paint, 12 motors, middle of {rounds}", f"{median(twelve):.2f} s", "")
    for count, each in ((MOTORS, plant), (12, small)):
        each_ms, size = event_cost(each)
        table.add_row(f"live update, {count} motors, made once for all clients", f"{each_ms:.1f} ms, {size / 1000:.0f} kB a second", "")
    table.add_row(f"each further client, {MOTORS} motors, both ends", f"{further_ms:.2f} ms of CPU a second", "")
    for row in week_rows:
        table.add_row(*row)
    table.add_row(f"touch to next paint, third quartile of {touch_count}, {MOTORS} motors", f"{touch_ms:.0f} ms", f"<= {TOUCH_AIM_MS:g} ms")
    console.print(table)
    sizes = Table("page", "kB", "kB as gzip")
    for name, plain, packed in heavy:
        sizes.add_row(name, f"{plain / 1000:.1f}", f"{packed / 1000:.1f}")
    console.print(sizes)


if __name__ == "__main__":
    asyncio.run(measured(int(sys.argv[1]) if len(sys.argv) > 1 else 5))
