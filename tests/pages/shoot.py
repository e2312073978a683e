"""Takes the pictures of all pages for the eye: every page in light and dark, on a panel, a phone and a desktop.

python -m tests.pages.shoot [FOLDER]        FOLDER is artefacts/pages by default
"""

from __future__ import annotations

import asyncio
import sys
from collections.abc import AsyncIterator, Iterable
from contextlib import asynccontextmanager
from pathlib import Path

from playwright.async_api import Browser, async_playwright

from gateway.clock import Clock
from gateway.instants import SECOND
from gateway.web.application import create_app
from gateway.web.plant_view import PlantView
from gateway.web.serving import serve
from tests.web.kept import kept_start, wrong_map
from tests.web.tarn_hollow import NOW, FakePlant, ShiftedClock, tarn_hollow

CHROMIUM = "/usr/bin/chromium"
ARGUMENTS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
SCREENS = {"panel": (1024, 600), "phone": (390, 844), "desktop": (1440, 900)}
PAGES = {
    "motors": "/",
    "motor": "/motors/DC-01",
    "motor-running": "/motors/RW-01",
    "motor-silent": "/motors/BP-01",
    "drift": "/motors/DC-01/drift",
    "compare": "/compare?motor=DC-01",
    "predict": "/predict?motor=DC-01",
    "signals": "/signals?motor=DC-01&signal=current&signal=voltage&signal=running",
    "bench": "/bench?motor=DC-01",
    "reports": "/reports",
    "wall": "/wall",
    "alerts": "/alerts",
    "wire": "/wire",
    "handbook": "/handbook",
    "glossary": "/handbook/glossary",
    "house-style": "/handbook/house-style",
    "error": "/motors/XX-99",
}


@asynccontextmanager
async def served(plant: PlantView, clock: Clock) -> AsyncIterator[str]:
    """Yield the address at which the plant's pages are served."""
    stop = asyncio.Event()
    ready: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    serving = asyncio.create_task(serve(create_app(plant, clock=clock), "127.0.0.1", 0, stop, on_ready=ready.set_result))
    try:
        yield await ready
    finally:
        stop.set()
        await serving


def with_kept_words(plant: FakePlant) -> FakePlant:
    """Return the plant with a motor whose map is wrong in two lines, and the words of its last start."""
    plant.maps["DC-01"], plant.kept["DC-01"] = wrong_map(), kept_start(NOW - SECOND)
    return plant


async def shoot(browser: Browser, address: str, folder: Path, *, screens: Iterable[str] = SCREENS, full: bool = True) -> list[Path]:
    """Return the pictures taken."""
    taken = []
    for screen in screens:
        width, height = SCREENS[screen]
        for theme in ("light", "dark"):
            context = await browser.new_context(viewport={"width": width, "height": height}, color_scheme=theme)
            page = await context.new_page()
            for name, path in PAGES.items():
                await page.goto(address + path)
                await page.wait_for_selector("main")
                file = folder / f"{name}-{screen}-{theme}.png"
                await page.screenshot(path=file, full_page=full)
                taken.append(file)
            await context.close()
    return taken


async def _main(folder: Path) -> None:
    clock = ShiftedClock()
    async with served(with_kept_words(tarn_hollow(clock)), clock) as address, async_playwright() as playwright:
        browser = await playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        taken = await shoot(browser, address, folder)
        await browser.close()
    sys.stdout.write(f"{len(taken)} pictures in {folder}\n")


if __name__ == "__main__":
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else Path("artefacts/pages")
    target.mkdir(parents=True, exist_ok=True)
    asyncio.run(_main(target))
