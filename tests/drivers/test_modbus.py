"""The Modbus link over its units: blocks to one reading, faults to flaws, back-off of dead units, turns of healthy ones."""

from __future__ import annotations

import asyncio
import os

import pytest

from gateway.clock import HandClock, RealClock
from gateway.drivers.base import Attached, FaultKind, Poll
from gateway.drivers.modbus import ModbusLink
from gateway.instants import SECOND
from gateway.motors.reading import Quality, TimeSource
from gateway.motors.records import Pace
from gateway.registers.model import ModbusPlace, Protocol, RegisterMap, Signal, SignalPace, Span, Table, WordType
from tests.drivers.wire import Play, RawServer, Request, answer_honestly, frame, honest, registers, replying, wait_until

SHORT_S = 0.3
BEGAN = 1_700_000_000 * SECOND


def signal(name: str, first: int, table: Table = Table.HOLDING, *, type: WordType = WordType.UINT16, slow: bool = False) -> Signal:
    width = 2 if type is WordType.UINT32 else 1
    place = ModbusPlace(span=Span(table, first, first + width - 1), written=f"{table} {first}")
    pace = SignalPace.SLOW if slow else SignalPace.NORMAL
    return Signal(name=name, key=name, role=None, place=place, type=type, pace=pace)


def sketch(*signals: Signal, timeout_s: float = 5.0, min_gap_s: float = 0.0, id_zero: bool = False) -> RegisterMap:
    return RegisterMap(
        name="sketch", protocol=Protocol.MODBUS, signals=signals, timeout_s=timeout_s, min_gap_s=min_gap_s, answers_id_zero=id_zero
    )


FAR_APART = (
    signal("current", 10),
    signal("voltage", 11),
    signal("energy", 500, slow=True),
    signal("running", 3, Table.COIL, type=WordType.BIT),
)


def link_to(server: RawServer, *attached: Attached, clock: HandClock | None = None) -> ModbusLink:
    return ModbusLink("127.0.0.1", server.port, attached, clock or HandClock(BEGAN), jitter=lambda: 1.0)


def by_table(request: Request) -> bytes:
    return frame(request.transaction_id, request.unit, b"\x01\x01\x01") if request.function == 1 else honest(request)


async def test_a_poll_is_one_reading_of_all_blocks() -> None:
    async with RawServer(replying(by_table)) as server:
        link = link_to(server, Attached(starter="fan", map=sketch(*FAR_APART), unit=7))
        assert link.address == f"modbus 127.0.0.1:{server.port}"
        assert await link.open() is None
        assert await link.open() is None
        poll = await link.poll("fan", Pace.RUNNING)
        slow = await link.poll("fan", Pace.SLOW)
        await link.close()
    assert poll.faults == ()
    assert poll.requests == 2
    (reading,) = poll.readings
    assert dict(reading.values) == {"current": 7010, "voltage": 7011, "running": True}
    assert dict(reading.flaws) == {}
    assert reading.at == BEGAN
    assert reading.time_source is TimeSource.RECEIVED
    assert dict(slow.readings[0].values) == {"current": 7010, "voltage": 7011, "running": True, "energy": 7500}
    assert slow.requests == 3
    assert server.connections == 1


async def test_the_time_is_that_of_the_reply_with_the_current() -> None:
    clock = HandClock(BEGAN)

    async def later_and_later(request: Request, writer: asyncio.StreamWriter) -> None:
        await clock.turn(1.0)
        await replying(by_table)(request, writer)

    async with RawServer(later_and_later) as server:
        link = link_to(server, Attached(starter="fan", map=sketch(*FAR_APART), unit=7), clock=clock)
        assert await link.open() is None
        poll = await link.poll("fan", Pace.SLOW)
        await link.close()
    arrived = [request.first for request in server.requests].index(10)
    assert poll.readings[0].at == BEGAN + (arrived + 1) * SECOND
    assert poll.round_trip_s == pytest.approx(3.0)


async def test_a_refused_block_leaves_the_others_standing() -> None:
    def refuse_energy(request: Request) -> bytes:
        if request.first == 500:
            return frame(request.transaction_id, request.unit, b"\x83\x02")
        return by_table(request)

    async with RawServer(replying(refuse_energy)) as server:
        link = link_to(server, Attached(starter="fan", map=sketch(*FAR_APART), unit=7))
        assert await link.open() is None
        poll = await link.poll("fan", Pace.SLOW)
        assert link.is_open
        await link.close()
    (reading,) = poll.readings
    assert reading.values["current"] == 7010
    assert reading.quality_of("energy") is Quality.BAD
    assert "illegal data address" in reading.flaws["energy"].reason
    assert [fault.kind for fault in poll.faults] == [FaultKind.EXCEPTION]


async def test_a_broken_reply_ends_the_poll_and_leaves_the_rest_bad() -> None:
    async def shrink(request: Request, writer: asyncio.StreamWriter) -> None:
        await replying(lambda asked: frame(asked.transaction_id, asked.unit, registers(3, [1])) if asked.first == 10 else by_table(asked))(
            request, writer
        )

    async with RawServer(shrink) as server:
        link = link_to(server, Attached(starter="fan", map=sketch(*FAR_APART), unit=7))
        assert await link.open() is None
        poll = await link.poll("fan", Pace.SLOW)
        assert not link.is_open
        closed = await link.poll("fan", Pace.SLOW)
        await link.close()
        await link.close()
    (reading,) = poll.readings
    assert {key: flaw.quality for key, flaw in reading.flaws.items()} == dict.fromkeys(["current", "voltage", "energy"], Quality.BAD)
    assert reading.flaws["energy"].reason.startswith("not read: ")
    assert poll.faults[0].kind is FaultKind.WRONG_COUNT
    assert closed.faults[0].kind is FaultKind.WRONG_COUNT
    assert closed.requests == 0
    assert set(closed.readings[0].flaws) == {"current", "voltage", "energy", "running"}


async def test_a_link_never_opened_says_so() -> None:
    link = ModbusLink("127.0.0.1", 1, [Attached(starter="fan", map=sketch(*FAR_APART))], HandClock(BEGAN))
    poll = await link.poll("fan", Pace.RUNNING)
    assert poll.faults[0].text == "the link is not open"
    assert not poll.readings[0].has_data
    assert poll.readings[0].at == BEGAN


async def test_a_link_that_does_not_open_keeps_the_reason() -> None:
    link = ModbusLink("255.255.255.255", 502, [Attached(starter="fan", map=sketch(*FAR_APART))], HandClock(BEGAN))
    fault = await link.open()
    assert fault is not None
    assert fault.kind is FaultKind.NO_ROUTE
    assert not link.is_open
    assert (await link.poll("fan", Pace.RUNNING)).faults == (fault,)


async def test_an_implausible_or_undefined_value_is_a_flaw_beside_good_ones() -> None:
    place = ModbusPlace(span=Span(Table.HOLDING, 12, 12), written="holding 12")
    doubtful = Signal(name="speed", key="speed", role="speed", place=place, type=WordType.UINT16, plausible=(0.0, 3000.0), unit="rpm")
    async with RawServer() as server:
        link = link_to(server, Attached(starter="fan", map=sketch(signal("current", 10), doubtful), unit=7))
        assert await link.open() is None
        (reading,) = (await link.poll("fan", Pace.RUNNING)).readings
        await link.close()
    assert dict(reading.values) == {"current": 7010}
    assert reading.flaws["speed"].reason.startswith("implausible")


async def test_id_zero_goes_through_where_the_map_says_so() -> None:
    async with RawServer(replying(lambda request: b"\0\0" + honest(request)[2:])) as server:
        allowed = Attached(starter="fan", map=sketch(signal("current", 10), id_zero=True), unit=7)
        link = link_to(server, allowed)
        assert await link.open() is None
        assert (await link.poll("fan", Pace.RUNNING)).readings[0].values["current"] == 7010
        await link.close()


def all_but(dead: set[int]) -> Play:
    async def play(request: Request, writer: asyncio.StreamWriter) -> None:
        if request.unit not in dead:
            await answer_honestly(request, writer)

    return play


async def turn_of(link: ModbusLink, starter: str) -> Poll:
    """One turn as the poller does it: reopen when closed, then poll."""
    if not link.is_open:
        assert await link.open() is None
    return await link.poll(starter, Pace.RUNNING)


async def test_a_dead_unit_does_not_stop_the_healthy_one_behind_the_same_address() -> None:
    clock, patient, brief = HandClock(BEGAN), sketch(signal("current", 10)), sketch(signal("current", 10), timeout_s=SHORT_S)
    async with RawServer(all_but({2})) as server:
        link = link_to(server, Attached(starter="fan", map=patient, unit=1), Attached(starter="pump", map=brief, unit=2), clock=clock)
        polls: list[Poll] = []
        for _ in range(30):
            assert (await turn_of(link, "fan")).readings[0].values["current"] == 1010
            polls.append(await turn_of(link, "pump"))
            await clock.turn(1.0)
        dead_requests = sum(request.unit == 2 for request in server.requests)
        assert all(not poll.readings[0].has_data for poll in polls)
        assert "missed 3 turns in a row and is asked again in 5 s; last: no answer" in polls[3].faults[0].text
        assert not polls[3].faults[0].breaks_link
        assert polls[3].requests == 0
        assert 3 < dead_requests <= 8

        server.play = answer_honestly
        for _ in range(10):
            await clock.turn(10.0)
            back = await turn_of(link, "pump")
            if back.readings[0].has_data:
                break
        assert back.readings[0].values["current"] == 2010
        await link.close()


async def test_a_bridge_that_names_the_silent_unit_keeps_its_connection() -> None:
    clock, one_register = HandClock(BEGAN), sketch(signal("current", 10), signal("energy", 500))

    def gateway_says(request: Request) -> bytes:
        return frame(request.transaction_id, request.unit, b"\x83\x0b") if request.unit == 2 else honest(request)

    async with RawServer(replying(gateway_says)) as server:
        link = link_to(
            server, Attached(starter="fan", map=one_register, unit=1), Attached(starter="pump", map=one_register, unit=2), clock=clock
        )
        for _ in range(10):
            assert (await turn_of(link, "fan")).readings[0].values["current"] == 1010
            silent = await turn_of(link, "pump")
        await link.close()
        assert server.connections == 1
        assert sum(request.unit == 2 for request in server.requests) == 3
        assert "unit 2 behind the bridge does not answer" in silent.faults[0].text


async def test_a_refusal_that_is_an_answer_never_puts_a_unit_to_rest() -> None:
    async with RawServer(replying(lambda request: frame(request.transaction_id, request.unit, b"\x83\x02"))) as server:
        link = link_to(server, Attached(starter="fan", map=sketch(signal("current", 10))))
        for _ in range(10):
            assert (await turn_of(link, "fan")).requests == 1
        await link.close()


async def test_five_dead_of_twenty_units_leave_the_others_their_turns() -> None:
    # Only the dead ones may time out, however busy the machine is; the schedule itself is turned by hand.
    clock, one_register, brief = HandClock(BEGAN), sketch(signal("current", 10)), sketch(signal("current", 10), timeout_s=0.05)
    dead = {3, 7, 11, 15, 19}
    async with RawServer(all_but(dead)) as server:
        units = [Attached(starter=f"unit {unit}", map=brief if unit in dead else one_register, unit=unit) for unit in range(1, 21)]
        link = link_to(server, *units, clock=clock)
        rounds = 45
        for _ in range(rounds):
            for each in units:
                poll = await turn_of(link, each.starter)
                assert poll.readings[0].has_data == (each.unit not in dead)
            await clock.turn(1.0)
        await link.close()
    asked = [request.unit for request in server.requests]
    assert all(asked.count(each.unit) == rounds for each in units if each.unit not in dead)
    probes = [asked.count(unit) for unit in sorted(dead)]
    assert all(3 < count < rounds for count in probes), probes


async def test_requests_keep_their_distance_over_all_units() -> None:
    clock = HandClock(BEGAN)
    async with RawServer() as server:
        slow_bus = sketch(signal("current", 10), signal("energy", 500), min_gap_s=0.05)
        quick = sketch(signal("current", 10))
        link = link_to(server, Attached(starter="fan", map=slow_bus, unit=1), Attached(starter="pump", map=quick, unit=2), clock=clock)
        assert await link.open() is None
        polling = asyncio.create_task(link.poll("fan", Pace.RUNNING))
        await wait_until(lambda: len(server.requests) == 1 and bool(clock._sleepers))
        await clock.turn(0.049)
        assert len(server.requests) == 1
        await clock.turn(0.001)
        assert (await polling).requests == 2
        polling = asyncio.create_task(link.poll("pump", Pace.RUNNING))
        await wait_until(lambda: bool(clock._sleepers))
        assert len(server.requests) == 2
        await clock.turn(0.05)
        assert (await polling).readings[0].has_data
        await link.close()


async def test_a_cancelled_poll_closes_the_link() -> None:
    async with RawServer(all_but({1})) as server:
        link = link_to(server, Attached(starter="fan", map=sketch(signal("current", 10))))
        assert await link.open() is None
        polling = asyncio.create_task(link.poll("fan", Pace.RUNNING))
        await wait_until(lambda: bool(server.requests))
        polling.cancel()
        with pytest.raises(asyncio.CancelledError):
            await polling
        assert not link.is_open
        server.play = answer_honestly
        assert (await turn_of(link, "fan")).readings[0].values["current"] == 1010
        await link.close()


async def test_a_device_that_restarts_is_read_again_at_the_next_turn() -> None:
    async with RawServer() as server:
        link = link_to(server, Attached(starter="fan", map=sketch(signal("current", 10))))
        assert (await turn_of(link, "fan")).readings[0].has_data
        await server.stop()
        await wait_until(lambda: not link.is_open)
        fault = await link.open()
        assert fault is not None
        assert fault.kind is FaultKind.REFUSED
        await server.listen()
        assert (await turn_of(link, "fan")).readings[0].has_data
        await link.close()


async def test_hundreds_of_broken_connections_leak_no_descriptor() -> None:
    descriptors = len(os.listdir("/proc/self/fd"))
    async with RawServer(replying(lambda request: b"\xff" * 20)) as server:
        link = ModbusLink("127.0.0.1", server.port, [Attached(starter="fan", map=sketch(signal("current", 10)))], RealClock())
        for _ in range(300):
            assert await link.open() is None
            await link.poll("fan", Pace.RUNNING)
        await link.close()
        assert link.is_open is False
    await asyncio.sleep(0.05)
    assert abs(len(os.listdir("/proc/self/fd")) - descriptors) <= 2
