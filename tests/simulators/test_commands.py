"""Commands that a PLC writes: what each place orders, what is refused, and an independent client that writes."""

from __future__ import annotations

import pytest
from pymodbus.client import AsyncModbusTcpClient

from gateway.registers.model import Table
from simulators.commands import CommandDesk, CommandPlace, Order, answer_write
from simulators.live import LiveUnit
from simulators.modbus import ModbusServer
from tests.simulators.makes import starter
from tests.simulators.wire import Bank, read_request, wire_to

PLACES = (
    CommandPlace(order=Order.RUN, table=Table.COIL, address=0, written="coil 0"),
    CommandPlace(order=Order.RESET, table=Table.COIL, address=1, written="coil 1"),
    CommandPlace(order=Order.START, table=Table.HOLDING, address=100, bit=0, written="holding 100 bit 0"),
    CommandPlace(order=Order.STOP, table=Table.HOLDING, address=100, bit=1, written="holding 100 bit 1"),
    CommandPlace(order=Order.TRIP, table=Table.HOLDING, address=101, value=5, written="holding 101 value 5"),
)


def desk() -> tuple[CommandDesk, list[Order]]:
    given: list[Order] = []
    return CommandDesk(PLACES, given.append, shown_by_device=[(Table.HOLDING, 101)]), given


@pytest.mark.parametrize(
    ("pdus", "orders"),
    [
        # Write single coil: on, on again, off (Modbus Application Protocol V1.1b3, 6.5).
        (["050000ff00", "050000ff00", "0500000000"], [Order.START, Order.STOP]),
        (["050001ff00", "0500010000", "050001ff00"], [Order.RESET, Order.RESET]),
        # Write single register (6.6): a bit that stays on orders once.
        (["0600640001", "0600640001", "0600640003", "0600640000", "0600640001"], [Order.START, Order.STOP, Order.START]),
        (["0600650004", "0600650005", "0600650005"], [Order.TRIP]),
        # Write several coils (6.11) and registers (6.12).
        (["0f000000020103"], [Order.START, Order.RESET]),
        (["10006400020400010005"], [Order.START, Order.TRIP]),
    ],
)
def test_what_is_ordered(pdus: list[str], orders: list[Order]) -> None:
    own, given = desk()
    for pdu in pdus:
        assert answer_write(own, bytes.fromhex(pdu)) == bytes.fromhex(pdu)[:5]
    assert given == orders


@pytest.mark.parametrize(
    ("pdu", "code"),
    [
        ("050002ff00", 2),
        ("0600630001", 2),
        ("1000640003060001000500ff", 2),
        ("0500000001", 3),
        ("05000000", 3),
        ("0f000000020203", 3),
        ("0f0000000001", 3),
        ("10006400010300010005", 3),
        ("10006400", 3),
    ],
)
def test_what_is_refused_does_nothing(pdu: str, code: int) -> None:
    own, given = desk()
    raw = bytes.fromhex(pdu)
    assert answer_write(own, raw) == bytes((raw[0] | 0x80, code))
    assert given == []
    assert set(own.kept.values()) == {0}


def test_what_the_device_shows_is_not_kept() -> None:
    own, _ = desk()
    own.write(Table.HOLDING, 100, [3, 5])
    assert own.kept == {(Table.COIL, 0): 0, (Table.COIL, 1): 0, (Table.HOLDING, 100): 3}


async def test_an_independent_client_writes() -> None:
    own, given = desk()
    async with ModbusServer({1: Bank(), 2: Bank()}, desks={1: own}) as server:
        client = AsyncModbusTcpClient(server.host, port=server.port, timeout=1, retries=0, reconnect_delay=0)
        assert await client.connect()
        assert not (await client.write_coil(0, True, device_id=1)).isError()
        assert not (await client.write_register(100, 2, device_id=1)).isError()
        assert not (await client.write_coils(0, [False, True], device_id=1)).isError()
        assert not (await client.write_registers(100, [1, 5], device_id=1)).isError()
        assert (await client.write_register(50, 1, device_id=1)).exception_code == 2
        # Another unit of the same server takes nothing.
        assert (await client.write_coil(0, True, device_id=2)).exception_code == 1
        client.close()
        await server.wait_until_left_alone()
    assert given == [Order.START, Order.STOP, Order.STOP, Order.RESET, Order.START, Order.TRIP]


def test_a_read_gives_what_was_written_where_the_device_has_nothing() -> None:
    bench = starter()
    place = CommandPlace(order=Order.RUN, table=Table.HOLDING, address=15, written="holding 15")
    given: list[Order] = []
    own = CommandDesk([place], given.append)
    unit = LiveUnit(bench, lambda: 1.0, own)
    assert unit.answers
    own.write(Table.HOLDING, 15, [77])
    words = unit.read(Table.HOLDING, 14, 2)
    assert words is not None
    assert words[1] == 77
    assert list(unit.read(Table.HOLDING, 0, 1) or ()) == list(bench.read(Table.HOLDING, 0, 1) or ())
    assert unit.read(Table.HOLDING, 15, 99) is None


async def test_without_a_desk_nothing_can_be_written() -> None:
    async with ModbusServer({1: Bank()}) as server, wire_to(server) as wire:
        assert await wire.ask(bytes.fromhex("050000ff00")) == b"\x85\x01"
        assert await wire.ask(read_request(3, 0, 1)) == b"\x03\x02\0\0"
    assert server.traffic.trap_hits == 1
