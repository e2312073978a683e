"""A Modbus TCP server for simulated devices: several units behind one address, every fault of `faults`, and a record of what was asked.

Replies follow the Modbus Application Protocol V1.1b3 (function codes 1 to 4 and the order of checks in their state diagrams) and the Modbus
Messaging on TCP/IP Implementation Guide V1.0b. `framing` chooses Modbus TCP or RTU frames over TCP. Nothing can be written but at the
places of a unit's `CommandDesk`, if it has one: any other function code is answered "illegal function". Every request that does not read
is counted.
"""

from __future__ import annotations

import asyncio
import socket
import struct
from array import array
from collections.abc import Callable, Mapping
from functools import partial
from typing import Protocol, cast

from gateway.errors import ServeError
from gateway.registers.model import Table
from simulators.commands import WRITES, CommandDesk, answer_write
from simulators.faults import FaultSwitch, ReplyFault, Trouble, spoiled
from simulators.framing import Framing, rtu_frame, split_rtu, split_tcp, tcp_frame
from simulators.traffic import READS, Traffic

_TABLES = {table.function_code: table for table in Table}
_REQUEST = struct.Struct(">HH")
_MOST_WAITING = 256
ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE, DEVICE_FAILURE, NO_TARGET = 1, 2, 3, 4, 11


class Unit(Protocol):
    """One device behind the server, as the server needs it."""

    @property
    def answers(self) -> bool:
        """False while the device is off or restarting: requests stay without a reply."""
        ...

    @property
    def largest_block(self) -> int:
        """Registers that one request may ask for."""
        ...

    @property
    def largest_bit_block(self) -> int:
        """Bits that one request may ask for."""
        ...

    def read(self, table: Table, first: int, count: int) -> array[int] | None:
        """Return the words (or bits) as they are now, None when the device refuses an address among them."""
        ...


class ModbusServer:
    """Serves units on one address.

    port: 0 takes a free one, see `port` after `start`.
    turnaround_s: time that the serial bus behind this address needs for one request; units take turns on it. 0 for a device on the network.
    connection_limit: further connections are closed at once, as small devices do.
    silent_unknown: a request to a unit that is not there stays without reply; else the reply is exception 11 (gateway target device).
    desks: what can be written, by unit.
    """

    def __init__(
        self,
        units: Mapping[int, Unit],
        *,
        host: str = "127.0.0.1",
        port: int = 0,
        turnaround_s: float = 0.0,
        connection_limit: int | None = None,
        silent_unknown: bool = False,
        faults: FaultSwitch | None = None,
        keep_frames: int = 1000,
        framing: Framing = Framing.TCP,
        desks: Mapping[int, CommandDesk] | None = None,
    ) -> None:
        self.units = dict(units)
        self.host = host
        self.port = port
        self.turnaround_s = turnaround_s
        self.connection_limit = connection_limit
        self.silent_unknown = silent_unknown
        self.faults = faults if faults is not None else FaultSwitch()
        self.traffic = Traffic(keep_frames)
        self.framing = framing
        self.desks = dict(desks or {})
        self.connections: set[_Connection] = set()
        self.bus_free_at = 0.0
        """Monotonic time of the loop at which the serial bus is free again."""
        self._listener: asyncio.Server | None = None
        self._all_gone = asyncio.Event()
        self._all_gone.set()

    async def start(self) -> None:
        """Listen. Raises ServeError when the address is taken or not permitted."""
        if self._listener is not None:
            return
        loop = asyncio.get_running_loop()
        try:
            self._listener = await loop.create_server(lambda: _Connection(self), self.host, self.port, backlog=1024)
        except OSError as error:
            raise ServeError(f"cannot serve a simulated device on {self.host}:{self.port}: {error.strerror or error}") from error
        self.port = self._listener.sockets[0].getsockname()[1]

    async def refuse(self) -> None:
        """Stop listening, so that new connections are refused, and cut the standing ones; `start` listens again on the same port."""
        listener, self._listener = self._listener, None
        if listener is not None:
            listener.close()
        await self.cut()

    async def cut(self) -> None:
        """Reset every connection, as when a cable is pulled at the device, and wait until each is gone."""
        for connection in tuple(self.connections):
            connection.abort()
        await self._all_gone.wait()

    async def wait_until_left_alone(self) -> None:
        """Return when no client is connected any more."""
        await self._all_gone.wait()

    async def stop(self) -> None:
        """End the server; nothing is left behind. Safe to call twice."""
        await self.refuse()

    async def __aenter__(self) -> ModbusServer:
        await self.start()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.stop()

    def joined(self, connection: _Connection) -> None:
        """Count a connection in."""
        self.traffic.connections += 1
        self.connections.add(connection)
        self._all_gone.clear()

    def left(self, connection: _Connection) -> None:
        """Count a connection out."""
        self.connections.discard(connection)
        if not self.connections:
            self._all_gone.set()

    def answer(self, unit_id: int, pdu: bytes) -> bytes | None:
        """Return the reply to one request (protocol data units), None for silence."""
        function = pdu[0]
        unit = self.units.get(unit_id)
        if unit is None:
            return None if self.silent_unknown else bytes((function | 0x80, NO_TARGET))
        if not unit.answers:
            return None
        if function in WRITES and unit_id in self.desks:
            return answer_write(self.desks[unit_id], pdu)
        if function not in READS:
            return bytes((function | 0x80, ILLEGAL_FUNCTION))
        table = _TABLES[function]
        if len(pdu) != 5:
            return bytes((function | 0x80, ILLEGAL_VALUE))
        first, count = _REQUEST.unpack_from(pdu, 1)
        if not 0 < count <= (unit.largest_bit_block if table.holds_bits else unit.largest_block):
            return bytes((function | 0x80, ILLEGAL_VALUE))
        words = unit.read(table, first, count)
        if words is None:
            return bytes((function | 0x80, ILLEGAL_ADDRESS))
        data = _packed_bits(words) if table.holds_bits else _packed_words(words)
        return bytes((function, len(data))) + data


def _packed_words(words: array[int]) -> bytes:
    return struct.pack(f">{len(words)}H", *words)


def _packed_bits(bits: array[int]) -> bytes:
    number = 0
    for index, bit in enumerate(bits):
        if bit:
            number |= 1 << index
    return number.to_bytes((len(bits) + 7) // 8, "little")


class _Connection(asyncio.Protocol):
    """One client."""

    def __init__(self, server: ModbusServer) -> None:
        self._server = server
        self._buffer = b""
        self._transport: asyncio.Transport | None = None
        self._loop = asyncio.get_running_loop()
        self._timers: dict[int, asyncio.TimerHandle] = {}
        self._timers_made = 0
        self._free_at = 0.0

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        # cast: the transports of other event loops do not derive from asyncio.Transport.
        self._transport = cast(asyncio.Transport, transport)
        server = self._server
        if server.connection_limit is not None and len(server.connections) >= server.connection_limit:
            server.traffic.turned_away += 1
            self._transport.abort()
            return
        server.joined(self)

    def connection_lost(self, exc: Exception | None) -> None:
        self._server.left(self)
        for timer in self._timers.values():
            timer.cancel()
        self._timers.clear()
        self._transport = None

    def abort(self) -> None:
        """Reset the connection."""
        if self._transport is not None:
            self._transport.abort()

    def data_received(self, data: bytes) -> None:
        stream = self._buffer + data if self._buffer else data
        split = split_rtu(stream) if self._server.framing is Framing.RTU else split_tcp(stream)
        self._buffer = split.rest
        for request in split.requests:
            self._request(*request)
        self._server.traffic.malformed += split.thrown + split.broken
        if split.broken:
            self.abort()

    def _request(self, transaction: int, unit: int, pdu: bytes) -> None:
        server = self._server
        server.traffic.note(unit, pdu)
        trouble = None if server.faults.is_quiet else server.faults.draw(unit)
        if server.turnaround_s == 0 and trouble is None and not self._timers:
            self._reply(transaction, unit, pdu, None)
            return
        if len(self._timers) >= _MOST_WAITING:
            self.abort()
            return
        due = max(self._loop.time(), self._free_at)
        if server.turnaround_s > 0:
            due = max(due, server.bus_free_at) + server.turnaround_s
            server.bus_free_at = due
        if trouble is not None and trouble.kind is ReplyFault.LATE:
            due += trouble.delay_s
        self._free_at = due
        self._later(due, lambda: self._reply(transaction, unit, pdu, trouble))

    def _later(self, due: float, action: Callable[[], None]) -> None:
        self._timers_made += 1
        key = self._timers_made

        def run() -> None:
            self._timers.pop(key, None)
            action()

        self._timers[key] = self._loop.call_at(due, run)

    def _reply(self, transaction: int, unit: int, pdu: bytes, trouble: Trouble | None) -> None:
        answer = self._server.answer(unit, pdu)
        if answer is None:
            return
        if trouble is not None:
            self._send_spoiled(self._spoiled(tcp_frame(transaction, unit, answer), trouble), trouble)
        elif self._server.framing is Framing.RTU:
            self._write(rtu_frame(unit, answer))
        else:
            self._write(tcp_frame(transaction, unit, answer))

    def _spoiled(self, frame: bytes, trouble: Trouble) -> bytes:
        frame = spoiled(frame, trouble, self._server.faults.random)
        if self._server.framing is Framing.TCP or trouble.kind is ReplyFault.GARBAGE:
            return frame
        frame = rtu_frame(frame[6], frame[7:])
        return frame[:-1] + bytes((frame[-1] ^ 0xFF,)) if trouble.kind is ReplyFault.CRC else frame

    def _send_spoiled(self, frame: bytes, trouble: Trouble) -> None:
        match trouble.kind:
            case ReplyFault.SILENCE:
                return
            case ReplyFault.CLOSE:
                if self._transport is not None:
                    self._transport.close()
            case ReplyFault.RESET:
                self._reset()
            case ReplyFault.CUT:
                half = len(frame) // 2
                self._write(frame[:half])
                if trouble.delay_s > 0:
                    self._free_at = self._loop.time() + trouble.delay_s
                    self._later(self._free_at, lambda: self._write(frame[half:]))
            case ReplyFault.PIECES:
                for index in range(len(frame)):
                    due = self._free_at + index * 0.001
                    self._later(due, partial(self._write, frame[index : index + 1]))
                self._free_at += len(frame) * 0.001
            case _:
                self._write(frame)

    def _reset(self) -> None:
        # A linger time of 0 makes the kernel send a reset instead of an orderly end.
        if self._transport is not None:
            held = self._transport.get_extra_info("socket")
            held.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            self._transport.abort()

    def _write(self, data: bytes) -> None:
        if self._transport is not None and not self._transport.is_closing():
            self._transport.write(data)
