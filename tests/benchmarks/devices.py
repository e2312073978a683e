"""Devices for the benchmarks: one process that answers any read of registers on any number of connections, as fast as Python can, with
20 float32 values of a running motor that move a little from one answer to the next."""

from __future__ import annotations

import asyncio
import multiprocessing
import os
import random
import struct
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from typing import cast

import uvloop

from gateway.motors.facts import MotorData, Starter
from gateway.registers.model import ModbusPlace, Protocol, RegisterMap, Signal, Span, Table, WordType
from gateway.registers.roles import ROLES

VALUES = 20
REGISTERS = 2 * VALUES
LEVELS = (
    *(("current", 60.0), ("current_l1", 60.4), ("current_l2", 59.9), ("current_l3", 59.7), ("voltage", 400.0), ("motor_voltage", 399.0)),
    *(("power", 34.0), ("power_factor", 0.86), ("frequency", 50.0), ("speed", 1478.0), ("running_hours", 1234.5)),
    *(("winding_temperature", 81.0), ("ambient_temperature", 24.0), ("thermal_used", 62.0), ("set_flc", 80.0)),
    *(("bearing_de", 51.0), ("bearing_nde", 48.0), ("vibration", 2.1), ("flow", 120.0), ("pressure", 4.2)),
)
_STEADY = frozenset({"set_flc", "running_hours"})
_HEADER = struct.Struct(">HHHBBHH")
_VARIANTS = 64
_NOISE = 0.003
_DIGITS = 1


def device_map() -> RegisterMap:
    """Return the map of these devices: one block of 40 registers."""
    signals = tuple(
        Signal(
            name=name,
            key=name,
            role=name if name in ROLES else None,
            place=ModbusPlace(span=Span(Table.HOLDING, 2 * place, 2 * place + 1), written=f"holding {2 * place}"),
            type=WordType.FLOAT32,
            unit=ROLES[name].unit if name in ROLES else "",
            plausible=(-1e6, 1e6),
        )
        for place, (name, _) in enumerate(LEVELS)
    )
    return RegisterMap(name="twenty-values", protocol=Protocol.MODBUS, signals=signals, timeout_s=5.0)


def starter(number: int) -> Starter:
    """Return one of the motors behind them."""
    motor = MotorData(rated_power_kw=45.0, rated_voltage_v=400.0, flc_a=80.0, cold_stall_s=30.0, hot_stall_s=18.0)
    return Starter(name=f"M-{number:05d}", motor=motor)


def payloads(seed: int) -> list[bytes]:
    """Return the register bytes of some moments of a motor that runs at about the same load, in tenths as instruments give them."""
    draw = random.Random(seed)
    moments = []
    for _ in range(_VARIANTS):
        values = [level if name in _STEADY else round(level * (1 + draw.gauss(0, _NOISE)), _DIGITS) for name, level in LEVELS]
        moments.append(struct.pack(f">{VALUES}f", *values))
    return moments


class _Device(asyncio.Protocol):
    def __init__(self, moments: list[bytes]) -> None:
        self._moments = moments
        self._turn = random.randrange(_VARIANTS)
        self._transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast("asyncio.Transport", transport)

    def data_received(self, data: bytes) -> None:
        transaction, _, _, unit, function, first, count = _HEADER.unpack_from(data)
        self._turn = (self._turn + 1) % _VARIANTS
        body = self._moments[self._turn][2 * first : 2 * (first + count)]
        if self._transport is not None:
            self._transport.write(struct.pack(">HHHBBB", transaction, 0, 3 + len(body), unit, function, len(body)) + body)


def _serve(news: Connection, seed: int, core: int | None) -> None:
    if core is not None:
        os.sched_setaffinity(0, {core})

    async def serve() -> None:
        loop, moments = asyncio.get_running_loop(), payloads(seed)
        server = await loop.create_server(lambda: _Device(moments), "127.0.0.1", 0, backlog=4096)
        news.send(server.sockets[0].getsockname()[1])
        await loop.run_in_executor(None, news.recv)
        server.close()

    uvloop.run(serve())


@dataclass(frozen=True, slots=True)
class Devices:
    """Where the devices answer, and the process in which they live."""

    port: int
    process_id: int
    begin_s: float
    begin_cpu_s: float

    @property
    def cpu_share(self) -> float:
        """Return how much of its core that process has needed so far."""
        return (_cpu_s(self.process_id) - self.begin_cpu_s) / (time.monotonic() - self.begin_s)


def _cpu_s(process_id: int) -> float:
    fields = Path(f"/proc/{process_id}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


@contextmanager
def devices(seed: int = 1) -> Iterator[Devices]:
    """Yield the devices, in a process of their own."""
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe()
    process = context.Process(target=_serve, args=(theirs, seed, cores()[0]), daemon=True)
    process.start()
    theirs.close()
    try:
        port = ours.recv()
        yield Devices(port, process.pid or 0, time.monotonic(), _cpu_s(process.pid or 0))
    finally:
        ours.send("end")
        process.join(10)


def cores() -> tuple[int | None, int | None]:
    """Return a core for the devices and one for what is measured, None where there is only one."""
    found = sorted(os.sched_getaffinity(0))
    return (found[0], found[1]) if len(found) > 1 else (None, None)
