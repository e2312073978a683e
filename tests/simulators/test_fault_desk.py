"""Faults begun and ended on served addresses, seen by independent clients."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from pathlib import Path

import pytest
from asyncua import ua
from asyncua.client.client import Client
from asyncua.ua.status_codes import StatusCodes

from gateway.registers.load import load_map
from simulators.fault_desk import FaultDesk
from simulators.faults import FaultSwitch, ReplyFault
from simulators.link_faults import MODBUS_FAULTS, OPCUA_FAULTS, Fault, FaultKind, LinkFault
from simulators.modbus import ModbusServer
from simulators.opcua import Device, OpcuaServer
from simulators.words import Value
from tests.simulators.test_scenario import OPCUA_MAP
from tests.simulators.wire import Bank, read_request, wire_to

READ = read_request(3, 0, 1)


async def test_refuse() -> None:
    server = ModbusServer({1: Bank()})
    desk = FaultDesk(server, FaultSwitch())
    async with server:
        async with wire_to(server) as wire:
            await wire.ask(READ)
            await desk.begin(Fault(kind=LinkFault.REFUSE))
        with pytest.raises(ConnectionRefusedError):
            await asyncio.open_connection(server.host, server.port)
        await desk.end(Fault(kind=LinkFault.REFUSE))
        async with wire_to(server) as wire:
            await wire.ask(READ)


async def test_connection_limit_and_drop() -> None:
    server = ModbusServer({1: Bank()}, connection_limit=5)
    desk = FaultDesk(server, FaultSwitch())
    async with server:
        limit = Fault(kind=LinkFault.CONNECTION_LIMIT, value=1)
        await desk.begin(limit)
        async with wire_to(server) as first:
            await first.ask(READ)
            async with wire_to(server) as second:
                with pytest.raises((ConnectionError, asyncio.IncompleteReadError)):
                    await second.ask(READ)
            await desk.end(limit)
            assert server.connection_limit == 5
            await desk.begin(Fault(kind=LinkFault.DROP))
            with pytest.raises((ConnectionError, asyncio.IncompleteReadError)):
                await first.ask(READ)


async def test_replies_of_one_unit() -> None:
    switch = FaultSwitch()
    server = ModbusServer({1: Bank(), 2: Bank()}, faults=switch)
    desk = FaultDesk(server, switch)
    async with server, wire_to(server) as wire:
        some = Fault(kind=ReplyFault.EXCEPTION, exception_code=6, replies=1)
        every = Fault(kind=ReplyFault.EXCEPTION, exception_code=4)
        await desk.begin(some, unit=1)
        assert await wire.ask(READ, unit=2) == b"\x03\x02\0\0"
        assert await wire.ask(READ, unit=1) == b"\x83\x06"
        assert await wire.ask(READ, unit=1) == b"\x03\x02\0\0"
        await desk.begin(every, unit=1)
        assert await wire.ask(READ, unit=1) == b"\x83\x04"
        await desk.end(every, unit=1)
        assert await wire.ask(READ, unit=1) == b"\x03\x02\0\0"


@pytest.mark.parametrize("kind", [*ReplyFault, *LinkFault])
async def test_what_can_happen_where(kind: FaultKind) -> None:
    modbus = FaultDesk(ModbusServer({1: Bank()}), FaultSwitch())
    opcua = FaultDesk(OpcuaServer([]))
    assert modbus.knows(kind) is (kind in MODBUS_FAULTS or (isinstance(kind, ReplyFault) and kind is not ReplyFault.CRC))
    assert opcua.knows(kind) is (kind in OPCUA_FAULTS)
    for desk in (modbus, opcua):
        if not desk.knows(kind):
            with pytest.raises(ValueError, match="cannot happen on this address"):
                await desk.begin(Fault(kind=kind))


class Fixed:
    """A device that holds one value and measures anew each time."""

    answers = True

    def __init__(self) -> None:
        self.count = 0

    def sample(self) -> tuple[Mapping[str, Value], float]:
        self.count += 1
        return {"current": 80.0 + self.count, "running": True}, 1_700_000_000.0 + self.count


async def served(folder: Path) -> OpcuaServer:
    (folder / "panel.yaml").write_text(OPCUA_MAP, encoding="utf-8")
    return OpcuaServer([Device(map=load_map(folder / "panel.yaml"), source=Fixed())], update_s=None)


async def current(server: OpcuaServer) -> ua.DataValue:
    async with Client(server.endpoint, timeout=5) as client:
        space = await client.get_namespace_index("urn:tarn-hollow:panel")
        return await client.get_node(f"ns={space};s=Fan.Current").read_data_value(raise_on_bad_status=False)


async def status(server: OpcuaServer) -> int:
    code = (await current(server)).StatusCode
    assert code is not None
    return int(code.value)


async def test_opcua_statuses_times_and_standstill(tmp_path: Path) -> None:
    server = await served(tmp_path)
    desk = FaultDesk(server)
    async with server:
        for fault in (Fault(kind=LinkFault.BAD_STATUS), Fault(kind=LinkFault.BAD_STATUS, signal="current")):
            await desk.begin(fault)
            assert await status(server) == StatusCodes.BadSensorFailure
            await desk.end(fault)
            assert await status(server) == 0
        await desk.begin(Fault(kind=LinkFault.NO_SOURCE_TIME))
        await server.publish()
        assert (await current(server)).SourceTimestamp is None
        await desk.end(Fault(kind=LinkFault.NO_SOURCE_TIME))
        await server.publish()
        assert (await current(server)).SourceTimestamp is not None
        await desk.begin(Fault(kind=LinkFault.SERVER_FROZEN))
        before = (await current(server)).Value
        await server.publish()
        assert (await current(server)).Value == before
        await desk.end(Fault(kind=LinkFault.SERVER_FROZEN))
        await server.publish()
        assert (await current(server)).Value != before


async def test_opcua_restarts(tmp_path: Path) -> None:
    server = await served(tmp_path)
    desk = FaultDesk(server)

    async def index() -> int:
        async with Client(server.endpoint, timeout=5) as client:
            return await client.get_namespace_index("urn:tarn-hollow:panel")

    async with server:
        first = await index()
        inserted = Fault(kind=LinkFault.NAMESPACE_INSERTED)
        await desk.begin(inserted)
        assert await index() == first + 1
        removed = Fault(kind=LinkFault.NODE_REMOVED, signal="current")
        await desk.begin(removed)
        assert await status(server) == StatusCodes.BadNodeIdUnknown
        await desk.end(inserted)
        assert await index() == first
        await desk.end(removed)
        await desk.begin(Fault(kind=LinkFault.SERVER_RESTARTED))
        assert await status(server) == 0
        await desk.begin(Fault(kind=LinkFault.SERVER_KILLED))
        with pytest.raises(OSError, match="refused|Connect call failed"):
            await index()
        await desk.end(Fault(kind=LinkFault.SERVER_KILLED))
        assert await index() == first
