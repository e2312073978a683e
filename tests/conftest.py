"""What holds for every test: no thread or task survives it, and the project's own variables are not set."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncIterator, Iterator

import pytest
import pytest_asyncio


@pytest.fixture(autouse=True)
def no_thread_survives() -> Iterator[None]:
    before = set(threading.enumerate())
    yield
    # Pool threads of the event loop (name lookups, asyncio.to_thread) end with their loop, which may close after this fixture;
    # any other thread that outlives the test is a leak.
    new = [thread for thread in set(threading.enumerate()) - before if not thread.name.startswith("asyncio_")]
    for thread in new:
        thread.join(timeout=5)
    left = [thread.name for thread in new if thread.is_alive() and not thread.daemon]
    assert not left, f"threads left running: {left}"


@pytest_asyncio.fixture(autouse=True)
async def no_task_survives(request: pytest.FixtureRequest) -> AsyncIterator[None]:
    yield
    left = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
    assert not left, f"tasks left running: {left}"
