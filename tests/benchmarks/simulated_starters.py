"""How many simulated starters one process on one core can serve: `python -m tests.benchmarks.simulated_starters [connections] [seconds]`.

Every connection polls its own starter (16 registers, moving physics, a start every few minutes) once a second, phases spread evenly. The
server runs in a process of its own; latency is taken at the client, CPU time in the server. On a busy machine run it under `chrt -f 10`.
"""

from __future__ import annotations

import asyncio
import gc
import json
import multiprocessing
import os
import struct
import sys
import time
from functools import partial
from multiprocessing.connection import Connection
from typing import cast

import uvloop

from simulators.live import LiveUnit
from simulators.modbus import ModbusServer
from simulators.plant import SimulatedStarter
from simulators.timetable import DailyRuns
from simulators.traits import DeviceTraits, Make
from tests.simulators.makes import device_map, drive

_UNITS = 200
_REQUEST = struct.Struct(">HHHBBHH")


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


async def _serve(count: int, pipe: Connection) -> None:
    loop = asyncio.get_running_loop()
    starters = _starters(count)
    anchor = loop.time()
    servers = []
    for first in range(0, count, _UNITS):
        units = {
            index % _UNITS + 1: LiveUnit(starters[index], lambda: loop.time() - anchor)
            for index in range(first, min(first + _UNITS, count))
        }
        server = ModbusServer(units)
        await server.start()
        servers.append(server)
    # A thousand starters are many objects that never go: without this the collector stops the server for 100 ms to look at them.
    gc.collect()
    gc.freeze()
    pipe.send([server.port for server in servers])
    begin, begin_cpu = time.perf_counter(), time.process_time()
    await loop.run_in_executor(None, pipe.recv)
    spent, cpu = time.perf_counter() - begin, time.process_time() - begin_cpu
    starts = sum(starter.start_count for starter in starters)
    requests = sum(server.traffic.requests for server in servers)
    for server in servers:
        await server.stop()
    pipe.send(
        {"server_cpu_pct": 100 * cpu / spent, "requests": requests, "cpu_us_per_request": 1e6 * cpu / max(requests, 1), "starts": starts}
    )


def _server_process(count: int, pipe: Connection) -> None:
    os.sched_setaffinity(0, {0})
    uvloop.run(_serve(count, pipe))


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
        if self._got >= 9 + 32:
            self._taken_s.append(time.perf_counter() - self._asked_at)
            self.faults += self._got != 9 + 32
            self._got = 0

    def ask(self) -> None:
        """Send one request."""
        if self._transport is not None:
            self._asked_at = time.perf_counter()
            self._transport.write(_REQUEST.pack(1, 0, 6, self._unit, 3, 0, 16))


async def _poll(count: int, ports: list[int], seconds: float) -> dict[str, float]:
    loop = asyncio.get_running_loop()
    taken_s: list[float] = []
    pollers = []
    for index in range(count):
        unit = index % _UNITS + 1
        _, poller = await loop.create_connection(partial(_Poller, unit, taken_s), "127.0.0.1", ports[index // _UNITS])
        pollers.append(poller)
    gc.collect()
    gc.freeze()

    async def cycle(poller: _Poller, begin: float) -> None:
        for round_number in range(round(seconds)):
            await asyncio.sleep(max(begin + round_number - loop.time(), 0.0))
            poller.ask()
        await asyncio.sleep(0.5)

    begin = loop.time() + 0.2
    await asyncio.gather(*(cycle(poller, begin + index / count) for index, poller in enumerate(pollers)))
    taken_s.sort()
    return {
        "connections": count,
        "answers": len(taken_s),
        "asked": count * round(seconds),
        "faults": sum(poller.faults for poller in pollers),
        "p50_ms": 1000 * taken_s[len(taken_s) // 2],
        "p99_ms": 1000 * taken_s[len(taken_s) * 99 // 100],
        "max_ms": 1000 * taken_s[-1],
    }


def main() -> None:
    """Run the load and print the figures as JSON."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    seconds = float(sys.argv[2]) if len(sys.argv) > 2 else 20.0
    ours, theirs = multiprocessing.Pipe()
    process = multiprocessing.get_context("spawn").Process(target=_server_process, args=(count, theirs))
    process.start()
    ports = ours.recv()
    figures = uvloop.run(_poll(count, ports, seconds))
    ours.send("end")
    figures |= ours.recv()
    process.join()
    sys.stdout.write(json.dumps({key: round(value, 3) for key, value in figures.items()}, indent=2) + "\n")


if __name__ == "__main__":
    main()
