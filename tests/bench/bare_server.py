"""A Modbus server of a hundred lines on bare asyncio streams, written from the protocol's text: no library, no code of the product.

MODBUS Application Protocol V1.1b3 (functions 1 to 4, exceptions 1 to 3), Messaging on TCP/IP V1.0b, Serial Line V1.02 (check sum).
"""

from __future__ import annotations

import asyncio
import contextlib
import ssl
import struct
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field


@dataclass
class BareServer:
    """Answers reads. answer: (unit, function, first, count) to words, an exception code, or None for silence.

    functions: how often each function code was asked; refused: connections turned away over `most_connections`.
    """

    answer: Callable[[int, int, int, int], list[int] | int | None]
    is_rtu: bool = False
    most_connections: int = 1000
    most_words: int = 125
    functions: dict[int, int] = field(default_factory=dict)
    refused: int = 0
    open_now: int = 0
    port: int = 0

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Answer one connection until it ends."""
        if self.open_now >= self.most_connections:
            self.refused += 1
            writer.close()
            return
        self.open_now += 1
        try:
            while True:
                head = b"" if self.is_rtu else await reader.readexactly(6)
                body = await reader.readexactly(6)
                if self.is_rtu:
                    assert struct.unpack("<H", await reader.readexactly(2))[0] == check_sum(body)
                reply = self._reply(body)
                if reply is None:
                    continue
                sent = reply + struct.pack("<H", check_sum(reply)) if self.is_rtu else head[:4] + struct.pack(">H", len(reply)) + reply
                writer.write(sent)
                await writer.drain()
        except (asyncio.IncompleteReadError, ConnectionError):
            pass
        finally:
            self.open_now -= 1
            writer.close()

    def _reply(self, body: bytes) -> bytes | None:
        unit, function, first, count = struct.unpack(">BBHH", body)
        self.functions[function] = self.functions.get(function, 0) + 1
        found = self.answer(unit, function, first, count) if count <= (2000 if function < 3 else self.most_words) else 3
        if found is None:
            return None
        if isinstance(found, int):
            return bytes([unit, function | 0x80, found])
        if function < 3:
            packed = sum(bit << place for place, bit in enumerate(found)).to_bytes((count + 7) // 8, "little")
        else:
            packed = struct.pack(f">{count}H", *found)
        return bytes([unit, function, len(packed)]) + packed


def check_sum(frame: bytes) -> int:
    """Return the check sum of a serial frame (Serial Line V1.02, 6.2.2)."""
    register = 0xFFFF
    for octet in frame:
        register ^= octet
        for _ in range(8):
            register = (register >> 1) ^ 0xA001 if register & 1 else register >> 1
    return register


@contextlib.asynccontextmanager
async def bare(server: BareServer, tls: ssl.SSLContext | None = None) -> AsyncIterator[BareServer]:
    """Serve on loopback; only reads may have come."""
    listening = await asyncio.start_server(server.serve, "127.0.0.1", 0, ssl=tls)
    server.port = listening.sockets[0].getsockname()[1]
    try:
        yield server
        for _ in range(100):
            if not server.open_now:
                break
            await asyncio.sleep(0.01)
    finally:
        listening.close()
        await listening.wait_closed()
    assert set(server.functions) <= {1, 2, 3, 4}
