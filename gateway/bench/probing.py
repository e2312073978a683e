"""Finding out what a Modbus device can take, with few and bounded requests."""

from __future__ import annotations

from collections.abc import Sequence

from gateway.bench.exchange import Exchange
from gateway.bench.probe import BLOCKS, BlockAnswer, Probe, block_answer, pace_of, unit_answer
from gateway.bench.wire import BenchWire
from gateway.clock import Clock
from gateway.drivers.frame_tap import TappedConnection
from gateway.drivers.modbus_connection import Refusal
from gateway.registers.model import Span


async def probe(
    wire: BenchWire, clock: Clock, *, units: Sequence[int], at: Span, round_trips: int, most_connections: int, timeout_s: float
) -> Probe:
    """Return what was found out; `at` is an address that the device has, block sizes are tried from there on.

    Raises DeviceLostError when the address cannot be reached at all.
    """
    one = Span(at.table, at.first, at.first)
    answers = [unit_answer(await _patiently(wire, one, unit)) for unit in units]
    alive = next((each.unit for each in answers if each.answers), None)
    if alive is None:
        return Probe(device=wire.where, units=tuple(answers), requests=len(wire.exchanges))
    blocks = await _blocks(wire, at, alive)
    trips = await _trips(wire, one, alive, round_trips)
    await wire.close()
    opened, refused, text = await _connections(wire, clock, one, alive, most_connections, timeout_s)
    return Probe(
        device=f"{wire.host}:{wire.port}",
        units=tuple(answers),
        blocks=blocks,
        pace=pace_of(trips),
        connections=opened,
        connections_refused=refused,
        connections_text=text,
        requests=len(wire.exchanges) + opened,
    )


async def _patiently(wire: BenchWire, span: Span, unit: int) -> Exchange:
    """Ask a unit that may not be there: its silence must not count against the device behind the address."""
    wire.forgive()
    return await wire.ask(span, unit)


async def _blocks(wire: BenchWire, at: Span, unit: int) -> tuple[BlockAnswer, ...]:
    blocks = []
    for count in BLOCKS:
        if at.first + count > 65536:
            break
        exchange = await _patiently(wire, Span(at.table, at.first, at.first + count - 1), unit)
        blocks.append(block_answer(exchange))
        if exchange.words is None:
            break
    return tuple(blocks)


async def _trips(wire: BenchWire, one: Span, unit: int, count: int) -> list[float]:
    trips = []
    for _ in range(count):
        exchange = await wire.ask(one, unit)
        if exchange.words is not None or exchange.code is not None:
            trips.append(exchange.round_trip_s)
    return trips


async def _connections(wire: BenchWire, clock: Clock, one: Span, unit: int, most: int, timeout_s: float) -> tuple[int, bool, str]:
    """Open connections one after the other, each of which must answer once while the others stand; close all of them again."""
    standing: list[TappedConnection] = []
    try:
        for number in range(1, most + 1):
            connection = wire.connection(first_id=1000 * number)
            standing.append(connection)
            fault = await connection.open(timeout_s)
            result = Refusal(fault) if fault is not None else await connection.ask(one, unit, timeout_s=timeout_s)
            if isinstance(result, Refusal) and result.code is None:
                return number - 1, True, result.fault.text
            await clock.sleep(1.0 / wire.rate)
        return most, False, f"{most} were opened, no more were tried"
    finally:
        for connection in standing:
            connection.close()
        # The loop frees the sockets on its next turns.
        await clock.sleep(0)
