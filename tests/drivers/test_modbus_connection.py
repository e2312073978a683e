"""One connection against a raw server that plays every fault; every request that arrived is checked to be a read."""

from __future__ import annotations

import asyncio
import logging
import os
import random
import socket
import struct
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest
from pymodbus.framer import FramerSocket
from pymodbus.pdu import DecodePDU
from pymodbus.pdu.register_message import WriteSingleRegisterRequest

from gateway.clock import RealClock
from gateway.drivers.base import FaultKind
from gateway.drivers.frames import read_request
from gateway.drivers.modbus_connection import Answer, ModbusConnection, Refusal, request_frame
from gateway.drivers.modbus_wire import BlockedRequestError
from gateway.registers.model import Span, Table
from gateway.site import Framing
from tests.drivers.wire import RawServer, Request, answer_honestly, frame, honest, registers, replying, stay_silent, truth, wait_until

SPAN = Span(Table.HOLDING, 100, 103)
SHORT_S = 0.15
LONG_S = 5.0


@asynccontextmanager
async def connected(server: RawServer, first_id: int = 1) -> AsyncIterator[ModbusConnection]:
    connection = ModbusConnection("127.0.0.1", server.port, RealClock(), first_id)
    assert await connection.open(LONG_S) is None
    try:
        yield connection
    finally:
        connection.close()
        await asyncio.sleep(0)


async def refused(server: RawServer, timeout_s: float = LONG_S, span: Span = SPAN, unit: int = 5) -> Refusal:
    async with connected(server) as connection:
        result = await connection.ask(span, unit, timeout_s=timeout_s)
        assert isinstance(result, Refusal), result
        assert connection.is_open == (not result.fault.breaks_link)
        return result


@pytest.mark.parametrize(
    ("table", "first", "count", "sent", "reply", "words"),
    # Modbus Application Protocol V1.1b3, 6.1 to 6.4.
    [
        (Table.COIL, 19, 19, "11 01 0013 0013", "01 03 CD6B05", "1011001111010110101"),
        (Table.DISCRETE, 196, 22, "11 02 00C4 0016", "02 03 ACDB35", "0011010111011011101011"),
    ],
)
async def test_bits_of_the_standard(table: Table, first: int, count: int, sent: str, reply: str, words: str) -> None:
    async with RawServer(replying(lambda request: frame(request.transaction_id, 0x11, bytes.fromhex(reply)))) as server:
        async with connected(server) as connection:
            answer = await connection.ask(Span(table, first, first + count - 1), 0x11, timeout_s=LONG_S)
        assert isinstance(answer, Answer)
        assert "".join(str(bit) for bit in answer.words) == words
        assert server.requests[0].raw == bytes.fromhex("0001 0000 0006" + sent)


@pytest.mark.parametrize(
    ("table", "first", "count", "sent", "reply", "words"),
    # Modbus Application Protocol V1.1b3, 6.3 and 6.4.
    [
        (Table.HOLDING, 107, 3, "11 03 006B 0003", "03 06 022B00000064", [555, 0, 100]),
        (Table.INPUT, 8, 1, "11 04 0008 0001", "04 02 000A", [10]),
    ],
)
async def test_registers_of_the_standard(table: Table, first: int, count: int, sent: str, reply: str, words: list[int]) -> None:
    async with RawServer(replying(lambda request: frame(request.transaction_id, 0x11, bytes.fromhex(reply)))) as server:
        async with connected(server) as connection:
            answer = await connection.ask(Span(table, first, first + count - 1), 0x11, timeout_s=LONG_S)
        assert isinstance(answer, Answer)
        assert list(answer.words) == words
        assert server.requests[0].raw == bytes.fromhex("0001 0000 0006" + sent)


async def test_the_largest_replies_are_read() -> None:
    async with RawServer() as server, connected(server) as connection:
        answer = await connection.ask(Span(Table.HOLDING, 0, 124), 1, timeout_s=LONG_S)
        assert isinstance(answer, Answer)
        assert list(answer.words) == [1000 + place for place in range(125)]
        server.play = replying(lambda request: frame(request.transaction_id, 1, b"\x01\xfa" + b"\xff" * 250))
        bits = await connection.ask(Span(Table.COIL, 0, 1999), 1, timeout_s=LONG_S)
        assert isinstance(bits, Answer)
        assert list(bits.words) == [1] * 2000


def words_reply(request: Request, words: list[int]) -> bytes:
    return frame(request.transaction_id, request.unit, registers(request.function, words))


async def test_a_wrong_transaction_id_is_its_own_fault_at_once() -> None:
    async with RawServer(replying(lambda request: frame(request.transaction_id + 1, request.unit, registers(3, [1] * 4)))) as server:
        assert (await refused(server)).fault.kind is FaultKind.WRONG_ID


async def test_id_zero_is_refused_unless_the_map_allows_it() -> None:
    async with RawServer(replying(lambda request: frame(0, request.unit, registers(3, truth(request))))) as server:
        assert (await refused(server)).fault.kind is FaultKind.WRONG_ID
        async with connected(server) as connection:
            answer = await connection.ask(SPAN, 5, timeout_s=LONG_S, id_zero=True)
            assert isinstance(answer, Answer)
            assert list(answer.words) == [5100, 5101, 5102, 5103]


async def test_a_foreign_unit_and_a_foreign_function_are_refused() -> None:
    async with RawServer(replying(lambda request: frame(request.transaction_id, 6, registers(3, [1] * 4)))) as server:
        assert (await refused(server)).fault.kind is FaultKind.WRONG_UNIT
        server.play = replying(lambda request: frame(request.transaction_id, request.unit, registers(4, [1] * 4)))
        assert (await refused(server)).fault.kind is FaultKind.WRONG_FUNCTION


@pytest.mark.parametrize("count", [0, 1, 2, 3, 5, 6, 125])
async def test_a_wrong_number_of_registers_is_refused(count: int) -> None:
    async with RawServer(replying(lambda request: words_reply(request, [9] * count))) as server:
        assert (await refused(server)).fault.kind is FaultKind.WRONG_COUNT


@pytest.mark.parametrize("data_bytes", [1, 3, 5, 7, 9])
async def test_an_odd_number_of_bytes_is_refused(data_bytes: int) -> None:
    pdu = bytes([3, data_bytes]) + b"\1" * data_bytes
    async with RawServer(replying(lambda request: frame(request.transaction_id, request.unit, pdu))) as server:
        assert (await refused(server)).fault.kind is FaultKind.WRONG_COUNT


@pytest.mark.parametrize("code", range(1, 12))
async def test_exceptions_are_told_in_words_and_leave_the_connection_open(code: int) -> None:
    async with RawServer(replying(lambda request: frame(request.transaction_id, request.unit, bytes([0x83, code])))) as server:
        result = await refused(server)
        assert result.fault.kind is FaultKind.EXCEPTION
        assert result.code == code
        assert result.fault.text.startswith(f"exception {code}, ")


async def test_the_next_read_after_an_exception_is_right() -> None:
    async with RawServer(replying(lambda request: frame(request.transaction_id, request.unit, b"\x83\x02"))) as server:
        async with connected(server) as connection:
            assert isinstance(await connection.ask(SPAN, 5, timeout_s=LONG_S), Refusal)
            server.play = answer_honestly
            answer = await connection.ask(SPAN, 5, timeout_s=LONG_S)
            assert isinstance(answer, Answer)
            assert list(answer.words) == [5100, 5101, 5102, 5103]
        assert server.connections == 1


@pytest.mark.parametrize("kept", range(17))
async def test_a_reply_cut_at_any_byte_is_no_value(kept: int) -> None:
    async with RawServer(replying(lambda request: honest(request)[:kept])) as server:
        result = await refused(server, timeout_s=SHORT_S)
        assert result.fault.kind is (FaultKind.WRONG_COUNT if kept else FaultKind.NO_ANSWER)


@pytest.mark.parametrize("kept", range(17))
async def test_a_reply_cut_by_a_closing_device_is_no_value(kept: int) -> None:
    async def cut(request: Request, writer: asyncio.StreamWriter) -> None:
        writer.write(honest(request)[:kept])
        await writer.drain()
        writer.close()

    async with RawServer(cut) as server:
        assert (await refused(server)).fault.kind is FaultKind.CLOSED


async def test_one_byte_a_packet_is_read_right() -> None:
    async def drip(request: Request, writer: asyncio.StreamWriter) -> None:
        for byte in honest(request):
            writer.write(bytes([byte]))
            await writer.drain()
            await asyncio.sleep(0.001)

    async with RawServer(drip) as server, connected(server) as connection:
        answer = await connection.ask(SPAN, 5, timeout_s=LONG_S)
        assert isinstance(answer, Answer)
        assert list(answer.words) == [5100, 5101, 5102, 5103]


@pytest.mark.parametrize("foreign_first", [True, False])
async def test_joined_frames_are_refused(foreign_first: bool) -> None:
    def joined(request: Request) -> bytes:
        foreign = frame(request.transaction_id - 1, request.unit, registers(3, [7] * 4))
        return foreign + honest(request) if foreign_first else honest(request) + foreign

    async with RawServer(replying(joined)) as server:
        assert (await refused(server)).fault.kind in (FaultKind.WRONG_ID, FaultKind.GARBAGE)


@pytest.mark.parametrize("size", [8, 300, 5_000, 1_000_000])
async def test_garbage_is_named_and_ends_the_connection(size: int) -> None:
    seed = 20250 + size
    noise = b"\xff\xff\xff\xff" + random.Random(seed).randbytes(size - 4)
    async with RawServer(replying(lambda request: noise)) as server:
        assert (await refused(server)).fault.kind is FaultKind.GARBAGE, f"seed {seed}"


async def test_unasked_bytes_end_the_connection_before_they_can_be_taken_for_a_reply() -> None:
    async def twice(request: Request, writer: asyncio.StreamWriter) -> None:
        writer.write(honest(request))
        await writer.drain()
        await asyncio.sleep(0.02)
        writer.write(honest(request))
        await writer.drain()

    async with RawServer(twice) as server, connected(server) as connection:
        assert isinstance(await connection.ask(SPAN, 5, timeout_s=LONG_S), Answer)
        await wait_until(lambda: not connection.is_open)
        assert connection.fault is not None
        assert connection.fault.kind is FaultKind.GARBAGE
        result = await connection.ask(SPAN, 5, timeout_s=LONG_S)
        assert isinstance(result, Refusal)
        assert result.fault is connection.fault
        assert len(server.requests) == 1


async def test_silence_ends_the_connection() -> None:
    async with RawServer(stay_silent) as server:
        result = await refused(server, timeout_s=SHORT_S)
        assert result.fault.kind is FaultKind.NO_ANSWER
        assert "no answer within 0.15 s" in result.fault.text


async def test_a_reset_is_told_at_once() -> None:
    async def reset(request: Request, writer: asyncio.StreamWriter) -> None:
        writer.transport.abort()

    async with RawServer(reset) as server:
        assert (await refused(server)).fault.kind is FaultKind.CLOSED


async def test_a_device_that_closes_between_requests_is_noticed() -> None:
    async with RawServer() as server, connected(server) as connection:
        assert isinstance(await connection.ask(SPAN, 5, timeout_s=LONG_S), Answer)
        server.cut()
        await wait_until(lambda: not connection.is_open)
        assert connection.fault is not None
        assert connection.fault.kind is FaultKind.CLOSED


async def test_a_cancelled_request_closes_the_connection() -> None:
    async with RawServer(stay_silent) as server, connected(server) as connection:
        asking = asyncio.create_task(connection.ask(SPAN, 5, timeout_s=LONG_S))
        await wait_until(lambda: bool(server.requests))
        asking.cancel()
        with pytest.raises(asyncio.CancelledError):
            await asking
        assert not connection.is_open


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost"])
async def test_a_refused_connection_is_told_in_words(host: str) -> None:
    connection = ModbusConnection(host, free_port(), RealClock())
    fault = await connection.open(LONG_S)
    assert fault is not None
    assert fault.kind is FaultKind.REFUSED
    assert "is there but refuses port" in fault.text
    assert not connection.is_open


@pytest.mark.parametrize("host", ["no-such-starter.invalid", "a" * 70 + ".invalid", "bad..name"])
async def test_a_name_that_does_not_resolve_is_told_in_words(host: str) -> None:
    fault = await ModbusConnection(host, 502, RealClock()).open(LONG_S)
    assert fault is not None
    assert fault.kind is FaultKind.BAD_NAME


async def test_no_route_is_told_in_words() -> None:
    # A broadcast address can be no TCP peer, so the kernel refuses it at once.
    fault = await ModbusConnection("255.255.255.255", 502, RealClock()).open(LONG_S)
    assert fault is not None
    assert fault.kind is FaultKind.NO_ROUTE


async def test_a_host_that_accepts_nothing_times_out() -> None:
    # A listening socket whose backlog is full leaves further connection attempts unanswered.
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        listener.listen(0)
        port = listener.getsockname()[1]
        fillers = [socket.socket() for _ in range(4)]
        for filler in fillers:
            filler.setblocking(False)
            filler.connect_ex(("127.0.0.1", port))
        fault = await ModbusConnection("127.0.0.1", port, RealClock()).open(SHORT_S)
        for filler in fillers:
            filler.close()
    assert fault is not None
    assert fault.kind is FaultKind.NO_ANSWER


async def test_the_socket_is_told_to_notice_a_dead_peer() -> None:
    async with RawServer() as server, connected(server) as connection:
        transport = connection._wire.transport
        assert transport is not None
        sock = transport.get_extra_info("socket")
        assert sock.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE) == 1
        assert sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT) == 10_000
        assert sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) == 1


WRITING = WriteSingleRegisterRequest(address=1, registers=[3], dev_id=5)


async def test_a_request_to_write_is_not_sent() -> None:
    async with RawServer() as server, connected(server) as connection:
        with pytest.raises(BlockedRequestError, match="is not a read"):
            connection._put(FramerSocket(DecodePDU(False)).buildFrame(WRITING))
        assert isinstance(await connection.ask(SPAN, 5, timeout_s=LONG_S), Answer)
        assert [request.function for request in server.requests] == [3]


async def test_a_request_that_the_guard_stops_closes_the_connection(monkeypatch: pytest.MonkeyPatch) -> None:
    frame_of_a_write = FramerSocket(DecodePDU(False)).buildFrame(WRITING)
    monkeypatch.setattr("gateway.drivers.modbus_connection.request_frame", lambda *_: frame_of_a_write)
    async with RawServer() as server, connected(server) as connection:
        result = await connection.ask(SPAN, 5, timeout_s=LONG_S)
        assert isinstance(result, Refusal)
        assert result.fault.kind is FaultKind.BLOCKED
        assert "function 6 (write single register) is not a read" in result.fault.text
        assert not connection.is_open
        assert server.requests == []


async def test_a_flood_ends_the_connection(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gateway.drivers.modbus_wire.LARGEST_BURST", 3)
    async with RawServer(replying(lambda request: honest(request)[:7])) as server, connected(server) as connection:
        result = await connection.ask(SPAN, 5, timeout_s=LONG_S)
        assert isinstance(result, Refusal)
        assert result.fault.text == "a flood of bytes that are no reply"
        assert not connection.is_open


@pytest.mark.parametrize("framing", list(Framing))
@pytest.mark.parametrize("table", list(Table))
def test_requests_are_those_of_the_standard_in_both_framings(table: Table, framing: Framing) -> None:
    span = Span(table, 107, 109)
    assert request_frame(span, 17, framing) == read_request(framing, 17, span, 0)


async def test_neighbouring_connections_never_use_the_same_ids() -> None:
    async with RawServer() as server:
        async with connected(server, first_id=64_999) as connection:
            for _ in range(4):
                assert isinstance(await connection.ask(SPAN, 5, timeout_s=LONG_S), Answer)
            following = connection.next_id
        assert [request.transaction_id for request in server.requests] == [64_999, 65_000, 1, 2]
        assert following == 3


async def test_the_library_stays_quiet(caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.DEBUG):
        async with RawServer(stay_silent) as server:
            await refused(server, timeout_s=SHORT_S)
    assert not [record for record in caplog.records if record.name.startswith("pymodbus")]


async def late_run(server: RawServer, reads: int, late_rate: float, id_zero: bool, seed: int) -> tuple[int, int]:
    """Read many times, reopening after each fault; return wrong values and faults."""
    draw = random.Random(seed)

    async def sometimes_late(request: Request, writer: asyncio.StreamWriter) -> None:
        reply = honest(request)
        if id_zero:
            reply = b"\0\0" + reply[2:]
        if draw.random() < late_rate:
            # In order, as a bridge with one serial line does: everything behind this reply waits too.
            await asyncio.sleep(0.03)
        writer.write(reply)
        await writer.drain()

    server.play = sometimes_late
    wrong = faults = 0
    connection = ModbusConnection("127.0.0.1", server.port, RealClock())
    assert await connection.open(LONG_S) is None
    for _ in range(reads):
        if not connection.is_open:
            connection = ModbusConnection("127.0.0.1", server.port, RealClock(), connection.next_id)
            assert await connection.open(LONG_S) is None
        first, count, unit = draw.randrange(200), draw.randrange(1, 20), draw.randrange(1, 4)
        span = Span(Table.HOLDING, first, first + count - 1)
        result = await connection.ask(span, unit, timeout_s=0.02, id_zero=id_zero)
        if isinstance(result, Answer):
            wrong += list(result.words) != [(unit * 1000 + address) & 0xFFFF for address in range(first, first + count)]
        else:
            faults += 1
    connection.close()
    await asyncio.sleep(0)
    return wrong, faults


@pytest.mark.parametrize("id_zero", [False, True])
@pytest.mark.parametrize("late_rate", [0.01, 0.03, 0.10, 0.50])
async def test_late_replies_never_become_values(late_rate: float, id_zero: bool) -> None:
    seed, reads = 7, 300 if late_rate == 0.50 else 700
    async with RawServer() as server:
        wrong, faults = await late_run(server, reads, late_rate, id_zero, seed)
    assert wrong == 0, f"seed {seed}"
    assert faults > 0


@pytest.mark.slow
@pytest.mark.timeout(900)
@pytest.mark.parametrize("id_zero", [False, True])
@pytest.mark.parametrize(("late_rate", "reads"), [(0.01, 25_000), (0.03, 15_000), (0.10, 8_000), (0.50, 2_000)])
async def test_late_replies_never_become_values_in_a_long_run(late_rate: float, reads: int, id_zero: bool) -> None:
    seed = 11
    async with RawServer() as server:
        wrong, faults = await late_run(server, reads, late_rate, id_zero, seed)
    assert wrong == 0, f"seed {seed}"
    assert 0 < faults <= 2 * late_rate * reads


def foreign(request: Request, draw: random.Random) -> bytes:
    """Return a reply that is right or wrong in one of many ways; only `honest` ones may become values."""
    tid, unit, lie = request.transaction_id, request.unit, [0xDEAD] * request.count
    return draw.choice(
        [
            honest(request),
            frame(tid - 1, unit, registers(3, lie)),
            frame(0, unit, registers(3, lie)),
            frame(draw.randrange(65536) if tid != 1 else 0, unit ^ 1, registers(3, lie)),
            frame(tid, unit ^ 3, registers(3, lie)),
            frame(tid, unit, registers(4, lie)),
            frame(tid, unit, registers(3, lie + [1])),
            frame(tid, unit, registers(3, lie[:-1])),
            frame(tid, unit, b"\x83" + bytes([draw.randrange(1, 12)])),
            frame(tid, unit, b"\x03" + bytes([2 * request.count + 1]) + b"\xde" * (2 * request.count + 1)),
            honest(request) + honest(request),
            struct.pack(">HHHB", tid, 1, 3 + 2 * request.count, unit) + registers(3, lie),
            b"\xff" * draw.randrange(9, 40),
        ]
    )


async def foreign_run(reads: int, seed: int) -> tuple[int, int]:
    draw = random.Random(seed)
    wrong = good = 0
    async with RawServer(replying(lambda request: foreign(request, draw))) as server:
        connection = ModbusConnection("127.0.0.1", server.port, RealClock())
        for _ in range(reads):
            if not connection.is_open:
                connection = ModbusConnection("127.0.0.1", server.port, RealClock(), connection.next_id)
                assert await connection.open(LONG_S) is None
            result = await connection.ask(SPAN, 5, timeout_s=0.5)
            if isinstance(result, Answer):
                good += 1
                wrong += list(result.words) != [5100, 5101, 5102, 5103]
        connection.close()
        await asyncio.sleep(0)
    return wrong, good


async def test_foreign_replies_never_become_values() -> None:
    seed, descriptors = 3, len(os.listdir("/proc/self/fd"))
    wrong, good = await foreign_run(2_000, seed)
    assert wrong == 0, f"seed {seed}"
    assert good > 50
    await asyncio.sleep(0.05)
    assert abs(len(os.listdir("/proc/self/fd")) - descriptors) <= 2


@pytest.mark.slow
@pytest.mark.timeout(900)
async def test_foreign_replies_never_become_values_in_a_long_run() -> None:
    seed = 5
    wrong, good = await foreign_run(100_000, seed)
    assert wrong == 0, f"seed {seed}"
    assert good > 2_000
