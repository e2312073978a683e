"""How many simulated starters one process on one core can serve, and how many motors it can move: one command, two tables.

    python -m tests.benchmarks.simulated_starters [connections] [seconds] [rounds]

Load: every connection polls its own starter (16 registers, moving physics, a start every few minutes) once a second, phases spread evenly.
Each server runs in a process of its own on core 0; answer time is taken at the client, CPU time in the server. Baselines, in the same run
under the same load: a bare protocol that answers fixed bytes (what sockets alone cost) and the Modbus library's own server with registers
that never change. The servers take turns; of the rounds of each the one with the middle p99 is shown. On a busy machine the processes wait
for the core and the answer times say so: run it under `chrt -f 10`.

Physics: a mixed plant moved second by second, against the loop that a competent engineer writes (Heun's method, 50 ms, every motor always;
it is not stable for unloaded motors, but it is what the time is held against).
"""

from __future__ import annotations

import asyncio
import gc
import multiprocessing
import os
import struct
import sys
import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from functools import partial
from multiprocessing.connection import Connection
from typing import cast

import uvloop
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice
from rich.console import Console
from rich.table import Table

from simulators.live import LiveUnit
from simulators.modbus import ModbusServer
from simulators.plant import SimulatedStarter
from simulators.timetable import DailyRuns
from simulators.traits import DeviceTraits, Make
from tests.benchmarks.simulated_physics import PhysicsRow, physics_rows
from tests.simulators.makes import device_map, drive

_UNITS = 200
_REGISTERS = 16
_REQUEST = struct.Struct(">HHHBBHH")
_REPLY_BYTES = 9 + 2 * _REGISTERS
AIM_P99_MS = 20.0

Stop = Callable[[], Awaitable[None]]
Serve = Callable[[int], Awaitable[tuple[list[int], Stop]]]


def _starters(count: int) -> list[SimulatedStarter]:
    shared, running = device_map(), drive()
    return [
        SimulatedStarter(
            Make(
                name=f"m{number}",
                map=shared,
                drive=running,
                device=DeviceTraits(update_s=0.1, noise=0.005),
                # Starts are spread so that at any time a few of a hundred motors are starting.
                daily=(DailyRuns(first_s=(number * 37) % 600, every_s=600.0, run_s=300.0),),
                seed=number,
            )
        )
        for number in range(count)
    ]


async def _simulated(count: int) -> tuple[list[int], Stop]:
    loop = asyncio.get_running_loop()
    starters = _starters(count)
    anchor = loop.time()
    servers = []
    for first in range(0, count, _UNITS):
        numbers = range(first, min(first + _UNITS, count))
        servers.append(ModbusServer({number % _UNITS + 1: LiveUnit(starters[number], lambda: loop.time() - anchor) for number in numbers}))
    for server in servers:
        await server.start()

    async def stop() -> None:
        for server in servers:
            await server.stop()

    return [server.port for server in servers], stop


class _Fixed(asyncio.Protocol):
    """Answers every request with the same bytes."""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.WriteTransport, transport)

    def data_received(self, data: bytes) -> None:
        self._transport.write(bytes(_REPLY_BYTES))


async def _bare(count: int) -> tuple[list[int], Stop]:
    server = await asyncio.get_running_loop().create_server(_Fixed, "127.0.0.1", 0, backlog=1024)

    async def stop() -> None:
        server.close()

    return [server.sockets[0].getsockname()[1]] * -(-count // _UNITS), stop


async def _library(count: int) -> tuple[list[int], Stop]:
    device = SimDevice(id=0, simdata=[SimData(0, count=_REGISTERS, values=7, datatype=DataType.REGISTERS)])
    server = ModbusTcpServer(device, address=("127.0.0.1", 0))
    await server.serve_forever(background=True)
    port = cast(asyncio.Server, server.transport).sockets[0].getsockname()[1]
    return [port] * -(-count // _UNITS), server.shutdown


_SERVERS: dict[str, Serve] = {"simulated starters": _simulated, "bare sockets": _bare, "library's server": _library}


async def _serve(kind: str, count: int, pipe: Connection) -> None:
    loop = asyncio.get_running_loop()
    ports, stop = await _SERVERS[kind](count)
    # A thousand starters are many objects that never go: without this the collector stops the server for 100 ms to look at them.
    gc.collect()
    gc.freeze()
    pipe.send(ports)
    begin, begin_cpu = time.perf_counter(), time.process_time()
    await loop.run_in_executor(None, pipe.recv)
    pipe.send((time.process_time() - begin_cpu, time.perf_counter() - begin))
    await stop()


def _server_process(kind: str, count: int, pipe: Connection) -> None:
    os.sched_setaffinity(0, {0})
    uvloop.run(_serve(kind, count, pipe))


class _Poller(asyncio.Protocol):
    """One client; notes how long each reply took."""

    def __init__(self, unit: int, taken_s: list[float]) -> None:
        self._unit, self._taken_s = unit, taken_s
        self._asked_at = 0.0
        self._got = 0
        self.faults = 0
        self._transport: asyncio.WriteTransport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.WriteTransport, transport)

    def data_received(self, data: bytes) -> None:
        self._got += len(data)
        if self._got >= _REPLY_BYTES:
            self._taken_s.append(time.perf_counter() - self._asked_at)
            self.faults += self._got != _REPLY_BYTES
            self._got = 0

    def ask(self) -> None:
        """Send one request."""
        if self._transport is not None:
            self._asked_at = time.perf_counter()
            self._transport.write(_REQUEST.pack(1, 0, 6, self._unit, 3, 0, _REGISTERS))

    def close(self) -> None:
        """Leave."""
        if self._transport is not None:
            self._transport.close()


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadRow:
    """One server under load."""

    kind: str
    asked: int
    answers: int
    faults: int
    p50_ms: float
    p99_ms: float
    most_ms: float
    cpu_pct: float
    cpu_us: float
    """A request."""


async def _poll(count: int, ports: list[int], seconds: int, taken_s: list[float]) -> int:
    loop = asyncio.get_running_loop()
    pollers = []
    for index in range(count):
        unit = index % _UNITS + 1
        _, poller = await loop.create_connection(partial(_Poller, unit, taken_s), "127.0.0.1", ports[index // _UNITS])
        pollers.append(poller)
    gc.collect()
    gc.freeze()

    async def cycle(poller: _Poller, begin: float) -> None:
        for round_number in range(seconds):
            await asyncio.sleep(max(begin + round_number - loop.time(), 0.0))
            poller.ask()
        await asyncio.sleep(0.5)

    begin = loop.time() + 0.2
    await asyncio.gather(*(cycle(poller, begin + index / count) for index, poller in enumerate(pollers)))
    for poller in pollers:
        poller.close()
    return sum(poller.faults for poller in pollers)


def load_row(kind: str, count: int, seconds: int) -> LoadRow:
    """Load one server with `count` connections for some seconds and return how it did."""
    ours, theirs = multiprocessing.Pipe()
    process = multiprocessing.get_context("spawn").Process(target=_server_process, args=(kind, count, theirs))
    process.start()
    taken_s: list[float] = []
    faults = uvloop.run(_poll(count, ours.recv(), seconds, taken_s))
    ours.send("end")
    cpu_s, spent_s = ours.recv()
    process.join()
    taken_s.sort()
    return LoadRow(
        kind=kind,
        asked=count * seconds,
        answers=len(taken_s),
        faults=faults,
        p50_ms=1000 * taken_s[len(taken_s) // 2],
        p99_ms=1000 * taken_s[len(taken_s) * 99 // 100],
        most_ms=1000 * taken_s[-1],
        cpu_pct=100 * cpu_s / spent_s,
        cpu_us=1e6 * cpu_s / max(len(taken_s), 1),
    )


def print_load(console: Console, rows: list[LoadRow], count: int) -> None:
    """Print the load table; ratios are to the bare sockets of the same run."""
    bare = next(row for row in rows if row.kind == "bare sockets")
    table = Table(title=f"{count} connections at 1 Hz, one process, one core", box=None)
    for head in ("", "answers", "faults", "p50 ms", "p99 ms", "x bare", "most ms", "CPU %", "us/request", "x bare"):
        table.add_column(head, justify="left" if not head else "right")
    for row in rows:
        table.add_row(
            row.kind,
            f"{row.answers}/{row.asked}",
            str(row.faults),
            f"{row.p50_ms:.2f}",
            f"{row.p99_ms:.2f}",
            f"{row.p99_ms / bare.p99_ms:.2f}",
            f"{row.most_ms:.1f}",
            f"{row.cpu_pct:.1f}",
            f"{row.cpu_us:.0f}",
            f"{row.cpu_us / bare.cpu_us:.2f}",
        )
    console.print(table)
    reached = "reached" if rows[0].p99_ms < AIM_P99_MS else "missed"
    console.print(f"p99 answer time of the simulated starters {rows[0].p99_ms:.1f} ms, aim below {AIM_P99_MS:.0f} ms: {reached}")


def print_physics(console: Console, rows: list[PhysicsRow]) -> None:
    """Print the physics table; ratios are to the plain loop of the same run."""
    plain = rows[-1]
    table = Table(title="physics, tick 1 s", box=None)
    for head in ("", "motors", "CPU us per motor and second", "x plain loop", "motors a core in real time"):
        table.add_column(head, justify="left" if not head else "right")
    for row in rows:
        table.add_row(row.kind, str(row.motors), f"{row.cpu_us:.1f}", f"{row.cpu_us / plain.cpu_us:.3f}", f"{1e6 / row.cpu_us:.0f}")
    console.print(table)


def main() -> None:
    """Run everything and print two tables."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    seconds = int(sys.argv[2]) if len(sys.argv) > 2 else 10
    rounds = int(sys.argv[3]) if len(sys.argv) > 3 else 3
    console = Console(highlight=False, width=140)
    taken = [[load_row(kind, count, seconds) for kind in _SERVERS] for _ in range(rounds)]
    middle = [sorted(of_kind, key=lambda row: row.p99_ms)[rounds // 2] for of_kind in zip(*taken, strict=True)]
    print_load(console, middle, count)
    print_physics(console, physics_rows())


if __name__ == "__main__":
    main()
