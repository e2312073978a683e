"""The invented plant behind an application, and a client that speaks to it without a socket."""

from __future__ import annotations

from collections.abc import AsyncIterator

import httpx
import pytest
import pytest_asyncio
from fastapi import FastAPI

from gateway.clock import HandClock
from gateway.web.application import create_app
from tests.web.tarn_hollow import NOW, FakePlant, tarn_hollow


@pytest.fixture
def clock() -> HandClock:
    return HandClock(NOW)


@pytest.fixture
def plant(clock: HandClock) -> FakePlant:
    return tarn_hollow(clock)


@pytest.fixture
def app(plant: FakePlant, clock: HandClock) -> FastAPI:
    return create_app(plant, clock=clock)


@pytest_asyncio.fixture
async def client(app: FastAPI) -> AsyncIterator[httpx.AsyncClient]:
    transport = httpx.ASGITransport(app=app, raise_app_exceptions=False)
    async with httpx.AsyncClient(transport=transport, base_url="http://gateway:8460") as made:
        yield made
