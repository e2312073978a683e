"""Frames: CRC against an independent implementation, streams cut anywhere, and RTU frames over TCP to an independent client."""

from __future__ import annotations

import random

import pytest
from pymodbus import FramerType
from pymodbus.client import AsyncModbusTcpClient
from pymodbus.exceptions import ModbusIOException
from pymodbus.framer.rtu import FramerRTU

from simulators.faults import FaultSwitch, ReplyFault
from simulators.framing import Framing, Request, crc16, rtu_frame, split_rtu, split_tcp, tcp_frame
from simulators.modbus import ModbusServer
from tests.simulators.wire import Bank

PDUS = (
    bytes.fromhex("0300000010"),
    bytes.fromhex("05000cff00"),
    bytes.fromhex("0f0000000a02ff03"),
    bytes.fromhex("100001000204000a0102"),
    bytes.fromhex("07"),
    bytes.fromhex("2b0e0100"),
)


def test_crc_against_another_implementation() -> None:
    generator = random.Random(5)
    for _ in range(300):
        data = generator.randbytes(generator.randint(1, 250))
        assert crc16(data).to_bytes(2, "little") == FramerRTU.compute_CRC(data).to_bytes(2, "big")


@pytest.mark.parametrize("framing", list(Framing))
def test_a_stream_may_be_cut_anywhere(framing: Framing) -> None:
    split = split_tcp if framing is Framing.TCP else split_rtu
    whole = b"".join(tcp_frame(n, 9, pdu) if framing is Framing.TCP else rtu_frame(9, pdu) for n, pdu in enumerate(PDUS))
    expected = [Request(number if framing is Framing.TCP else 0, 9, pdu) for number, pdu in enumerate(PDUS)]
    assert list(split(whole).requests) == expected
    for cut in range(len(whole)):
        head = split(whole[:cut])
        tail = split(head.rest + whole[cut:])
        assert [*head.requests, *tail.requests] == expected
        assert (head.thrown, tail.thrown, head.broken, tail.broken, tail.rest) == (0, 0, False, False, b"")


def test_a_wrong_crc_is_thrown_away() -> None:
    spoilt = bytearray(rtu_frame(1, PDUS[0]))
    spoilt[3] ^= 1
    assert split_rtu(bytes(spoilt)) == ((), b"", 1, False)


def test_what_is_no_modbus_tcp_breaks_the_stream() -> None:
    assert split_tcp(b"GET / HTTP/1.1\r\n\r\n").broken
    assert split_tcp(tcp_frame(1, 1, PDUS[0]) + b"\0\1\0\0\0\0\1").requests == (Request(1, 1, PDUS[0]),)


async def test_rtu_over_tcp_to_an_independent_client() -> None:
    bank = Bank()
    for table in bank.cells:
        for address in range(20):
            bank.cells[table][address] = address % 2 if table.holds_bits else 1000 + address
    switch = FaultSwitch()
    async with ModbusServer({7: bank}, framing=Framing.RTU, faults=switch) as server:
        client = AsyncModbusTcpClient(server.host, port=server.port, framer=FramerType.RTU, timeout=0.3, retries=0, reconnect_delay=0)
        assert await client.connect()
        assert (await client.read_holding_registers(5, count=3, device_id=7)).registers == [1005, 1006, 1007]
        assert (await client.read_coils(0, count=10, device_id=7)).bits[:10] == [bool(n % 2) for n in range(10)]
        assert (await client.read_holding_registers(500, count=1, device_id=7)).exception_code == 2
        switch.next(ReplyFault.CRC)
        with pytest.raises(ModbusIOException):
            await client.read_holding_registers(5, count=3, device_id=7)
        assert switch.drawn[ReplyFault.CRC] == 1
        client.close()
        await server.wait_until_left_alone()


async def test_a_crc_fault_leaves_modbus_tcp_right() -> None:
    switch = FaultSwitch()
    switch.sometimes(ReplyFault.CRC, 1.0)
    async with ModbusServer({1: Bank()}, faults=switch) as server:
        client = AsyncModbusTcpClient(server.host, port=server.port, timeout=1, retries=0, reconnect_delay=0)
        assert await client.connect()
        assert (await client.read_holding_registers(5, count=3, device_id=1)).registers == [0, 0, 0]
        client.close()
        await server.wait_until_left_alone()
