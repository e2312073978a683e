"""A device that has not every address between two signals is asked around them: within one poll, once, and only where that helps."""

from __future__ import annotations

import logging

import pytest

from gateway.clock import HandClock
from gateway.drivers.base import Attached, FaultKind
from gateway.drivers.modbus import ModbusLink
from gateway.drivers.plans import Plans
from gateway.motors.records import Pace
from gateway.registers.model import ModbusPlace, Protocol, RegisterMap, Signal, SignalPace, Span, Table, WordType
from gateway.site import Framing
from tests.drivers.wire import RawServer, Request, frame, honest, replying, rtu_frame


def signal(name: str, first: int, pace: SignalPace = SignalPace.NORMAL) -> Signal:
    place = ModbusPlace(span=Span(Table.HOLDING, first, first), written="")
    return Signal(name=name, key=name, role=None, place=place, type=WordType.UINT16, pace=pace)


MAP = RegisterMap(
    name="ramp",
    protocol=Protocol.MODBUS,
    signals=(signal("current", 10), signal("voltage", 13), signal("energy", 15, SignalPace.SLOW), signal("power", 17), signal("speed", 90)),
)
WHOLE = {"current": 1010, "voltage": 1013, "power": 1017, "speed": 1090}


def without(*missing: int, is_rtu: bool = False) -> RawServer:
    """Return a device that refuses every request that touches a missing register."""

    def reply(request: Request) -> bytes:
        if any(request.first <= address < request.first + request.count for address in missing):
            return rtu_frame(1, b"\x83\x02") if is_rtu else frame(request.transaction_id, 1, b"\x83\x02")
        return honest(request)

    return RawServer(replying(reply), is_rtu=is_rtu)


def link_to(server: RawServer, register_map: RegisterMap = MAP) -> ModbusLink:
    framing = Framing.RTU if server.is_rtu else Framing.TCP
    return ModbusLink("127.0.0.1", server.port, [Attached(starter="fan", map=register_map)], HandClock(), framing=framing)


def asked(server: RawServer) -> list[tuple[int, int]]:
    spans = [(request.first, request.count) for request in server.requests]
    server.requests.clear()
    return spans


async def test_a_refused_gap_costs_no_value_and_is_not_tried_again(caplog: pytest.LogCaptureFixture) -> None:
    async with without(12) as server:
        link = link_to(server)
        assert await link.open() is None
        with caplog.at_level(logging.WARNING):
            first = await link.poll("fan", Pace.RUNNING)
        assert dict(first.readings[0].values) == WHOLE
        assert dict(first.readings[0].flaws) == {}
        assert asked(server) == [(10, 8), (10, 1), (13, 1), (17, 1), (90, 1)]
        assert [fault.kind for fault in first.faults] == [FaultKind.EXCEPTION]
        second = await link.poll("fan", Pace.RUNNING)
        assert dict(second.readings[0].values) == WHOLE
        assert second.faults == ()
        assert asked(server) == [(10, 1), (13, 1), (17, 1), (90, 1)]
        slow = await link.poll("fan", Pace.SLOW)
        assert dict(slow.readings[0].values) == {**WHOLE, "energy": 1015}
        assert slow.faults == ()
        await link.close()
    (note,) = link.notes
    assert "unit 1: the device has not every address of holding 0x000B-0x000C" in note
    assert "Add `forbidden: [holding 0x000B-0x000C" in note
    assert note in caplog.text


async def test_what_was_learned_outlives_the_connection() -> None:
    async with without(12) as server:
        link = link_to(server)
        for _ in range(3):
            assert await link.open() is None
            assert dict((await link.poll("fan", Pace.RUNNING)).readings[0].values) == WHOLE
            await link.close()
    assert sum(request.count == 8 for request in server.requests) == 1
    assert len(link.notes) == 1


async def test_a_signal_that_is_not_there_is_told_and_the_request_stays_whole() -> None:
    one_wrong = RegisterMap(name="m", protocol=Protocol.MODBUS, signals=(signal("current", 10), signal("voltage", 13)))
    async with without(10, 13) as server:
        link = link_to(server, one_wrong)
        assert await link.open() is None
        for _ in range(3):
            poll = await link.poll("fan", Pace.RUNNING)
            assert "illegal data address" in poll.readings[0].flaws["current"].reason
        await link.close()
        assert asked(server) == [(10, 4), (10, 1), (13, 1), (10, 4), (10, 4)]
    assert link.notes == ()


async def test_beside_a_signal_that_is_not_there_the_others_are_read() -> None:
    async with without(13) as server:
        link = link_to(server)
        assert await link.open() is None
        for _ in range(2):
            (reading,) = (await link.poll("fan", Pace.RUNNING)).readings
            assert dict(reading.values) == {key: value for key, value in WHOLE.items() if key != "voltage"}
            assert "illegal data address" in reading.flaws["voltage"].reason
        await link.close()


async def test_tied_signals_are_never_parted() -> None:
    tied = RegisterMap(
        name="m", protocol=Protocol.MODBUS, signals=(signal("current", 10), signal("voltage", 13)), together=(("current", "voltage"),)
    )
    async with without(12) as server:
        link = link_to(server, tied)
        assert await link.open() is None
        poll = await link.poll("fan", Pace.RUNNING)
        await link.close()
        assert asked(server) == [(10, 4)]
    assert set(poll.readings[0].flaws) == {"current", "voltage"}


async def test_a_link_that_breaks_among_the_pieces_leaves_the_rest_bad_and_learns_nothing_of_what_it_did_not_see() -> None:
    def reply(request: Request) -> bytes:
        if request.count == 8:
            return frame(request.transaction_id, 1, b"\x83\x02")
        return b"\xff" * 20

    async with RawServer(replying(reply)) as server:
        link = link_to(server)
        assert await link.open() is None
        poll = await link.poll("fan", Pace.RUNNING)
        assert not link.is_open
        await link.close()
        assert asked(server) == [(10, 8), (10, 1)]
    assert set(poll.readings[0].flaws) == set(WHOLE)
    assert link.notes == ()


async def test_in_rtu_framing_a_request_made_longer_is_taken_back_where_the_device_refuses_it() -> None:
    spread = RegisterMap(name="m", protocol=Protocol.MODBUS, signals=(signal("current", 10), signal("voltage", 500)))
    async with without(501, is_rtu=True) as server:
        link = link_to(server, spread)
        assert await link.open() is None
        for _ in range(2):
            assert dict((await link.poll("fan", Pace.RUNNING)).readings[0].values) == {"current": 1010, "voltage": 1500}
        await link.close()
        # The second (10, 1) is as long as the request before it, so that it is asked twice.
        assert asked(server) == [(10, 1), (500, 2), (500, 1), (10, 1), (10, 1), (499, 2)]


def test_a_watched_word_is_a_plan_of_its_own() -> None:
    watched = RegisterMap(name="m", protocol=Protocol.MODBUS, signals=(signal("status", 1, SignalPace.WATCH), signal("current", 5)))
    plans = Plans(watched)
    assert [block.span.count for block in plans.blocks(Pace.WATCH)] == [1]
    assert [block.span.count for block in plans.blocks(Pace.STANDBY)] == [5]
    assert [each.name for each in plans.signals(Pace.WATCH)] == ["status"]
