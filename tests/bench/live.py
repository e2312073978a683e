"""Simulated devices on loopback for the bench, and the command line run beside them in a thread of its own."""

from __future__ import annotations

import asyncio
import contextlib
import io
import sys
from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path
from unittest import mock

from gateway.bench.corrections import Correction
from gateway.bench.map_line import map_line
from gateway.cli.program import main
from gateway.registers.model import RegisterMap
from simulators.live import LiveUnit
from simulators.modbus import ModbusServer
from simulators.plant import SimulatedStarter
from tests.bench.rig import changed


@dataclass(frozen=True)
class Ran:
    """What a command printed, and how it ended."""

    status: int
    out: str
    err: str


async def startledger(*arguments: object) -> Ran:
    """Run a command to its end while the loop goes on serving."""
    return await asyncio.to_thread(run_command, *arguments)


def run_command(*arguments: object) -> Ran:
    out, err = io.StringIO(), io.StringIO()
    status = 0
    environment = {"COLUMNS": "200", "TERM": "dumb"}
    with (
        mock.patch.object(sys, "argv", ["startledger", *map(str, arguments)]),
        mock.patch.dict("os.environ", environment),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
    ):
        try:
            main()
        except SystemExit as end:
            status = end.code if isinstance(end.code, int) else 1
    return Ran(status, out.getvalue(), err.getvalue())


@contextlib.asynccontextmanager
async def serving(*starters: SimulatedStarter, speed: float = 1.0, server: ModbusServer | None = None) -> AsyncIterator[ModbusServer]:
    """Serve starters as units 1, 2 ... of one address; simulated time runs `speed` times as fast. Nothing but reads may arrive."""
    loop = asyncio.get_running_loop()
    began_s = loop.time()
    units = {number: LiveUnit(starter, lambda: (loop.time() - began_s) * speed) for number, starter in enumerate(starters, start=1)}
    running = server if server is not None else ModbusServer({})
    running.units = dict(units)
    async with running:
        yield running
        await running.wait_until_left_alone()
    assert running.traffic.trap_hits == 0
    assert running.traffic.malformed == 0


def write_map(path: Path, register_map: RegisterMap, mistakes: dict[str, Correction] | None = None) -> Path:
    """Write a map, with mistakes, as a user's file."""
    wrong = changed(register_map, mistakes or {})
    lines = [
        f"map: {wrong.name}",
        f"protocol: {wrong.protocol.value}",
        f"largest_block: {wrong.largest_block}",
        f"largest_gap: {wrong.largest_gap}",
        *(f"forbidden: [{', '.join(f'{span.table.value} 0x{span.first:04X}-0x{span.last:04X}' for span in wrong.forbidden)}]" for _ in [0]),
        "signals:",
        *(f"  {map_line(signal)}" for signal in wrong.signals),
    ]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path
