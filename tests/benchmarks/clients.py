"""Three ways to read 20 values of many starters once a second: the script that a competent engineer writes, the bare protocol library, and
the gateway. Each is run in a process of its own, on a core of its own, against the same devices."""

from __future__ import annotations

import asyncio
import gc
import logging
import multiprocessing
import os
import resource
import sqlite3
import tempfile
import time
from collections.abc import Callable, Coroutine
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path

import uvloop
from pymodbus.client import AsyncModbusTcpClient

from gateway.clock import RealClock
from gateway.collector import seldom_collecting
from gateway.drivers.base import Attached
from gateway.drivers.modbus import ModbusLink
from gateway.services.housekeeping import Housekeeping
from gateway.services.pipeline import Pipeline
from gateway.services.poller import Polled, Poller
from gateway.services.publication import Publication
from gateway.services.spread import BANDS, GROWTH, SMALLEST_S, DaySpread
from gateway.services.track import Track
from gateway.site import Paces
from gateway.store.database import open_store
from gateway.store.writer import Writer
from tests.benchmarks.devices import LEVELS, REGISTERS, cores, device_map, starter

WARM_UP_S = 4.0
SETTLE_S = 2.0
"""After the garbage of the beginning was collected, which holds everything up."""


@dataclass(frozen=True, slots=True)
class Polling:
    """What some seconds of polling cost: polls, CPU seconds of the whole process, wall seconds, lateness [s], resident memory [MB]."""

    polls: int
    cpu_s: float
    spent_s: float
    late_p50_s: float = 0.0
    late_p99_s: float = 0.0
    memory_mb: float = 0.0
    lost: int = 0
    """Faults of links, deadlines missed and readings given up."""

    @property
    def cpu_us(self) -> float:
        """Return the CPU time of a poll [us]."""
        return 1e6 * self.cpu_s / max(1, self.polls)


class _Count:
    """Polls so far, and what is measured between two moments."""

    def __init__(self) -> None:
        self.polls = 0

    async def measure(
        self, seconds: float, ready: Callable[[], None] = lambda: None, *, is_frozen: bool = False
    ) -> tuple[int, float, float]:
        """Return polls, CPU seconds and wall seconds. is_frozen: the collector need not walk through what was made before, a favour to
        programs that do not see to that themselves."""
        # A run of a moment is no measurement: it need not wait long either.
        share = min(1.0, seconds / (WARM_UP_S + SETTLE_S))
        await asyncio.sleep(WARM_UP_S * share)
        if is_frozen:
            gc.collect()
            gc.freeze()
        await asyncio.sleep(SETTLE_S * share)
        ready()
        polls, cpu_s, begin_s = self.polls, time.process_time(), time.monotonic()
        await asyncio.sleep(seconds)
        return self.polls - polls, time.process_time() - cpu_s, time.monotonic() - begin_s


async def _every_second(port: int, count: int, seconds: float, take: Callable[[int, list[float]], None]) -> Polling:
    """Poll with the library alone, a task and a connection a starter, deadlines a second apart, phases spread."""
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL)
    counted, is_over = _Count(), False
    clients = [AsyncModbusTcpClient("127.0.0.1", port=port, timeout=5) for _ in range(count)]
    for client in clients:
        await client.connect()

    async def poll(number: int, client: AsyncModbusTcpClient) -> None:
        due_s = time.monotonic() + number / count
        # The library may swallow the cancellation.
        while not is_over:
            await asyncio.sleep(max(0.0, due_s - time.monotonic()))
            due_s += 1.0
            reply = await client.read_holding_registers(0, count=REGISTERS, device_id=1)
            values = client.convert_from_registers(reply.registers, client.DATATYPE.FLOAT32)
            take(number, values if isinstance(values, list) else [])
            counted.polls += 1

    tasks = [asyncio.create_task(poll(number, client)) for number, client in enumerate(clients)]
    measured = await counted.measure(seconds, is_frozen=True)
    is_over = True
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)
    for client in clients:
        client.close()
    return Polling(*measured)


async def bare(port: int, count: int, seconds: float) -> Polling:
    """Read and convert with the library, nothing more."""
    return await _every_second(port, count, seconds, lambda number, values: None)


async def script(port: int, count: int, seconds: float) -> Polling:
    """Read and convert with the library, and store each value with an insert of its own, a commit a second; the table has the index that
    its reader will want."""
    with tempfile.TemporaryDirectory() as folder:
        database = sqlite3.connect(Path(folder) / "samples.db")
        database.execute("PRAGMA journal_mode = WAL")
        database.execute("CREATE TABLE samples (device INTEGER, signal TEXT, at REAL, value REAL)")
        database.execute("CREATE INDEX by_signal ON samples (device, signal, at)")
        names = [name for name, _ in LEVELS]

        def take(number: int, values: list[float]) -> None:
            at = time.time()
            for name, value in zip(names, values, strict=True):
                database.execute("INSERT INTO samples VALUES (?, ?, ?, ?)", (number, name, at, value))

        async def commit() -> None:
            while True:
                await asyncio.sleep(1.0)
                database.commit()

        committing = asyncio.create_task(commit())
        try:
            return await _every_second(port, count, seconds, take)
        finally:
            committing.cancel()
            database.commit()
            database.close()


async def gateway(port: int, count: int, seconds: float) -> Polling:
    """The whole way: guard, read, check, decode, watch, alerts, store with a commit a second, housekeeping, publication."""
    clock, paces, register_map = RealClock(), Paces(standby_s=1.0, running_s=1.0), device_map()
    with tempfile.TemporaryDirectory() as folder:
        store = open_store(f"sqlite:///{folder}/ledger.db", clock)
        writer = Writer(store, clock)
        tracks = {each.name: Track(each) for each in map(starter, range(count))}
        publication = Publication(track.live() for track in tracks.values())
        pipeline = Pipeline(tracks, writer, publication, clock)
        poller = Poller(
            [(ModbusLink("127.0.0.1", port, [Attached(starter=name, map=register_map)], clock), [Polled(name, paces)]) for name in tracks],
            pipeline,
            clock,
        )
        housekeeping = Housekeeping(store, writer, clock, keep_readings_days=30)
        housekeeping.start()
        poller.start()
        before = 0

        def ready() -> None:
            nonlocal before
            for log in poller.logs:
                log._lateness = DaySpread()
            before = _lost(poller)

        with seldom_collecting():
            # All connect at once and all motors are found running: the measured seconds begin when that is over.
            await asyncio.sleep(count / 500)
            _, cpu_s, spent_s = await _Count().measure(seconds, ready)
        late = [sum(column) for column in zip(*(log._lateness._counts or [0] * BANDS for log in poller.logs), strict=True)]
        lost = _lost(poller) - before
        await poller.stop()
        housekeeping.stop()
        writer.close(60.0)
        lost += writer.state().dropped_readings
        store.close()
    memory_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return Polling(sum(late), cpu_s, spent_s, _quantile(late, 0.5), _quantile(late, 0.99), memory_mb, lost)


def _lost(poller: Poller) -> int:
    return sum(log.missed + sum(log._faults.values()) for log in poller.logs)


def _quantile(counts: list[int], share: float) -> float:
    reached, wanted = 0, share * sum(counts)
    for band, found in enumerate(counts):
        reached += found
        if reached >= wanted:
            return float(SMALLEST_S * GROWTH**band)
    return float("inf")


Run = Callable[[int, int, float], Coroutine[None, None, Polling]]
_RUNS: dict[str, tuple[Run, bool]] = {"script": (script, False), "bare": (bare, True), "gateway": (gateway, True)}


def _process(kind: str, port: int, count: int, seconds: float, news: Connection) -> None:
    core = cores()[1]
    if core is not None:
        os.sched_setaffinity(0, {core})
    run, has_uvloop = _RUNS[kind]
    made = run(port, count, seconds)
    news.send(uvloop.run(made) if has_uvloop else asyncio.run(made))


def polling(kind: str, port: int, count: int, seconds: float) -> Polling:
    """Return what one way of polling costs, measured in a process of its own."""
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe()
    process = context.Process(target=_process, args=(kind, port, count, seconds, theirs))
    process.start()
    theirs.close()
    try:
        found: Polling = ours.recv()
    except EOFError as error:
        raise RuntimeError(f"the process that measures {kind} ended before it was done") from error
    process.join()
    return found
