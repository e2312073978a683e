"""Late, foreign and numberless replies through the whole link, in both framings: whatever comes, no wrong value.

The bridge of these tests has one queue for all connections, as one with a serial line behind it has, and it hands a late reply to whoever
is connected when it comes. Every register holds unit and address, so that a value in the wrong place shows at once.
0 failures in n reads bounds the chance of one by 3/n at 95 % (rule of three).
"""

from __future__ import annotations

import asyncio
import random
from dataclasses import dataclass, field, replace

import pytest

from gateway.clock import RealClock
from gateway.drivers.base import Attached, FaultKind
from gateway.drivers.modbus import ModbusLink
from gateway.motors.records import Pace
from gateway.registers.model import ModbusPlace, Protocol, RegisterMap, Signal, Span, Table, WordType
from gateway.site import Framing
from tests.drivers.wire import RawServer, Request, frame, honest, registers, rtu_frame

TIMEOUT_S = 0.05
LATE_S = 0.06
FIRSTS = (0, 100, 200, 300, 400)
UNITS = (1, 2, 3)


def sketch(id_zero: bool) -> RegisterMap:
    places = [ModbusPlace(span=Span(Table.HOLDING, at, at), written="") for at in FIRSTS]
    names = [f"r{each.span.first}" for each in places]
    signals = tuple(
        Signal(name=name, key=name, role=None, place=each, type=WordType.UINT16) for name, each in zip(names, places, strict=True)
    )
    return RegisterMap(name="sketch", protocol=Protocol.MODBUS, signals=signals, timeout_s=TIMEOUT_S, answers_id_zero=id_zero)


@dataclass
class Bridge:
    """Answers in order over all connections; some replies late, some foreign."""

    seed: int
    is_rtu: bool
    id_zero: bool
    late_rate: float
    foreign_rate: float
    drawn: int = 0
    _draw: random.Random = field(init=False)
    _line: asyncio.Lock = field(default_factory=asyncio.Lock)
    _last: asyncio.StreamWriter | None = None
    _before: bytes = b""

    def __post_init__(self) -> None:
        self._draw = random.Random(self.seed)

    async def play(self, request: Request, writer: asyncio.StreamWriter) -> None:
        self._last = writer
        async with self._line:
            reply = honest(request)
            if self.id_zero:
                reply = b"\0\0" + reply[2:]
            if self._draw.random() < self.late_rate:
                self.drawn += 1
                await asyncio.sleep(LATE_S)
            elif self._draw.random() < self.foreign_rate:
                self.drawn += 1
                reply = self._foreign(request, reply)
            self._before = honest(request)
            if self._last is not None and not self._last.is_closing():
                self._last.write(reply)

    def _foreign(self, request: Request, reply: bytes) -> bytes:
        lie = [0xDEAD] * request.count
        pdus = [
            (request.unit % 3 + 1, registers(3, lie)),
            (request.unit, registers(4, lie)),
            (request.unit, registers(3, [*lie, 1])),
            (request.unit, registers(3, lie[:-1])),
            (request.unit, bytes([0x83, self._draw.randrange(1, 12)])),
            (request.unit, bytes([3, 2 * request.count + 1]) + b"\xde" * (2 * request.count + 1)),
        ]
        unit, pdu = self._draw.choice(pdus)
        made = rtu_frame(unit, pdu) if self.is_rtu else frame(request.transaction_id, unit, pdu)
        spoiled = bytearray(reply)
        spoiled[self._draw.randrange(len(spoiled)) if self.is_rtu else self._draw.randrange(9)] ^= 1 << self._draw.randrange(8)
        return self._draw.choice(
            [
                made,
                self._before or reply,
                bytes(spoiled) if not self.id_zero else made,
                reply + reply,
                reply[: self._draw.randrange(1, len(reply))] + b"\xff" * 40,
                self._draw.randbytes(self._draw.randrange(8, 300)),
            ]
        )


async def wrong_and_faults(reads: int, bridge: Bridge) -> tuple[int, int, int, set[FaultKind]]:
    """Poll until so many requests were sent; return wrong values, good values, requests and the kinds of faults met."""
    framing = Framing.RTU if bridge.is_rtu else Framing.TCP
    wrong = good = requests = 0
    kinds: set[FaultKind] = set()
    async with RawServer(bridge.play, is_rtu=bridge.is_rtu) as server:
        attached = [Attached(starter=str(unit), map=sketch(bridge.id_zero), unit=unit) for unit in UNITS]
        link = ModbusLink("127.0.0.1", server.port, attached, RealClock(), jitter=lambda: 0.0, framing=framing)
        while requests < reads:
            for unit in UNITS:
                if not link.is_open:
                    await link.open()
                # What the schedule does about units that miss turns is tried elsewhere; here every turn asks.
                link._units[str(unit)].state = type(link._units[str(unit)].state)()
                poll = await link.poll(str(unit), Pace.RUNNING)
                requests += poll.requests
                kinds |= {fault.kind for fault in poll.faults}
                for key, value in poll.readings[-1].values.items():
                    good += 1
                    wrong += value != unit * 1000 + int(key[1:])
        await link.close()
        functions = {request.function for request in server.requests}
    assert functions == {3}
    return wrong, good, requests, kinds


FORMS = pytest.mark.parametrize(("is_rtu", "id_zero"), [(False, False), (False, True), (True, False)], ids=["tcp", "tcp id 0", "rtu"])


@FORMS
async def test_no_reply_in_the_wrong_place_becomes_a_value(is_rtu: bool, id_zero: bool) -> None:
    seed = 17
    wrong, good, requests, kinds = await wrong_and_faults(3_000, Bridge(seed, is_rtu, id_zero, late_rate=0.01, foreign_rate=0.05))
    assert wrong == 0, f"seed {seed}"
    assert requests >= 3_000
    assert good > 1_500
    assert {FaultKind.NO_ANSWER, FaultKind.GARBAGE, FaultKind.WRONG_COUNT, FaultKind.WRONG_FUNCTION, FaultKind.WRONG_UNIT} <= kinds
    assert (FaultKind.CRC in kinds) == is_rtu
    assert FaultKind.WRONG_ID in kinds or is_rtu


@pytest.mark.parametrize(("is_rtu", "id_zero"), [(False, True), (True, False)], ids=["tcp id 0", "rtu"])
async def test_requests_that_cannot_be_of_unlike_lengths_take_no_reply_of_each_other(is_rtu: bool, id_zero: bool) -> None:
    """A map that lets nothing be read over: every request is as long as the next, and now and then the bridge repeats the reply before."""
    register_map, before, draw, repeated = replace(sketch(id_zero), largest_gap=0), b"", random.Random(29), 0

    async def repeating(request: Request, writer: asyncio.StreamWriter) -> None:
        nonlocal before, repeated
        reply = honest(request) if is_rtu else b"\0\0" + honest(request)[2:]
        is_repeated = bool(before) and draw.random() < 0.2
        repeated += is_repeated
        writer.write(before if is_repeated else reply)
        before = reply

    async with RawServer(repeating, is_rtu=is_rtu) as server:
        framing = Framing.RTU if is_rtu else Framing.TCP
        link = ModbusLink("127.0.0.1", server.port, [Attached(starter="1", map=register_map)], RealClock(), framing=framing)
        for _ in range(100):
            if not link.is_open:
                assert await link.open() is None
            poll = await link.poll("1", Pace.RUNNING)
            assert dict(poll.readings[-1].values) == {f"r{first}": 1000 + first for first in FIRSTS}
            assert poll.faults == ()
        await link.close()
    assert repeated > 100
    assert {request.count for request in server.requests} == {1}


@pytest.mark.slow
@pytest.mark.timeout(3600)
@FORMS
@pytest.mark.parametrize(("late_rate", "reads"), [(0.0, 60_000), (0.01, 20_000), (0.03, 12_000), (0.10, 6_000), (0.50, 2_000)])
async def test_no_reply_in_the_wrong_place_becomes_a_value_in_a_long_run(is_rtu: bool, id_zero: bool, late_rate: float, reads: int) -> None:
    seed = 23
    foreign_rate = 0.05 if late_rate == 0 else 0.0
    bridge = Bridge(seed, is_rtu, id_zero, late_rate=late_rate, foreign_rate=foreign_rate)
    wrong, good, requests, _ = await wrong_and_faults(reads, bridge)
    assert wrong == 0, f"seed {seed}"
    assert requests >= reads
    assert good > 0
