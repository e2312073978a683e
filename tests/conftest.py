"""What holds for every test: no thread or task survives it, and the project's own variables are not set."""

from __future__ import annotations

import asyncio
import os
import tempfile
import threading
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio

from simulators import request_log, traffic
from tests.read_only import RECORD, record_opcua

PLAYS_PLC = Path(__file__).parent / "simulators"
"""Tests of the simulators themselves send what a PLC or an attacker would; what they send did not leave the gateway."""

# The width of a terminal (and the one that a shared run makes up) is not the tests' business: each says what it wants.
for name in ("COLUMNS", "LINES"):
    os.environ.pop(name, None)

LOG_FOLDER = tempfile.TemporaryDirectory(prefix="requests-")
LOG = Path(LOG_FOLDER.name) / "requests.jsonl"
"""Where simulated devices in processes of their own write what reached them."""

traffic.listeners.append(RECORD.note_modbus)


@pytest.fixture(autouse=True)
def what_reaches_a_device_is_recorded(request: pytest.FixtureRequest) -> None:
    record_opcua()
    RECORD.test = "" if PLAYS_PLC in request.path.parents or request.node.get_closest_marker("plays_plc") else request.node.nodeid
    if RECORD.test:
        os.environ[request_log.VARIABLE] = f"{os.getpid()}:{LOG}"
    else:
        os.environ.pop(request_log.VARIABLE, None)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    terminalreporter.write_line(RECORD.summary)


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node: Any) -> None:
    """The run is shared between processes: each hands on what it has seen when it ends, so that one verdict covers them all."""
    part = getattr(node, "workeroutput", {}).get("read_only")
    if part is not None:
        RECORD.add(part)
    else:
        RECORD.wrong.append(f"unknown: the process {node.gateway.id} ended without its record")


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session) -> None:
    """A run in which anything but a read reached a simulated device has failed, whatever its tests say."""
    os.environ.pop(request_log.VARIABLE, None)
    RECORD.note_log(LOG)
    LOG_FOLDER.cleanup()
    if hasattr(session.config, "workeroutput"):
        session.config.workeroutput["read_only"] = RECORD.as_plain()
    if RECORD.wrong and session.exitstatus == pytest.ExitCode.OK:
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


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
