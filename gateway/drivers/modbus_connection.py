"""One Modbus connection in either framing, plain or encrypted, and the only importer of pymodbus.

pymodbus frames the requests and keeps the socket; what it does not check is done here, in its packet hook, on the raw bytes: every outgoing
frame passes `guard`, every incoming one `replies`, and only the exact reply is let through to the library. Its own retries and
reconnecting are off: after a retry one reply too many stays in the pipe and every later value is shifted by one request.
"""

from __future__ import annotations

import asyncio
import logging
import ssl
from collections.abc import Sequence
from dataclasses import dataclass
from typing import cast

from pymodbus.client import AsyncModbusTcpClient
from pymodbus.exceptions import ModbusException
from pymodbus.framer import FramerType
from pymodbus.pdu import ModbusPDU

from gateway.clock import Clock
from gateway.drivers.base import Fault, FaultKind
from gateway.drivers.guard import check_outgoing, check_outgoing_rtu
from gateway.drivers.replies import Asked, Data, check_reply, cut_short, exception_code, words_of
from gateway.drivers.rtu_replies import check_rtu_reply
from gateway.drivers.sockets import connect_fault, connect_socket
from gateway.drivers.tls import tls_fault
from gateway.instants import Instant
from gateway.registers.model import Span, Table
from gateway.site import Framing

# The library logs every timeout at ERROR with the last frames; this program reports each fault itself, once and in its own words.
logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL)

_LAST_ID = 65000
_LARGEST_BURST = 1 << 20
"""Above it the library would drop what it received without telling the hook, and a flood would look like silence."""


class BlockedRequestError(Exception):
    """The guard stopped a frame; raised inside the library's send path, never leaves this module."""


class _ReplyFaultError(Exception):
    """Ends the library's wait for a reply at once; never leaves this module."""

    def __init__(self, fault: Fault) -> None:
        super().__init__(fault.text)
        self.fault = fault


class _Payload(ModbusPDU):
    """A checked reply as the library hands it back: bytes, left to the project's own decoder."""

    rtu_byte_count_pos = 2

    def decode(self, data: bytes) -> None:
        self.payload = data[1:]

    def __str__(self) -> str:
        # The library formats every reply for its log even when the log is off.
        return "reply"


class _CoilPayload(_Payload):
    function_code = Table.COIL.function_code


class _DiscretePayload(_Payload):
    function_code = Table.DISCRETE.function_code


class _HoldingPayload(_Payload):
    function_code = Table.HOLDING.function_code


class _InputPayload(_Payload):
    function_code = Table.INPUT.function_code


@dataclass(frozen=True, slots=True)
class Answer:
    """The words of one request and the moment its reply arrived."""

    words: Sequence[int]
    arrived_at: Instant


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why a request brought no words; `code` is set for an exception reply."""

    fault: Fault
    code: int | None = None


class ModbusConnection:
    """One TCP connection with one request on its way at a time. Made for one open; never opened again once closed.

    first_id: the transaction id to begin with; `next_id` carries on from it, so that neighbouring connections never use the same ids.
    tls: settings for an encrypted connection, None for a plain one; tls_name: the name that the device's certificate must have.
    """

    def __init__(
        self,
        host: str,
        port: int,
        clock: Clock,
        first_id: int = 1,
        *,
        framing: Framing = Framing.TCP,
        tls: ssl.SSLContext | None = None,
        tls_name: str = "",
    ) -> None:
        self._host, self._port, self._clock = host, port, clock
        self._framing, self._tls, self._tls_name = framing, tls, tls_name or host
        self._is_rtu = framing is Framing.RTU
        self._client = AsyncModbusTcpClient(
            host,
            framer=FramerType.RTU if self._is_rtu else FramerType.SOCKET,
            port=port,
            retries=0,
            reconnect_delay=0,
            trace_packet=self._on_packet,
            trace_connect=self._on_connect,
        )
        for reply in (_CoilPayload, _DiscretePayload, _HoldingPayload, _InputPayload):
            self._client.register(reply)
        self._client.ctx.max_buffer_size = _LARGEST_BURST
        self._asked: Asked | None = None
        self._received = b""
        self._arrived_at: Instant = 0
        self._first_id = first_id
        self._is_draining = False
        self._has_answered = False
        self.fault: Fault | None = None

    @property
    def is_open(self) -> bool:
        """True while requests can be sent."""
        return self._client.connected

    @property
    def next_id(self) -> int:
        """The transaction id that the next request will use; always 0 in RTU framing, which has none."""
        if self._is_rtu:
            return 0
        last: int = self._client.ctx.next_tid
        return 1 if last >= _LAST_ID else last + 1

    async def open(self, timeout_s: float) -> Fault | None:
        """Connect once; return why it failed."""
        loop, protocol, is_reached = asyncio.get_running_loop(), self._client.ctx, False
        try:
            async with asyncio.timeout(timeout_s):
                sock = await connect_socket(self._host, self._port)
                is_reached = self._tls is not None
                name = None if self._tls is None else self._tls_name
                await loop.create_connection(lambda: protocol, sock=sock, ssl=self._tls, server_hostname=name)
        except OSError as error:
            if is_reached and not isinstance(error, TimeoutError):
                self.fault = tls_fault(error, self._host, self._tls_name)
            else:
                self.fault = connect_fault(error, self._host, self._port, timeout_s)
            return self.fault
        protocol.next_tid = self._first_id - 1
        return None

    @property
    def peer_certificate(self) -> bytes | None:
        """The device's certificate in DER, None on a plain connection."""
        transport = self._client.ctx.transport
        secured = None if transport is None else transport.get_extra_info("ssl_object")
        found: bytes | None = None if secured is None else secured.getpeercert(binary_form=True)
        return found

    async def drain(self, duration_s: float) -> None:
        """Let replies that are still on their way to an earlier request come in and be thrown away, for so long."""
        self._is_draining = True
        try:
            await self._clock.sleep(duration_s)
        finally:
            self._is_draining = False

    async def ask(self, span: Span, unit: int, *, timeout_s: float, id_zero: bool = False) -> Answer | Refusal:
        """Read one span from one unit. Every fault that makes the next reply doubtful closes the connection; so does cancelling."""
        if not self.is_open:
            return Refusal(self._closed_fault())
        self._asked = asked = Asked(self.next_id, unit, span.table.function_code, span.first, span.count, id_zero)
        self._received = b""
        self._client.ctx.comm_params.timeout_connect = timeout_s
        try:
            reply = await self._read(span, unit)
        except _ReplyFaultError as stopped:
            return self._refused(stopped.fault)
        except BlockedRequestError as blocked:
            text = f"a request was stopped before it left: {blocked}; this is a mistake in the program, report it"
            return self._refused(Fault(kind=FaultKind.BLOCKED, text=text, breaks_link=True))
        except ModbusException:
            return self._refused(self.fault or cut_short(self._received, timeout_s))
        except asyncio.CancelledError:
            self.close()
            raise
        finally:
            self._asked = None
        if not isinstance(reply, _Payload):
            return self._refused(Fault(kind=FaultKind.GARBAGE, text="the library handed back no reply of ours", breaks_link=True))
        return Answer(words_of(asked, reply.payload), self._arrived_at)

    async def _read(self, span: Span, unit: int) -> ModbusPDU:
        match span.table:
            case Table.COIL:
                return await self._client.read_coils(span.first, count=span.count, device_id=unit)
            case Table.DISCRETE:
                return await self._client.read_discrete_inputs(span.first, count=span.count, device_id=unit)
            case Table.HOLDING:
                return await self._client.read_holding_registers(span.first, count=span.count, device_id=unit)
            case Table.INPUT:
                return await self._client.read_input_registers(span.first, count=span.count, device_id=unit)

    def close(self) -> None:
        """Close at once, without waiting for unsent bytes; safe to call twice."""
        # Neither loop's transport need be of the class the library names, but both can abort.
        transport = cast("asyncio.Transport | None", self._client.ctx.transport)
        self._client.close()
        if transport is not None:
            transport.abort()

    def _refused(self, fault: Fault) -> Refusal:
        if fault.breaks_link:
            self.fault = self.fault or fault
            self.close()
        code = self._received[2] if self._is_rtu and len(self._received) > 2 else exception_code(self._received)
        return Refusal(fault, code if fault.kind is FaultKind.EXCEPTION else None)

    def _closed_fault(self) -> Fault:
        return self.fault or Fault(kind=FaultKind.CLOSED, text="the connection is closed", breaks_link=True)

    def _on_packet(self, sending: bool, data: bytes) -> bytes:
        if sending:
            reason = check_outgoing_rtu(data) if self._is_rtu else check_outgoing(data)
            if reason is not None:
                raise BlockedRequestError(reason)
            return data
        self._received = data
        if self._is_draining:
            return b""
        if self._asked is None:
            text = f"{len(data)} bytes arrived that nobody asked for: the device or a bridge repeats or delays its replies"
            self._stop(Fault(kind=FaultKind.GARBAGE, text=text, breaks_link=True))
            return b""
        checked = check_rtu_reply(self._asked, data) if self._is_rtu else check_reply(self._asked, data)
        if isinstance(checked, Data):
            self._arrived_at = self._clock.now()
            # Whatever follows before the next request is not an answer to anything.
            self._asked = None
            self._has_answered = True
            return data
        if checked is not None and not checked.breaks_link:
            self._has_answered = True
        if checked is not None:
            self._stop(checked)
        return b""

    def _on_connect(self, connected: bool) -> None:
        if not connected:
            text = "the device closed the connection: it restarted, has too many clients, or the network broke"
            if not self._has_answered:
                text = (
                    "the device accepts the connection and closes it without an answer: it has too many clients already "
                    "(another gateway, PLC or test tool), or does not take this address"
                )
            if self._tls is not None and not self._has_answered:
                text += ", or does not accept the gateway's certificate"
            self._stop(Fault(kind=FaultKind.CLOSED, text=text, breaks_link=True))

    def _stop(self, fault: Fault) -> None:
        """End the wait for a reply now; close when the next reply could be doubtful."""
        self._asked = None
        if fault.breaks_link:
            self.fault = self.fault or fault
        waiting = self._client.ctx.response_future
        if not waiting.done():
            waiting.set_exception(_ReplyFaultError(fault))
            # Marks the exception as seen: when nobody waits any more its loss is no news.
            waiting.exception()
        if fault.breaks_link:
            self.close()
