"""RTU framing over TCP: right values, every kind of broken reply, and late replies that outlive their connection."""

from __future__ import annotations

import asyncio
import random
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU
from pymodbus.pdu.register_message import WriteSingleRegisterRequest

from gateway.clock import HandClock, RealClock
from gateway.drivers.base import Attached, FaultKind
from gateway.drivers.modbus import ModbusLink
from gateway.drivers.modbus_connection import Answer, ModbusConnection, Refusal
from gateway.drivers.modbus_wire import BlockedRequestError
from gateway.instants import SECOND
from gateway.motors.records import Pace
from gateway.registers.model import ModbusPlace, Protocol, RegisterMap, Signal, Span, Table, WordType
from gateway.site import Framing
from tests.drivers.wire import RawServer, Request, honest, registers, replying, rtu_frame, stay_silent, wait_until

SPAN = Span(Table.HOLDING, 100, 103)
SHORT_S = 0.15
LONG_S = 5.0


@asynccontextmanager
async def connected(server: RawServer) -> AsyncIterator[ModbusConnection]:
    connection = ModbusConnection("127.0.0.1", server.port, RealClock(), framing=Framing.RTU)
    assert await connection.open(LONG_S) is None
    try:
        yield connection
    finally:
        connection.close()
        await asyncio.sleep(0)


async def refused(server: RawServer, timeout_s: float = LONG_S) -> Refusal:
    async with connected(server) as connection:
        result = await connection.ask(SPAN, 5, timeout_s=timeout_s)
        assert isinstance(result, Refusal), result
        assert connection.is_open == (not result.fault.breaks_link)
        return result


def rtu_server(**settings: object) -> RawServer:
    server = RawServer(is_rtu=True)
    for name, setting in settings.items():
        setattr(server, name, setting)
    return server


@pytest.mark.parametrize(
    ("table", "first", "count", "pdu", "words"),
    # Modbus Application Protocol V1.1b3, 6.1 to 6.4.
    [
        (Table.COIL, 19, 19, "01 03 CD6B05", "1011001111010110101"),
        (Table.DISCRETE, 196, 22, "02 03 ACDB35", "0011010111011011101011"),
        (Table.HOLDING, 107, 3, "03 06 022B00000064", "555 0 100"),
        (Table.INPUT, 8, 1, "04 02 000A", "10"),
    ],
)
async def test_the_examples_of_the_standard(table: Table, first: int, count: int, pdu: str, words: str) -> None:
    async with rtu_server(play=replying(lambda request: rtu_frame(0x11, bytes.fromhex(pdu)))) as server:
        async with connected(server) as connection:
            answer = await connection.ask(Span(table, first, first + count - 1), 0x11, timeout_s=LONG_S)
        assert isinstance(answer, Answer)
        assert list(answer.words) == [int(word) for word in (words.split() if table in (Table.HOLDING, Table.INPUT) else words)]


async def test_the_largest_replies_are_read() -> None:
    async with rtu_server() as server, connected(server) as connection:
        answer = await connection.ask(Span(Table.HOLDING, 0, 124), 1, timeout_s=LONG_S)
        assert isinstance(answer, Answer)
        assert list(answer.words) == [1000 + place for place in range(125)]


async def test_a_wrong_check_sum_is_its_own_fault() -> None:
    async with rtu_server(play=replying(lambda request: honest(request)[:-1] + b"\0")) as server:
        assert (await refused(server)).fault.kind is FaultKind.CRC


@pytest.mark.parametrize("code", range(1, 12))
async def test_exceptions_are_told_in_words_and_leave_the_connection_open(code: int) -> None:
    async with rtu_server(play=replying(lambda request: rtu_frame(request.unit, bytes([0x83, code])))) as server:
        result = await refused(server)
        assert (result.fault.kind, result.code) == (FaultKind.EXCEPTION, code)


@pytest.mark.parametrize("kept", range(13))
async def test_a_reply_cut_at_any_byte_is_no_value(kept: int) -> None:
    async with rtu_server(play=replying(lambda request: honest(request)[:kept])) as server:
        result = await refused(server, timeout_s=SHORT_S)
        assert result.fault.kind is (FaultKind.WRONG_COUNT if kept else FaultKind.NO_ANSWER)


async def test_one_byte_a_packet_is_read_right() -> None:
    async def drip(request: Request, writer: asyncio.StreamWriter) -> None:
        for byte in honest(request):
            writer.write(bytes([byte]))
            await writer.drain()
            await asyncio.sleep(0.001)

    async with rtu_server(play=drip) as server, connected(server) as connection:
        answer = await connection.ask(SPAN, 5, timeout_s=LONG_S)
        assert isinstance(answer, Answer)
        assert list(answer.words) == [5100, 5101, 5102, 5103]


@pytest.mark.parametrize("size", [3, 300, 5_000, 1_000_000])
async def test_garbage_is_no_value_and_ends_the_connection(size: int) -> None:
    seed = 20250 + size
    noise = b"\xff\xff\xff" + random.Random(seed).randbytes(size - 3)
    async with rtu_server(play=replying(lambda request: noise)) as server:
        assert (await refused(server)).fault.kind is FaultKind.GARBAGE, f"seed {seed}"


async def test_bytes_after_the_reply_end_the_connection() -> None:
    async def twice(request: Request, writer: asyncio.StreamWriter) -> None:
        writer.write(honest(request))
        await writer.drain()
        await asyncio.sleep(0.02)
        writer.write(honest(request))
        await writer.drain()

    async with rtu_server(play=twice) as server, connected(server) as connection:
        assert isinstance(await connection.ask(SPAN, 5, timeout_s=LONG_S), Answer)
        await wait_until(lambda: not connection.is_open)
        assert connection.fault is not None
        assert connection.fault.kind is FaultKind.GARBAGE


async def test_a_request_to_write_is_not_sent() -> None:
    writing = WriteSingleRegisterRequest(address=1, registers=[3], dev_id=5)
    async with rtu_server() as server, connected(server) as connection:
        with pytest.raises(BlockedRequestError, match="is not a read"):
            connection._put(FramerRTU(DecodePDU(False)).buildFrame(writing))
        assert isinstance(await connection.ask(SPAN, 5, timeout_s=LONG_S), Answer)
        assert [request.function for request in server.requests] == [3]


def spread_map(*, timeout_s: float = LONG_S, first: int = 100, step: int = 100) -> RegisterMap:
    places = [ModbusPlace(span=Span(Table.HOLDING, at, at), written="") for at in range(first, first + 3 * step, step)]
    signals = tuple(Signal(name=f"s{n}", key=f"s{n}", role=None, place=place, type=WordType.UINT16) for n, place in enumerate(places))
    return RegisterMap(name="spread", protocol=Protocol.MODBUS, signals=signals, timeout_s=timeout_s)


async def test_requests_of_one_poll_have_unlike_lengths() -> None:
    async with rtu_server() as server:
        link = ModbusLink("127.0.0.1", server.port, [Attached(starter="fan", map=spread_map())], HandClock(), framing=Framing.RTU)
        assert await link.open() is None
        poll = await link.poll("fan", Pace.RUNNING)
        await link.close()
    assert dict(poll.readings[0].values) == {"s0": 1100, "s1": 1200, "s2": 1300}
    assert [request.count for request in server.requests] == [1, 2, 3]


async def test_a_bridge_one_reply_behind_never_gives_a_value() -> None:
    before: list[bytes] = []

    async def one_behind(request: Request, writer: asyncio.StreamWriter) -> None:
        writer.write(before[-1] if before else honest(request))
        before.append(honest(request))
        await writer.drain()

    async with rtu_server(play=one_behind) as server:
        attached = [Attached(starter="fan", map=spread_map(timeout_s=SHORT_S))]
        link = ModbusLink("127.0.0.1", server.port, attached, RealClock(), jitter=lambda: 0.0, framing=Framing.RTU)
        for _ in range(8):
            if not link.is_open:
                assert await link.open() is None
            reading = (await link.poll("fan", Pace.RUNNING)).readings[0]
            assert {key: value for key, value in reading.values.items() if value != {"s0": 1100, "s1": 1200, "s2": 1300}[key]} == {}
        await link.close()


async def test_what_comes_late_to_a_new_connection_is_let_run_out() -> None:
    clock = HandClock(1_700_000_000 * SECOND)
    writers: list[asyncio.StreamWriter] = []

    async def keep(request: Request, writer: asyncio.StreamWriter) -> None:
        writers.append(writer)

    one = RegisterMap(name="one", protocol=Protocol.MODBUS, signals=spread_map().signals[:1], timeout_s=SHORT_S)
    async with rtu_server(play=keep) as server:
        link = ModbusLink("127.0.0.1", server.port, [Attached(starter="fan", map=one)], clock, framing=Framing.RTU)
        assert await link.open() is None
        silent = await link.poll("fan", Pace.RUNNING)
        assert silent.faults[0].kind is FaultKind.NO_ANSWER
        stale = rtu_frame(1, registers(3, [0xDEAD]))
        opening = asyncio.create_task(link.open())
        await wait_until(lambda: server.connections == 2 and bool(clock._sleepers))
        for writer in server._writers:
            writer.write(stale)
        await asyncio.sleep(0.02)
        await clock.turn(SHORT_S)
        assert await opening is None
        server.play = replying(honest)
        assert (await link.poll("fan", Pace.RUNNING)).readings[0].values["s0"] == 1100
        await link.close()


async def test_a_device_that_speaks_modbus_tcp_is_told_apart() -> None:
    async with rtu_server(play=replying(lambda request: bytes.fromhex("0000 0000 0009 05 03 06 000100020003"))) as server:
        fault = (await refused(server)).fault
    assert "RTU over TCP, or Modbus TCP?" in fault.text


async def test_silence_ends_the_connection() -> None:
    async with rtu_server(play=stay_silent) as server:
        assert (await refused(server, timeout_s=SHORT_S)).fault.kind is FaultKind.NO_ANSWER
