"""Devices that close the connection after every reply, or now and then: every block of a poll is read all the same, and it is told."""

from __future__ import annotations

import asyncio

import pytest

from gateway.clock import RealClock
from gateway.drivers.base import Attached, FaultKind
from gateway.drivers.modbus import ModbusLink
from gateway.motors.records import Pace
from gateway.registers.model import ModbusPlace, Protocol, RegisterMap, Signal, Span, Table, WordType
from tests.drivers.wire import Play, RawServer, Request, answer_honestly, wait_until

FIRSTS = (0, 100, 200)
UNIT = 3


def link_to(port: int) -> ModbusLink:
    places = [ModbusPlace(span=Span(Table.HOLDING, at, at), written="") for at in FIRSTS]
    names = [f"r{at}" for at in FIRSTS]
    signals = tuple(
        Signal(name=name, key=name, role=None, place=place, type=WordType.UINT16) for name, place in zip(names, places, strict=True)
    )
    register_map = RegisterMap(name="sketch", protocol=Protocol.MODBUS, signals=signals, timeout_s=5.0)
    return ModbusLink("127.0.0.1", port, [Attached(starter="fan", map=register_map, unit=UNIT)], RealClock())


async def reply_and_close(request: Request, writer: asyncio.StreamWriter) -> None:
    await answer_honestly(request, writer)
    writer.close()


async def reply_and_close_later(request: Request, writer: asyncio.StreamWriter) -> None:
    """Close when the next request is already on its way."""
    await answer_honestly(request, writer)
    await asyncio.sleep(0.02)
    writer.close()


@pytest.mark.parametrize("play", [reply_and_close, reply_and_close_later])
async def test_a_device_that_closes_after_every_reply_is_read_whole(play: Play) -> None:
    async with RawServer(play) as server:
        link = link_to(server.port)
        for _ in range(5):
            # The poller has its time between two polls, in which the last closing is seen.
            await wait_until(lambda: not link.is_open)
            assert await link.open() is None
            poll = await link.poll("fan", Pace.RUNNING)
            assert dict(poll.readings[-1].values) == {f"r{at}": UNIT * 1000 + at for at in FIRSTS}
            assert poll.faults == ()
        assert ["in the middle of a poll 10 times" in note for note in link.notes] == [True]
        await link.close()


async def test_a_device_that_closes_again_before_it_answers_is_left_until_the_next_poll() -> None:
    async def one_block_alone(request: Request, writer: asyncio.StreamWriter) -> None:
        if request.first == FIRSTS[0]:
            await answer_honestly(request, writer)
        else:
            writer.close()

    async with RawServer(one_block_alone) as server:
        link = link_to(server.port)
        assert await link.open() is None
        poll = await link.poll("fan", Pace.RUNNING)
        assert dict(poll.readings[-1].values) == {"r0": UNIT * 1000}
        assert [fault.kind for fault in poll.faults] == [FaultKind.CLOSED]
        assert [request.first for request in server.requests] == [0, 100, 100]
        assert not link.is_open
        await link.close()


async def test_a_device_that_goes_away_in_the_middle_of_a_poll_is_asked_no_further() -> None:
    async def last_words(request: Request, writer: asyncio.StreamWriter) -> None:
        await answer_honestly(request, writer)
        assert server._server is not None
        server._server.close()
        writer.close()

    async with RawServer(last_words) as server:
        link = link_to(server.port)
        assert await link.open() is None
        poll = await link.poll("fan", Pace.RUNNING)
        assert dict(poll.readings[-1].values) == {"r0": UNIT * 1000}
        assert [fault.kind for fault in poll.faults] == [FaultKind.CLOSED]
        assert len(server.requests) == 1
        assert link.notes == ()
        await link.close()
