"""The simulated device's Modbus server against the bytes of the specification, and every fault as a client meets it."""

from __future__ import annotations

import asyncio
import struct

import pytest

from gateway.errors import ServeError
from gateway.registers.model import Table
from simulators.faults import ReplyFault
from simulators.modbus import ModbusServer
from tests.simulators.wire import Bank, read_request, wire_to


def spec_bank() -> Bank:
    """Registers as in the examples of the Modbus Application Protocol V1.1b3, 6.1 to 6.4 (register n is address n - 1)."""
    bank = Bank()
    coils = [1, 0, 1, 1, 0, 0, 1, 1, 1, 1, 0, 1, 0, 1, 1, 0, 1, 0, 1]  # CD 6B 05, coils 20 to 38
    inputs = [0, 0, 1, 1, 0, 1, 0, 1, 1, 1, 0, 1, 1, 0, 1, 1, 1, 0, 1, 0, 1, 1]  # AC DB 35, inputs 197 to 218
    for index, bit in enumerate(coils):
        bank.cells[Table.COIL][19 + index] = bit
    wide = Bank(300)
    bank.cells[Table.DISCRETE] = wide.cells[Table.DISCRETE]
    for index, bit in enumerate(inputs):
        bank.cells[Table.DISCRETE][196 + index] = bit
    for address, word in ((107, 0x022B), (108, 0), (109, 0x64)):
        bank.cells[Table.HOLDING][address] = word
    bank.cells[Table.INPUT][8] = 0x000A
    return bank


@pytest.mark.parametrize(
    ("request_hex", "reply_hex"),
    [
        ("01 0013 0013", "01 03 CD 6B 05"),
        ("02 00C4 0016", "02 03 AC DB 35"),
        ("03 006B 0003", "03 06 02 2B 00 00 00 64"),
        ("04 0008 0001", "04 02 00 0A"),
    ],
)
async def test_examples_of_the_specification(request_hex: str, reply_hex: str) -> None:
    async with ModbusServer({1: spec_bank()}) as server, wire_to(server) as wire:
        assert await wire.ask(bytes.fromhex(request_hex)) == bytes.fromhex(reply_hex)


@pytest.mark.parametrize(
    ("request_hex", "reply_hex"),
    [
        ("03 0000 0000", "83 03"),
        ("03 0000 007E", "83 03"),
        ("04 0000 0000", "84 03"),
        ("01 0000 0000", "81 03"),
        ("02 0000 07D1", "82 03"),
        ("03 0000", "83 03"),
        ("03 0000 0001 00", "83 03"),
        ("03 00C7 0002", "83 02"),
        ("03 FFFF 0001", "83 02"),
        ("03 0000 007D", "03 FA" + "0000" * 125),
    ],
)
async def test_bounds(request_hex: str, reply_hex: str) -> None:
    async with ModbusServer({1: Bank()}) as server, wire_to(server) as wire:
        assert await wire.ask(bytes.fromhex(request_hex)) == bytes.fromhex(reply_hex)


async def test_a_device_may_take_smaller_requests_than_the_standard() -> None:
    async with ModbusServer({1: Bank(largest_block=20, largest_bit_block=16)}) as server, wire_to(server) as wire:
        assert (await wire.ask(read_request(3, 0, 20)))[0] == 3
        assert await wire.ask(read_request(3, 0, 21)) == b"\x83\x03"
        assert await wire.ask(read_request(1, 0, 17)) == b"\x81\x03"


async def test_nothing_can_be_written_and_each_try_is_counted() -> None:
    bank = Bank()
    async with ModbusServer({1: bank}) as server, wire_to(server) as wire:
        for function in [0, *range(5, 128)]:
            assert await wire.ask(bytes([function, 0, 0, 0, 1])) == bytes([function | 0x80, 1])
        assert server.traffic.trap_hits == 124
        assert server.traffic.by_function[6] == 1
        assert server.traffic.frames[-1].pdu == bytes([127, 0, 0, 0, 1])
        await wire.ask(read_request(3, 0, 1))
        assert server.traffic.trap_hits == 124
        assert server.traffic.requests == 125
    assert all(not any(cells) for cells in bank.cells.values())


async def test_the_record_of_frames_is_bounded_and_the_counts_are_not() -> None:
    async with ModbusServer({1: Bank()}, keep_frames=3) as server, wire_to(server) as wire:
        for address in range(10):
            await wire.ask(read_request(4, address, 1))
        assert [frame.pdu[2] for frame in server.traffic.frames] == [7, 8, 9]
        assert server.traffic.by_function == {4: 10}
        assert server.traffic.by_unit == {1: 10}


async def test_units_behind_one_address_answer_for_themselves() -> None:
    banks = {3: Bank(), 4: Bank()}
    banks[3].cells[Table.HOLDING][0], banks[4].cells[Table.HOLDING][0] = 33, 44
    async with ModbusServer(banks) as server, wire_to(server) as wire:
        assert await wire.ask(read_request(3, 0, 1), unit=4) == bytes.fromhex("0302002C")
        assert await wire.ask(read_request(3, 0, 1), unit=3) == bytes.fromhex("03020021")
        assert await wire.ask(read_request(3, 0, 1), unit=5) == bytes.fromhex("830B")


async def test_an_unknown_unit_may_stay_silent_and_so_does_a_device_that_is_off() -> None:
    bank = Bank()
    async with ModbusServer({1: bank}, silent_unknown=True) as server, wire_to(server) as wire:
        wire.send(read_request(3, 0, 1), unit=9)
        assert await wire.is_silent()
        bank.answers = False
        wire.send(read_request(3, 0, 1))
        assert await wire.is_silent()
        bank.answers = True
        assert (await wire.ask(read_request(3, 0, 1)))[0] == 3


async def test_requests_may_come_joined_or_in_pieces() -> None:
    async with ModbusServer({1: Bank()}) as server, wire_to(server) as wire:
        wire.writer.write(bytes.fromhex("0001 0000 0006 01 03 0000 0001 0002 0000 0006 01 03 0000 0002"))
        assert (await wire.frame())[:2] == b"\0\1"
        assert (await wire.frame())[:2] == b"\0\2"
        for byte in bytes.fromhex("0003 0000 0006 01 03 0000 0001"):
            wire.writer.write(bytes([byte]))
            await wire.writer.drain()
            await asyncio.sleep(0)
        assert (await wire.frame())[:2] == b"\0\3"


@pytest.mark.parametrize("frame_hex", ["0001 0001 0006 01 03 0000 0001", "0001 0000 0001 01 03", "0001 0000 00FF 01 03 0000"])
async def test_what_is_no_modbus_ends_the_connection(frame_hex: str) -> None:
    async with ModbusServer({1: Bank()}) as server, wire_to(server) as wire:
        wire.writer.write(bytes.fromhex(frame_hex))
        with pytest.raises(ConnectionError):
            if await asyncio.wait_for(wire.reader.read(1), 5) == b"":
                raise ConnectionResetError
        assert server.traffic.malformed == 1
        assert server.traffic.requests == 0


async def test_the_connection_limit_turns_others_away_until_one_leaves() -> None:
    async with ModbusServer({1: Bank()}, connection_limit=1) as server:
        async with wire_to(server) as first:
            await first.ask(read_request(3, 0, 1))
            async with wire_to(server) as second:
                with pytest.raises((ConnectionError, asyncio.IncompleteReadError)):
                    await second.ask(read_request(3, 0, 1))
            assert server.traffic.turned_away == 1
        await server.wait_until_left_alone()
        async with wire_to(server) as third:
            await third.ask(read_request(3, 0, 1))
        assert server.traffic.connections == 2


async def test_refuse_and_listen_again_on_the_same_port() -> None:
    server = ModbusServer({1: Bank()})
    await server.start()
    await server.start()
    port = server.port
    async with wire_to(server) as wire:
        await wire.ask(read_request(3, 0, 1))
        await server.refuse()
        assert not server.connections
        with pytest.raises(ConnectionRefusedError):
            await asyncio.open_connection(server.host, server.port)
    await server.start()
    assert server.port == port
    async with wire_to(server) as wire:
        await wire.ask(read_request(3, 0, 1))
    await server.stop()
    await server.stop()


async def test_a_taken_port_is_said_plainly() -> None:
    async with ModbusServer({1: Bank()}) as server:
        with pytest.raises(ServeError, match=f"cannot serve a simulated device on 127.0.0.1:{server.port}"):
            await ModbusServer({1: Bank()}, port=server.port).start()


async def ask_spoiled(kind: ReplyFault, *, delay_s: float = 0.0, exception_code: int = 4) -> tuple[bytes, bytes]:
    """Return the frames of a spoiled reply and of the one after it."""
    async with ModbusServer({1: spec_bank()}) as server, wire_to(server) as wire:
        server.faults.next(kind, delay_s=delay_s, exception_code=exception_code)
        first = await wire.ask_frame(read_request(3, 107, 3))
        return first, await wire.ask_frame(read_request(3, 107, 3))


@pytest.mark.parametrize(
    ("kind", "first_hex"),
    [
        (ReplyFault.WRONG_ID, "5A5B 0000 0009 01 03 06 022B 0000 0064"),
        (ReplyFault.PREVIOUS_ID, "0000 0000 0009 01 03 06 022B 0000 0064"),
        (ReplyFault.ID_ZERO, "0000 0000 0009 01 03 06 022B 0000 0064"),
        (ReplyFault.WRONG_UNIT, "0001 0000 0009 02 03 06 022B 0000 0064"),
        (ReplyFault.WRONG_FUNCTION, "0001 0000 0009 01 04 06 022B 0000 0064"),
        (ReplyFault.SHORT, "0001 0000 0007 01 03 04 022B 0000"),
        (ReplyFault.LONG, "0001 0000 000B 01 03 08 022B 0000 0064 1234"),
        (ReplyFault.ODD, "0001 0000 0008 01 03 05 022B 0000 00"),
        (ReplyFault.EXCEPTION, "0001 0000 0003 01 83 06"),
        (ReplyFault.LATE, "0001 0000 0009 01 03 06 022B 0000 0064"),
        (ReplyFault.PIECES, "0001 0000 0009 01 03 06 022B 0000 0064"),
        (ReplyFault.CUT, "0001 0000 0009 01 03 06 022B 0000 0064"),
    ],
)
async def test_one_spoiled_reply_and_the_next_is_right(kind: ReplyFault, first_hex: str) -> None:
    first, second = await ask_spoiled(kind, delay_s=0.02, exception_code=6)
    assert first == bytes.fromhex(first_hex)
    assert second == bytes.fromhex("0002 0000 0009 01 03 06 022B 0000 0064")


async def test_a_cut_frame_without_its_rest() -> None:
    async with ModbusServer({1: spec_bank()}) as server, wire_to(server) as wire:
        server.faults.next(ReplyFault.CUT)
        wire.send(read_request(3, 107, 3))
        assert await wire.reader.readexactly(7) == bytes.fromhex("0001 0000 0009 01")
        assert await wire.is_silent()


async def test_silence_and_garbage() -> None:
    async with ModbusServer({1: Bank()}) as server, wire_to(server) as wire:
        server.faults.next(ReplyFault.SILENCE)
        wire.send(read_request(3, 0, 1))
        assert await wire.is_silent()
        server.faults.next(ReplyFault.GARBAGE)
        wire.send(read_request(3, 0, 1))
        assert len(await wire.reader.readexactly(300)) == 300
        assert (await wire.ask(read_request(3, 0, 1)))[0] == 3


async def test_close_ends_in_order_and_reset_does_not() -> None:
    async with ModbusServer({1: Bank()}) as server:
        async with wire_to(server) as wire:
            server.faults.next(ReplyFault.CLOSE)
            wire.send(read_request(3, 0, 1))
            assert await asyncio.wait_for(wire.reader.read(1), 5) == b""
        async with wire_to(server) as wire:
            server.faults.next(ReplyFault.RESET)
            wire.send(read_request(3, 0, 1))
            with pytest.raises(ConnectionResetError):
                await asyncio.wait_for(wire.reader.read(1), 5)


async def test_replies_behind_a_late_one_wait_their_turn() -> None:
    async with ModbusServer({1: Bank()}) as server, wire_to(server) as wire:
        server.faults.next(ReplyFault.LATE, delay_s=0.05)
        wire.send(read_request(3, 0, 1))
        wire.send(read_request(3, 0, 2))
        assert [(await wire.frame())[1] for _ in range(2)] == [1, 2]


async def test_the_serial_bus_behind_a_bridge_serves_one_request_at_a_time() -> None:
    turnaround_s = 0.02
    async with (
        ModbusServer({1: Bank(), 2: Bank()}, turnaround_s=turnaround_s) as server,
        wire_to(server) as one,
        wire_to(server) as two,
    ):
        loop = asyncio.get_running_loop()
        begin = loop.time()
        for _ in range(3):
            one.send(read_request(3, 0, 1), unit=1)
            two.send(read_request(3, 0, 1), unit=2)
        for wire in (one, two):
            for _ in range(3):
                await wire.frame()
        # Not a measurement: six requests cannot be through sooner than six turns of the bus.
        assert loop.time() - begin >= 6 * turnaround_s - 0.002


async def test_a_client_that_only_asks_is_let_go() -> None:
    async with ModbusServer({1: Bank()}) as server, wire_to(server) as wire:
        server.faults.sometimes(ReplyFault.LATE, 1.0, delay_s=30.0)
        for _ in range(300):
            wire.send(read_request(3, 0, 1))
        with pytest.raises((ConnectionError, asyncio.IncompleteReadError)):
            await wire.frame()
        assert not server.connections


async def test_timers_end_with_their_connection() -> None:
    server = ModbusServer({1: Bank()})
    await server.start()
    server.faults.next(ReplyFault.LATE, delay_s=60.0)
    async with wire_to(server) as wire:
        wire.send(read_request(3, 0, 1))
        assert await wire.is_silent()
        assert server.traffic.requests == 1
        await server.stop()
    assert not server.connections


@pytest.mark.parametrize("connections", [100, pytest.param(1000, marks=pytest.mark.slow)])
async def test_many_connections_each_get_their_own_answers(connections: int) -> None:
    banks = {unit: Bank() for unit in range(1, 201)}
    for unit, bank in banks.items():
        for address in range(20):
            bank.cells[Table.HOLDING][address] = 100 * unit + address

    async def client(server: ModbusServer, index: int) -> None:
        unit = index % 200 + 1
        async with wire_to(server) as wire:
            for address in range(10):
                pdu = await wire.ask(read_request(3, address, 2), unit=unit)
                assert struct.unpack(">BBHH", pdu) == (3, 4, 100 * unit + address, 100 * unit + address + 1)

    async with ModbusServer(banks) as server:
        await asyncio.gather(*(client(server, index) for index in range(connections)))
        assert server.traffic.requests == 10 * connections
        assert server.traffic.connections == connections
