"""A Modbus connection by the hand clock: devices that answer, stay silent or break off, in time that only the test moves."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from gateway.clock import HandClock
from gateway.drivers.base import Fault, FaultKind
from gateway.drivers.modbus_connection import Answer, Refusal
from gateway.drivers.replies import cut_short
from gateway.drivers.sockets import connect_fault
from gateway.registers.model import Span

BROKEN_OFF = Fault(kind=FaultKind.CLOSED, text="the device closed the connection", breaks_link=True)


@dataclass
class HandDevice:
    """Everything behind one address; registers hold what `word` gives for unit and address."""

    clock: HandClock
    takes_s: float = 0.01
    dead: set[int] = field(default_factory=set)
    breaks_off: bool = False
    resets: bool = False
    refuses: bool = False
    never_accepts: bool = False
    word: Callable[[int, int], int] = lambda unit, address: address
    opens: list[float] = field(default_factory=list)
    asked: list[tuple[float, int, Span]] = field(default_factory=list)

    @property
    def moments(self) -> list[float]:
        """When the device was called at all: connection attempts and requests."""
        return sorted([*self.opens, *(at for at, _, _ in self.asked)])

    def connection(self, *_: object, **__: object) -> HandConnection:
        """Stand in for the class of connections."""
        return HandConnection(self)


class HandConnection:
    """One connection to a hand device."""

    peer_certificate: bytes | None = None
    next_id = 1

    def __init__(self, device: HandDevice) -> None:
        self._device = device
        self.is_open = False
        self.fault: Fault | None = None

    async def open(self, timeout_s: float) -> Fault | None:
        self._device.opens.append(self._device.clock.monotonic())
        if self._device.refuses:
            self.fault = connect_fault(ConnectionRefusedError(111, "refused"), "10.0.0.5", 502, timeout_s)
            return self.fault
        if self._device.never_accepts:
            await self._device.clock.sleep(timeout_s)
            self.fault = connect_fault(TimeoutError(), "10.0.0.5", 502, timeout_s)
            return self.fault
        await self._device.clock.sleep(min(self._device.takes_s, 0.01))
        self.is_open = True
        return None

    def close(self) -> None:
        self.is_open = False

    async def drain(self, duration_s: float) -> None:
        await self._device.clock.sleep(duration_s)

    async def ask(self, span: Span, unit: int, *, timeout_s: float, id_zero: bool = False) -> Answer | Refusal:
        device = self._device
        device.asked.append((device.clock.monotonic(), unit, span))
        if unit in device.dead:
            await device.clock.sleep(timeout_s)
            return self._broken(cut_short(b"", timeout_s))
        await device.clock.sleep(device.takes_s)
        if device.resets:
            return self._broken(BROKEN_OFF)
        if device.breaks_off:
            # The reply comes, and the connection is gone behind it.
            self.is_open = False
            self.fault = BROKEN_OFF
        return Answer([device.word(unit, address) for address in range(span.first, span.last + 1)], device.clock.now())

    def _broken(self, fault: Fault) -> Refusal:
        self.fault, self.is_open = fault, False
        return Refusal(fault)
