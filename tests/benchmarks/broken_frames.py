"""What a device that sends rubbish costs the gateway: share of a core and memory while it is polled ten times a second.

    python -m tests.benchmarks.broken_frames [seconds]

The device runs in a process of its own, so that only the gateway's link and poller are counted. Each play is polled for so many seconds;
then the device is honest again, and the time until the first whole poll is taken.
"""

from __future__ import annotations

import asyncio
import multiprocessing
import os
import random
import sys
import time
from collections.abc import Awaitable, Callable
from contextlib import suppress
from multiprocessing.connection import Connection
from pathlib import Path

import uvloop
from rich.console import Console
from rich.table import Table

from gateway.clock import RealClock
from gateway.drivers.base import Attached
from gateway.drivers.modbus import ModbusLink
from gateway.services.poller import Polled, Poller
from gateway.site import Paces
from simulators.framing import tcp_frame
from simulators.modbus import ModbusServer
from tests.system.far_device import Judge, TruthfulDevice, far_map, until

SEED = 15
PACE_S = 0.1
UNIT = 7
MEGABYTE = 1_000_000

Play = Callable[[bytes, asyncio.StreamWriter, random.Random], Awaitable[None]]


async def _honest(reply: bytes, writer: asyncio.StreamWriter, draw: random.Random) -> None:
    writer.write(reply)


async def _cut(reply: bytes, writer: asyncio.StreamWriter, draw: random.Random) -> None:
    writer.write(reply[: draw.randrange(1, len(reply))] if draw.random() < 0.3 else reply)


async def _byte_by_byte(reply: bytes, writer: asyncio.StreamWriter, draw: random.Random) -> None:
    for place in range(len(reply)):
        writer.write(reply[place : place + 1])
        await asyncio.sleep(0.0005)


async def _garbage(reply: bytes, writer: asyncio.StreamWriter, draw: random.Random) -> None:
    writer.write(draw.randbytes(300) if draw.random() < 0.3 else reply)


async def _flood(reply: bytes, writer: asyncio.StreamWriter, draw: random.Random) -> None:
    writer.write(draw.randbytes(MEGABYTE))
    await writer.drain()


async def _endless_flood(reply: bytes, writer: asyncio.StreamWriter, draw: random.Random) -> None:
    # The header of a right reply first, so that the gateway goes on listening as long as it can.
    writer.write(reply[:9])
    while not writer.is_closing():
        writer.write(draw.randbytes(MEGABYTE))
        await writer.drain()


PLAYS: dict[str, Play] = {
    "honest": _honest,
    "3 of 10 replies cut": _cut,
    "one byte a packet": _byte_by_byte,
    "300 bytes of garbage for 3 of 10": _garbage,
    "1 MB of garbage for each request": _flood,
    "garbage without end": _endless_flood,
}


def _serve(pipe: Connection) -> None:
    """Run the device; each name that comes through the pipe is its play from then on."""

    async def serve() -> None:
        draw, playing = random.Random(SEED), [_honest]
        answer = ModbusServer({UNIT: TruthfulDevice()}).answer

        async def client(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            with suppress(asyncio.IncompleteReadError, ConnectionError):
                while True:
                    request = await reader.readexactly(12)
                    pdu = answer(request[6], request[7:])
                    if pdu is not None:
                        await playing[0](tcp_frame(int.from_bytes(request[:2], "big"), request[6], pdu), writer, draw)
            writer.transport.abort()

        server = await asyncio.start_server(client, "127.0.0.1", 0)
        pipe.send(server.sockets[0].getsockname()[1])
        ended = asyncio.Event()

        def told() -> None:
            name = pipe.recv()
            if name:
                playing[0] = PLAYS[name]
            else:
                ended.set()

        asyncio.get_running_loop().add_reader(pipe.fileno(), told)
        await ended.wait()
        server.close()

    asyncio.run(serve())


def _memory_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


async def _poll(port: int, pipe: Connection, seconds: float) -> Table:
    table = Table("play", "polls", "whole", "wrong values", "share of a core", "memory before", "after", "whole again after")
    for name in PLAYS:
        judge, clock = Judge(), RealClock()
        link = ModbusLink("127.0.0.1", port, [Attached(starter="fan", map=far_map(timeout_s=0.5), unit=UNIT)], clock)
        poller = Poller([(link, [Polled("fan", Paces(standby_s=PACE_S))])], judge, clock)
        pipe.send("honest")
        poller.start()
        await until(lambda judge=judge: judge.whole > 3, 10, "the first polls")
        pipe.send(name)
        before_mb, wall_s, cpu_s, polls, whole = _memory_mb(), time.monotonic(), time.process_time(), judge.polls, judge.whole
        await asyncio.sleep(seconds)
        share = (time.process_time() - cpu_s) / (time.monotonic() - wall_s)
        after_mb, polls, whole, seen = _memory_mb(), judge.polls - polls, judge.whole - whole, judge.whole
        pipe.send("honest")
        again_s = await until(lambda judge=judge, seen=seen: judge.whole > seen, 15, "whole polls again")
        await poller.stop()
        figures = (f"{100 * share:.1f} %", f"{before_mb:.1f} MB", f"{after_mb:.1f} MB", f"{again_s:.2f} s")
        table.add_row(name, str(polls), str(whole), str(len(judge.wrong)), *figures)
    return table


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 20.0
    ours, theirs = multiprocessing.Pipe()
    device = multiprocessing.get_context("spawn").Process(target=_serve, args=(theirs,), daemon=True)
    device.start()
    try:
        table = uvloop.run(_poll(ours.recv(), ours, seconds))
    finally:
        ours.send("")
        device.join(5)
    table.title = f"F15, {seconds:g} s each, polled every {PACE_S:g} s, 8 requests a poll, seed {SEED}"
    Console(width=150).print(table)


if __name__ == "__main__":
    main()
