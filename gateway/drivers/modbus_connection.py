"""One Modbus connection in either framing, plain or encrypted, and the only importer of pymodbus.

pymodbus makes the requests. What it does not check is done here, on the raw bytes: every outgoing frame passes `guard` (in
`modbus_wire`), every incoming one `replies`, and only the exact reply becomes words. The library's own client is not used: it retries
and reconnects by itself, and after a retry one reply too many stays in the pipe and every later value is shifted by one request.
"""

from __future__ import annotations

import asyncio
import functools
import ssl
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from pymodbus.framer import FramerRTU, FramerSocket
from pymodbus.pdu import DecodePDU, ModbusPDU
from pymodbus.pdu.bit_message import ReadCoilsRequest, ReadDiscreteInputsRequest
from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, ReadInputRegistersRequest

from gateway.clock import Clock
from gateway.drivers.base import Fault, FaultKind
from gateway.drivers.guard import check_outgoing, check_outgoing_rtu
from gateway.drivers.modbus_wire import BlockedRequestError, Wire
from gateway.drivers.replies import Asked, Data, check_reply, cut_short, exception_code, words_of
from gateway.drivers.rtu_replies import check_rtu_reply
from gateway.drivers.sockets import connect_fault, connect_socket
from gateway.drivers.tls import tls_fault
from gateway.instants import Instant
from gateway.registers.model import Span, Table
from gateway.site import Framing

_LAST_ID = 65000
_ID_BYTES = 2
_REQUESTS: dict[Table, type[ModbusPDU]] = {
    Table.COIL: ReadCoilsRequest,
    Table.DISCRETE: ReadDiscreteInputsRequest,
    Table.HOLDING: ReadHoldingRegistersRequest,
    Table.INPUT: ReadInputRegistersRequest,
}


@functools.lru_cache(maxsize=65536)
def request_frame(span: Span, unit: int, framing: Framing) -> bytes:
    """Return the request for a span as it goes on the wire, with transaction id 0.

    >>> request_frame(Span(Table.HOLDING, 107, 109), 17, Framing.TCP).hex(" ")
    '00 00 00 00 00 06 11 03 00 6b 00 03'
    """
    request = _REQUESTS[span.table](address=span.first, count=span.count, dev_id=unit)
    framer = FramerRTU if framing is Framing.RTU else FramerSocket
    return framer(DecodePDU(is_server=False)).buildFrame(request)


class Answer(NamedTuple):
    """The words of one request, the moment its reply arrived, and the data bytes that hold them."""

    words: Sequence[int]
    arrived_at: Instant
    data: bytes = b""


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why a request brought no words; `code` is set for an exception reply."""

    fault: Fault
    code: int | None = None


class _ReplyFaultError(Exception):
    """Ends the wait for a reply at once; never leaves this module."""

    def __init__(self, fault: Fault) -> None:
        super().__init__(fault.text)
        self.fault = fault


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
        self._check = check_rtu_reply if self._is_rtu else check_reply
        guard = check_outgoing_rtu if self._is_rtu else check_outgoing
        self._wire = Wire(guard, self._on_received, self._on_lost)
        self._waiting: asyncio.Future[bytes] | None = None
        self._asked: Asked | None = None
        self._received = b""
        self._arrived_at: Instant = 0
        self._last_id = first_id - 1
        self._is_draining = False
        self._has_answered = False
        self.fault: Fault | None = None

    @property
    def is_open(self) -> bool:
        """True while requests can be sent."""
        return self._wire.transport is not None

    @property
    def next_id(self) -> int:
        """The transaction id that the next request will use; always 0 in RTU framing, which has none."""
        if self._is_rtu:
            return 0
        return 1 if self._last_id >= _LAST_ID else self._last_id + 1

    async def open(self, timeout_s: float) -> Fault | None:
        """Connect once; return why it failed."""
        loop, is_reached = asyncio.get_running_loop(), False
        try:
            async with asyncio.timeout(timeout_s):
                sock = await connect_socket(self._host, self._port)
                is_reached = self._tls is not None
                name = None if self._tls is None else self._tls_name
                await loop.create_connection(lambda: self._wire, sock=sock, ssl=self._tls, server_hostname=name)
        except OSError as error:
            if is_reached and not isinstance(error, TimeoutError):
                self.fault = tls_fault(error, self._host, self._tls_name)
            else:
                self.fault = connect_fault(error, self._host, self._port, timeout_s)
            return self.fault
        return None

    @property
    def peer_certificate(self) -> bytes | None:
        """The device's certificate in DER, None on a plain connection."""
        transport = self._wire.transport
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
        loop = asyncio.get_running_loop()
        self._waiting = waiting = loop.create_future()
        timer = loop.call_later(timeout_s, self._time_out, timeout_s)
        try:
            self._put(request_frame(span, unit, self._framing))
            data = await waiting
            return Answer(words_of(asked, data), self._arrived_at, data)
        except _ReplyFaultError as stopped:
            return self._refused(stopped.fault)
        except BlockedRequestError as blocked:
            text = f"a request was stopped before it left: {blocked}; this is a mistake in the program, report it"
            return self._refused(Fault(kind=FaultKind.BLOCKED, text=text, breaks_link=True))
        except asyncio.CancelledError:
            self.close()
            raise
        finally:
            timer.cancel()
            self._asked = self._waiting = None

    def _put(self, frame: bytes) -> bytes:
        """Put a frame on the wire under the next transaction id; return it as it left."""
        if not self._is_rtu:
            self._last_id = self.next_id
            frame = self._last_id.to_bytes(_ID_BYTES, "big") + frame[_ID_BYTES:]
        self._wire.ask(frame)
        return frame

    def _time_out(self, timeout_s: float) -> None:
        self._stop(cut_short(self._received, timeout_s))

    def close(self) -> None:
        """Close at once, without waiting for unsent bytes; safe to call twice."""
        self._wire.close()

    def _refused(self, fault: Fault) -> Refusal:
        if fault.breaks_link:
            self.fault = self.fault or fault
            self.close()
        code = self._received[2] if self._is_rtu and len(self._received) > 2 else exception_code(self._received)
        return Refusal(fault, code if fault.kind is FaultKind.EXCEPTION else None)

    def _closed_fault(self) -> Fault:
        return self.fault or Fault(kind=FaultKind.CLOSED, text="the connection is closed", breaks_link=True)

    def _on_received(self, data: bytes) -> None:
        self._received = data
        if self._is_draining:
            self._wire.forget()
            return
        if self._asked is None:
            text = f"{len(data)} bytes arrived that nobody asked for: the device or a bridge repeats or delays its replies"
            self._stop(Fault(kind=FaultKind.GARBAGE, text=text, breaks_link=True))
            return
        checked = self._check(self._asked, data)
        if isinstance(checked, Data):
            self._arrived_at = self._clock.now()
            # Whatever follows before the next request is not an answer to anything.
            self._asked = None
            self._has_answered = True
            if self._waiting is not None and not self._waiting.done():
                self._waiting.set_result(checked.payload)
        elif checked is not None:
            self._has_answered = self._has_answered or not checked.breaks_link
            self._stop(checked)
        elif self._wire.is_flooded:
            self._stop(Fault(kind=FaultKind.GARBAGE, text="a flood of bytes that are no reply", breaks_link=True))

    def _on_lost(self) -> None:
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
        waiting = self._waiting
        if waiting is not None and not waiting.done():
            waiting.set_exception(_ReplyFaultError(fault))
            # Marks the exception as seen: when nobody waits any more its loss is no news.
            waiting.exception()
        if fault.breaks_link:
            self.close()
