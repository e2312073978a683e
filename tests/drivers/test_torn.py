"""Torn numbers (F23, torn high and low word): a counter that steps over 65535 between two registers is never shown as one that jumped."""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest

from gateway.clock import HandClock
from gateway.drivers.base import Attached, FaultKind
from gateway.drivers.modbus import ModbusLink
from gateway.motors.records import Pace
from gateway.registers.model import ModbusPlace, Order, Protocol, RegisterMap, Signal, Span, Table, WordType
from tests.drivers.wire import RawServer, Request, frame, registers, replying


def sketch(order: Order = Order.HIGH_FIRST, *, may_tear: bool = True) -> RegisterMap:
    place = ModbusPlace(span=Span(Table.HOLDING, 10, 11), written="")
    count = Signal(name="count", key="count", role=None, place=place, type=WordType.UINT32, word_order=order, may_tear=may_tear)
    beside = Signal(
        name="state", key="state", role=None, place=ModbusPlace(span=Span(Table.HOLDING, 12, 12), written=""), type=WordType.UINT16
    )
    return RegisterMap(name="m", protocol=Protocol.MODBUS, signals=(count, beside), timeout_s=5.0)


async def read(
    register_map: RegisterMap, words: Callable[[], tuple[int, int]], polls: int = 1
) -> tuple[list[object], RawServer, list[str]]:
    def reply(request: Request) -> bytes:
        high, low = words()
        pair = [high, low] if register_map.signals[0].word_order is Order.HIGH_FIRST else [low, high]
        return frame(request.transaction_id, request.unit, registers(3, [*pair, 7]))

    values: list[object] = []
    reasons = []
    async with RawServer(replying(reply)) as server:
        link = ModbusLink("127.0.0.1", server.port, [Attached(starter="fan", map=register_map)], HandClock())
        assert await link.open() is None
        for _ in range(polls):
            (reading,) = (await link.poll("fan", Pace.RUNNING)).readings
            assert reading.values["state"] == 7
            values.append(reading.values.get("count"))
            reasons += [flaw.reason for flaw in reading.flaws.values()]
        await link.close()
    return values, server, reasons


@pytest.mark.parametrize("order", list(Order))
@pytest.mark.parametrize("low_is_read_first", [False, True])
async def test_a_counter_that_steps_over_is_right_at_every_reading(order: Order, low_is_read_first: bool) -> None:
    """The device counts between its two registers too; every value must be one that the counter really had, in order."""
    seed = 3
    draw, count, had = random.Random(seed), 60_000, {60_000}

    def step() -> None:
        nonlocal count
        count += draw.choice([0, 0, 0, 1, 9_000])
        had.add(count)

    def torn() -> tuple[int, int]:
        step()
        first = count
        step()
        return (count >> 16, first & 0xFFFF) if low_is_read_first else (first >> 16, count & 0xFFFF)

    values, _, reasons = await read(sketch(order), torn, polls=300)
    known = [value for value in values if isinstance(value, int)]
    assert len(known) + len(reasons) == 300
    assert len(known) > 200, f"seed {seed}"
    assert set(known) <= had, f"seed {seed}"
    assert all(later >= earlier for earlier, later in zip(known, known[1:], strict=False)), f"seed {seed}"
    assert known[-1] > 10 * 65_536


async def test_without_the_line_in_the_map_it_is_read_once() -> None:
    _, server, _ = await read(sketch(may_tear=False), lambda: (0, 5))
    assert len(server.requests) == 1


async def test_a_number_that_stands_costs_two_more_requests() -> None:
    values, server, _ = await read(sketch(), lambda: (1, 5))
    assert values == [65_541]
    assert len(server.requests) == 3


async def test_a_number_that_never_stands_still_is_bad() -> None:
    highs = iter(range(100))
    values, server, reasons = await read(sketch(), lambda: (next(highs), 5))
    assert values == [None]
    assert reasons == ["its high registers did not stand still in 6 readings in a row"]
    assert len(server.requests) == 6


async def test_a_link_that_breaks_at_the_second_reading_gives_no_value() -> None:
    answers = iter([registers(3, [0, 5, 7]), registers(3, [0])])
    async with RawServer(replying(lambda request: frame(request.transaction_id, request.unit, next(answers)))) as server:
        link = ModbusLink("127.0.0.1", server.port, [Attached(starter="fan", map=sketch())], HandClock())
        assert await link.open() is None
        poll = await link.poll("fan", Pace.RUNNING)
        await link.close()
    assert poll.faults[0].kind is FaultKind.WRONG_COUNT
    assert not poll.readings[0].has_data
