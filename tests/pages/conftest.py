"""A served plant and a real browser; every test also fails on a console error, a refused resource or a request to another origin."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from urllib.parse import urlsplit

import pytest
import pytest_asyncio
from playwright.async_api import Browser, ConsoleMessage, Page, Request, async_playwright

from tests.pages.shoot import ARGUMENTS, CHROMIUM, served, with_kept_words
from tests.web.tarn_hollow import FakePlant, ShiftedClock, tarn_hollow

PICTURES = Path(__file__).parents[2] / "artefacts" / "pages"


@dataclass
class Visit:
    """A browser at the plant's pages, and everything that went wrong in it."""

    page: Page
    address: str
    plant: FakePlant
    clock: ShiftedClock
    troubles: list[str] = field(default_factory=list)
    forgiven: tuple[str, ...] = ()

    async def go(self, path: str) -> None:
        """Open a page and wait for its first live event."""
        await self.page.goto(self.address + path)
        await self.page.wait_for_selector("main")

    async def text(self, selector: str) -> str:
        """Return the visible text of an element."""
        return (await self.page.locator(selector).first.inner_text()).strip()

    async def until_text(self, selector: str, words: str, timeout_s: float = 10.0) -> None:
        """Wait until an element holds the words."""
        await self.page.locator(selector, has_text=words).first.wait_for(timeout=timeout_s * 1000)


def watch(page: Page, visit: Visit) -> None:
    """Note what must not happen on any page."""

    def console(message: ConsoleMessage) -> None:
        if message.type in ("error", "warning"):
            visit.troubles.append(f"console: {message.text}")

    def request(sent: Request) -> None:
        here = urlsplit(visit.address).netloc
        if urlsplit(sent.url).netloc != here:
            visit.troubles.append(f"request off origin: {sent.url}")

    page.on("console", console)
    page.on("request", request)
    page.on("pageerror", lambda error: visit.troubles.append(f"script: {error}"))
    page.on("dialog", lambda dialog: visit.troubles.append(f"dialog: {dialog.message}"))


# One browser serves a whole module: to start one takes longer than most tests.
@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def browser() -> AsyncIterator[Browser]:
    async with async_playwright() as playwright:
        made = await playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield made
        await made.close()


@asynccontextmanager
async def opened(browser: Browser) -> AsyncIterator[Visit]:
    """Yield a visit of a plant of its own; AssertionError at its end when anything went wrong in the browser."""
    clock = ShiftedClock()
    plant = fresh_plant(clock)
    async with served(plant, clock) as address:
        context = await browser.new_context(viewport={"width": 1024, "height": 600}, accept_downloads=True)
        page = await context.new_page()
        made = Visit(page, address, plant, clock)
        watch(page, made)
        yield made
        await context.close()
    troubles = [trouble for trouble in made.troubles if not any(words in trouble for words in made.forgiven)]
    assert not troubles, troubles


@cache
def _model() -> FakePlant:
    return tarn_hollow()


def fresh_plant(clock: ShiftedClock) -> FakePlant:
    """Return the invented plant, to be changed at will. Its figures are worked out once: everything in it but the lists cannot change."""
    model = _model()
    motors = {name: replace(motor, starts=list(motor.starts)) for name, motor in model.motors.items()}
    plant = FakePlant(motors, list(model.standing), list(model.past_alerts), list(model.connections), clock=clock)
    return with_kept_words(plant)


@pytest_asyncio.fixture(loop_scope="module")
async def visit(browser: Browser) -> AsyncIterator[Visit]:
    async with opened(browser) as made:
        yield made


@pytest.fixture
def pictures() -> Path:
    PICTURES.mkdir(parents=True, exist_ok=True)
    return PICTURES
