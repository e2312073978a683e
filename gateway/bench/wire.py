"""The bench's own way to a device: one gentle reader that keeps every exchange.

Modbus only, read only (the driver's guard stands in its send path). Requests come one at a time and never faster than the rate that was
announced; after a fault that makes the next reply doubtful it connects anew, and after several in a row it gives up.
"""

from __future__ import annotations

import ssl
from collections.abc import Callable, Iterable
from dataclasses import replace

from gateway.bench.exchange import Exchange
from gateway.clock import Clock
from gateway.drivers.frame_tap import TappedConnection
from gateway.drivers.modbus_connection import Answer
from gateway.registers.model import Span
from gateway.site import Framing

GENTLE_RATE = 5.0
"""Requests a second that any device on a network takes."""
MOST_BREAKS = 3
"""Broken connections in a row after which the device is left alone."""


class DeviceLostError(Exception):
    """The device cannot be reached, or breaks every connection; the text says why."""


class BenchWire:
    """Asks one unit.

    rate: requests a second at most. keep: told of every exchange as it ends (a recorder).
    tls: settings of an encrypted connection, None for a plain one; tls_name: name that the device's certificate must have.
    exchanges: everything asked so far, in order.
    """

    def __init__(
        self,
        host: str,
        port: int,
        unit: int,
        clock: Clock,
        *,
        timeout_s: float = 1.0,
        rate: float = GENTLE_RATE,
        answers_id_zero: bool = False,
        framing: Framing = Framing.TCP,
        keep: Callable[[Exchange], None] | None = None,
        tls: ssl.SSLContext | None = None,
        tls_name: str = "",
    ) -> None:
        self.host, self.port, self.unit = host, port, unit
        self.rate = rate
        self.exchanges: list[Exchange] = []
        self._clock, self._timeout_s, self._id_zero, self._keep = clock, timeout_s, answers_id_zero, keep
        self.framing, self._tls, self._tls_name = framing, tls, tls_name
        self._connection: TappedConnection | None = None
        self._next_at_s = 0.0
        self._breaks = 0
        self._next_id = 1

    @property
    def where(self) -> str:
        """Address and unit as shown to people."""
        return f"{self.host}:{self.port} unit {self.unit}"

    async def ask(self, span: Span, unit: int | None = None) -> Exchange:
        """Read one span; raises DeviceLostError when the device cannot be reached or broke too many connections."""
        connection = await self._connected()
        await self._wait()
        began_s = self._clock.monotonic()
        asked = self.unit if unit is None else unit
        result = await connection.ask(span, asked, timeout_s=self._timeout_s, id_zero=self._id_zero)
        self._next_id = connection.next_id
        took_s = self._clock.monotonic() - began_s
        bare = Exchange(
            at=self._clock.now(),
            unit=asked,
            span=span,
            sent=connection.last_sent,
            received=connection.last_received,
            round_trip_s=took_s,
            framing=self.framing.value,
        )
        if isinstance(result, Answer):
            self._breaks = 0
            exchange = replace(bare, at=result.arrived_at, words=tuple(result.words))
        else:
            self._breaks = self._breaks + 1 if result.fault.breaks_link else 0
            exchange = replace(bare, fault=result.fault.text, fault_kind=result.fault.kind.value, code=result.code)
        self.exchanges.append(exchange)
        if self._keep is not None:
            self._keep(exchange)
        return exchange

    def forgive(self) -> None:
        """Forget broken connections: the next request goes to another unit, or is one that the device may not take."""
        self._breaks = 0

    async def ask_all(self, spans: Iterable[Span]) -> list[Exchange]:
        """Read several spans in turn."""
        return [await self.ask(span) for span in spans]

    async def close(self) -> None:
        """Close; safe to call twice."""
        if self._connection is not None:
            self._connection.close()
            self._connection = None
            # The loop frees the socket on its next turn.
            await self._clock.sleep(0)

    def connection(self, first_id: int) -> TappedConnection:
        """Return a connection of the same kind that is not open yet."""
        return TappedConnection(self.host, self.port, self._clock, first_id, framing=self.framing, tls=self._tls, tls_name=self._tls_name)

    async def _connected(self) -> TappedConnection:
        if self._connection is not None and self._connection.is_open:
            return self._connection
        if self._breaks >= MOST_BREAKS:
            last = self.exchanges[-1].fault
            text = f"{MOST_BREAKS} requests in a row broke the connection, the device is left alone; last: {last}"
            raise DeviceLostError(f"{self.where}: {text}")
        await self.close()
        connection = self.connection(self._next_id)
        fault = await connection.open(max(self._timeout_s, 1.0))
        if fault is not None:
            connection.close()
            await self._clock.sleep(0)
            raise DeviceLostError(f"{self.host}:{self.port}: {fault.text}")
        self._connection = connection
        return connection

    async def _wait(self) -> None:
        now_s = self._clock.monotonic()
        if self._next_at_s > now_s:
            await self._clock.sleep(self._next_at_s - now_s)
        self._next_at_s = max(now_s, self._next_at_s) + 1.0 / self.rate
