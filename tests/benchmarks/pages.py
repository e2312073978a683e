"""What the pages cost: paint of the motors page with 200 motors, weight of every page, and the live update. One command, two tables.

    python -m tests.benchmarks.pages [rounds]

Browser and gateway run on the same machine, the plant is the invented one of the tests, 200 motors of it with ten starts each. First paint
is the browser's own first-contentful-paint, the middle one of the rounds, nothing cached. The live update is what one event costs the
gateway, which makes it once for all clients, and what each further client costs.
"""

from __future__ import annotations

import asyncio
import gzip
import sys
import time
from dataclasses import replace
from statistics import median

import httpx
from playwright.async_api import Browser, async_playwright
from rich.console import Console
from rich.table import Table

from gateway.web.application import create_app
from gateway.web.stream import Hub
from tests.pages.shoot import ARGUMENTS, CHROMIUM, PAGES, served
from tests.web.tarn_hollow import FakePlant, ShiftedClock, tarn_hollow

MOTORS = 200
AIM_S = 1.0
PAINT = "performance.getEntriesByName('first-contentful-paint')[0].startTime"


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
        for name in [*PAGES.values(), "/static/style.css", "/static/live.js", "/static/signals.js", "/static/predict.css"]:
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


async def client_cost(address: str, clients: int = 40, seconds: float = 5.0) -> float:
    """Return the CPU time of one more client [ms a second], both ends of its connection included: they share this process."""
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


async def measured(rounds: int) -> None:
    """Measure and print."""
    console = Console()
    plant = many(MOTORS)
    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        async with served(plant, plant.clock) as address:
            cold = (await paints(browser, address, 1))[0]
            found = await paints(browser, address, rounds)
            further_ms = await client_cost(address)
        small = tarn_hollow(plant.clock)
        async with served(small, small.clock) as address:
            await paints(browser, address, 1)
            twelve = await paints(browser, address, rounds)
            heavy = await weights(address)
        await browser.close()
    table = Table("what", "figure", "aim")
    table.add_row(f"first paint, {MOTORS} motors, first page after the gateway's start", f"{cold:.2f} s", "")
    table.add_row(f"first paint, {MOTORS} motors, middle of {rounds}", f"{median(found):.2f} s", f"<= {AIM_S:g} s")
    table.add_row(f"first paint, 12 motors, middle of {rounds}", f"{median(twelve):.2f} s", "")
    for count, each in ((MOTORS, plant), (12, small)):
        each_ms, size = event_cost(each)
        table.add_row(f"live update, {count} motors, made once for all clients", f"{each_ms:.1f} ms, {size / 1000:.0f} kB a second", "")
    table.add_row(f"each further client, {MOTORS} motors, both ends", f"{further_ms:.2f} ms of CPU a second", "")
    console.print(table)
    sizes = Table("page", "kB", "kB as gzip")
    for name, plain, packed in heavy:
        sizes.add_row(name, f"{plain / 1000:.1f}", f"{packed / 1000:.1f}")
    console.print(sizes)


if __name__ == "__main__":
    asyncio.run(measured(int(sys.argv[1]) if len(sys.argv) > 1 else 5))
