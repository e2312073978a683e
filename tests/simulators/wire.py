"""A bare client for tests of the simulated devices: bytes out, bytes in."""

from __future__ import annotations

import asyncio
import struct
from array import array
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from gateway.registers.model import Table
from simulators.modbus import ModbusServer


class Bank:
    """A unit whose registers are set by hand; addresses beyond `size` are refused."""

    def __init__(self, size: int = 200, *, largest_block: int = 125, largest_bit_block: int = 2000) -> None:
        self.cells = {table: array("H", bytes(2 * size)) for table in Table}
        self.largest_block = largest_block
        self.largest_bit_block = largest_bit_block
        self.answers = True

    def read(self, table: Table, first: int, count: int) -> array[int] | None:
        words = self.cells[table][first : first + count]
        return words if len(words) == count else None


class Wire:
    """One connection."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.reader, self.writer = reader, writer
        self.transaction = 0

    async def ask(self, pdu: bytes, unit: int = 1) -> bytes:
        """Return the protocol data unit of the reply, header checked."""
        frame = await self.ask_frame(pdu, unit)
        assert frame[:2] == self.transaction.to_bytes(2, "big")
        assert frame[2:4] == b"\0\0"
        assert frame[6] == unit
        return frame[7:]

    async def ask_frame(self, pdu: bytes, unit: int = 1) -> bytes:
        """Return the whole reply frame, whatever it says."""
        self.send(pdu, unit)
        return await self.frame()

    def send(self, pdu: bytes, unit: int = 1) -> None:
        self.transaction += 1
        self.writer.write(struct.pack(">HHHB", self.transaction, 0, len(pdu) + 1, unit) + pdu)

    async def frame(self) -> bytes:
        head = await asyncio.wait_for(self.reader.readexactly(6), 5)
        return head + await asyncio.wait_for(self.reader.readexactly(int.from_bytes(head[4:6], "big")), 5)

    async def is_silent(self, wait_s: float = 0.05) -> bool:
        """True when nothing comes within the time."""
        try:
            await asyncio.wait_for(self.reader.readexactly(1), wait_s)
        except TimeoutError:
            return True
        return False

    async def close(self) -> None:
        self.writer.close()
        try:
            await self.writer.wait_closed()
        except ConnectionError:
            pass


@asynccontextmanager
async def wire_to(server: ModbusServer) -> AsyncIterator[Wire]:
    """Connect to a server, and close afterwards."""
    wire = Wire(*await asyncio.open_connection(server.host, server.port))
    try:
        yield wire
    finally:
        await wire.close()


def read_request(function: int, first: int, count: int) -> bytes:
    return struct.pack(">BHH", function, first, count)
