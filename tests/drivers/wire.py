"""A raw Modbus server made of bytes alone, in either framing, to play every fault; it shares no code with the gateway or the simulators.

It keeps what arrived (`requests`), so that every test can show that nothing but reads reached the device.
"""

from __future__ import annotations

import asyncio
import ssl
import struct
from collections.abc import Awaitable, Callable
from contextlib import suppress
from dataclasses import dataclass, field
from types import TracebackType

from tests.read_only import RECORD

READS = {1, 2, 3, 4}


@dataclass(frozen=True)
class Request:
    """One request as it arrived."""

    raw: bytes
    connection: int
    is_rtu: bool = False

    @property
    def transaction_id(self) -> int:
        return 0 if self.is_rtu else int.from_bytes(self.raw[0:2], "big")

    @property
    def body(self) -> bytes:
        """Unit and PDU."""
        return self.raw[:-2] if self.is_rtu else self.raw[6:]

    @property
    def unit(self) -> int:
        return self.body[0]

    @property
    def function(self) -> int:
        return self.body[1]

    @property
    def first(self) -> int:
        return int.from_bytes(self.body[2:4], "big")

    @property
    def count(self) -> int:
        return int.from_bytes(self.body[4:6], "big")


def crc(data: bytes) -> bytes:
    """Return the check sum of serial Modbus bit by bit (Modbus over Serial Line V1.02, 6.2.2), low byte first."""
    register = 0xFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            register = register >> 1 ^ 0xA001 if register & 1 else register >> 1
    return bytes((register & 0xFF, register >> 8))


def rtu_frame(unit: int, pdu: bytes) -> bytes:
    """Return an RTU frame around a PDU."""
    body = bytes([unit]) + pdu
    return body + crc(body)


def frame(transaction_id: int, unit: int, pdu: bytes) -> bytes:
    """Return a Modbus TCP frame around a PDU."""
    return struct.pack(">HHHB", transaction_id, 0, len(pdu) + 1, unit) + pdu


def registers(function: int, words: list[int]) -> bytes:
    """Return the reply PDU of a register read."""
    return struct.pack(f">BB{len(words)}H", function, 2 * len(words), *words)


def truth(request: Request) -> list[int]:
    """Return what every register of the invented device holds: unit and address, so that a foreign reply shows at once."""
    return [(request.unit * 1000 + request.first + place) & 0xFFFF for place in range(request.count)]


def honest(request: Request) -> bytes:
    """Return the right reply."""
    if request.is_rtu:
        return rtu_frame(request.unit, registers(request.function, truth(request)))
    return frame(request.transaction_id, request.unit, registers(request.function, truth(request)))


Play = Callable[[Request, asyncio.StreamWriter], Awaitable[None]]


async def answer_honestly(request: Request, writer: asyncio.StreamWriter) -> None:
    writer.write(honest(request))
    await writer.drain()


def replying(make: Callable[[Request], bytes]) -> Play:
    """Return a play that answers each request with the bytes `make` gives for it."""

    async def play(request: Request, writer: asyncio.StreamWriter) -> None:
        writer.write(make(request))
        await writer.drain()

    return play


async def stay_silent(request: Request, writer: asyncio.StreamWriter) -> None:
    return


@dataclass
class RawServer:
    """Listens on loopback, port 0; `play` decides what each request gets."""

    is_rtu: bool = field(default=False, kw_only=True)
    tls: ssl.SSLContext | None = field(default=None, kw_only=True)
    play: Play = answer_honestly
    requests: list[Request] = field(default_factory=list)
    connections: int = 0
    port: int = 0
    _server: asyncio.Server | None = None
    _tasks: set[asyncio.Task[None]] = field(default_factory=set)
    _writers: set[asyncio.StreamWriter] = field(default_factory=set)

    async def __aenter__(self) -> RawServer:
        await self.listen()
        return self

    async def __aexit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        await self.stop()
        assert {request.function for request in self.requests} <= READS
        assert all(len(request.raw) == (8 if self.is_rtu else 12) for request in self.requests)
        assert all(crc(request.raw[:-2]) == request.raw[-2:] for request in self.requests if self.is_rtu)

    async def listen(self) -> None:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", self.port, ssl=self.tls)
        self.port = self._server.sockets[0].getsockname()[1]

    async def stop(self) -> None:
        if self._server is not None:
            self._server.close()
        self.cut()
        for task in list(self._tasks):
            task.cancel()
            with suppress(asyncio.CancelledError):
                await task
        self._server = None

    def cut(self) -> None:
        """Reset every connection."""
        for writer in self._writers:
            writer.transport.abort()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        self._writers.add(writer)
        self.connections += 1
        number = self.connections
        try:
            while True:
                if self.is_rtu:
                    raw = await reader.readexactly(8)
                else:
                    head = await reader.readexactly(6)
                    raw = head + await reader.readexactly(int.from_bytes(head[4:6], "big"))
                request = Request(raw, number, self.is_rtu)
                self.requests.append(request)
                RECORD.note_modbus(request.unit, request.body[1:])
                await self.play(request, writer)
        except (asyncio.IncompleteReadError, ConnectionError, asyncio.CancelledError):
            pass
        finally:
            self._tasks.discard(task)
            self._writers.discard(writer)
            writer.close()


async def wait_until(condition: Callable[[], bool]) -> None:
    """Return once the condition holds; fails after 10 s."""
    for _ in range(5_000):
        if condition():
            return
        await asyncio.sleep(0.002)
    raise AssertionError("waited 10 s in vain")
