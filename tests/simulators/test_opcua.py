"""The simulated OPC UA server as an ordinary client meets it."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from types import MappingProxyType
from typing import Any

import pytest
from asyncua import ua
from asyncua.client.client import Client
from asyncua.ua.status_codes import StatusCodes
from asyncua.ua.uaerrors import UaStatusCodeError

from gateway.errors import ServeError
from gateway.registers.model import OpcuaPlace, Protocol, RegisterMap, Signal
from simulators.opcua import Device, OpcuaServer
from simulators.words import Value

URI = "urn:tarn-hollow:starter"
MEASURED_S = 1_700_000_000.25


class Bench:
    """Values set by hand."""

    def __init__(self) -> None:
        self.answers = True
        self.at_s = MEASURED_S
        self.values: dict[str, Value] = {
            "current": 12.5,
            "running": True,
            "start_count": 7,
            "trip_code": "stall",
            "speed": 1478.0,
            "label": 3.25,
            "model": "RP-45",
        }

    def sample(self) -> tuple[Mapping[str, Value], float]:
        return self.values, self.at_s


def signal(name: str, role: str | None = None, place: OpcuaPlace | None = None, **more: Any) -> Signal:
    own = place or OpcuaPlace(namespace_uri=URI, identifier=f"s=Motor.{name}")
    return Signal(name=name, key=role or name, role=role, place=own, type=None, **more)


def bench_map(*more: Signal) -> RegisterMap:
    signals = (
        signal("current", "current", scale=0.001, to_role_unit=1.0),
        signal("running", "running"),
        signal("start_count", "start_count"),
        signal("trip_code", "trip_code", texts=MappingProxyType({0: "none", 3: "stall"})),
        signal("speed", "speed", place=OpcuaPlace(path=((URI, "Drive"), (URI, "Shaft"), (URI, "Speed"))), no_value=(-1,)),
        signal("label"),
        signal("model"),
        *more,
    )
    return RegisterMap(name="bench", protocol=Protocol.OPCUA, signals=signals)


@asynccontextmanager
async def client_of(server: OpcuaServer) -> AsyncIterator[Client]:
    client = Client(server.endpoint, timeout=5)
    await client.connect()
    try:
        yield client
    finally:
        await client.disconnect()


async def value(client: Client, name: str) -> ua.DataValue:
    index = await client.get_namespace_index(URI)
    return await client.get_node(f"ns={index};s=Motor.{name}").read_data_value(raise_on_bad_status=False)


def served(bench: Bench, **more: Any) -> OpcuaServer:
    return OpcuaServer([Device(map=bench_map(), source=bench)], update_s=None, **more)


async def test_values_types_times_and_paths() -> None:
    bench = Bench()
    async with served(bench) as server, client_of(server) as client:
        current = await value(client, "current")
        assert current.Value == ua.Variant(12500.0, ua.VariantType.Double)
        assert current.SourceTimestamp == datetime(2023, 11, 14, 22, 13, 20, 250000, tzinfo=UTC)
        assert (await value(client, "running")).Value == ua.Variant(True, ua.VariantType.Boolean)
        assert (await value(client, "start_count")).Value == ua.Variant(7, ua.VariantType.UInt32)
        assert (await value(client, "trip_code")).Value == ua.Variant(3, ua.VariantType.Int32)
        assert (await value(client, "label")).Value == ua.Variant(3.25, ua.VariantType.Double)
        assert (await value(client, "model")).Value == ua.Variant("RP-45", ua.VariantType.String)
        index = await client.get_namespace_index(URI)
        speed = await client.nodes.objects.get_child([f"{index}:Drive", f"{index}:Shaft", f"{index}:Speed"])
        assert await speed.read_value() == 1478.0
        bench.values = {**bench.values, "speed": None, "current": None}
        await server.publish()
        assert await speed.read_value() == -1.0, "the map names a no-value code"
        missing = await value(client, "current")
        assert missing.StatusCode is not None
        assert missing.StatusCode.value == StatusCodes.BadNoData
        assert server.requests["read"] > 5


async def test_source_times_may_be_missing_and_move_with_every_measurement() -> None:
    bench = Bench()
    async with served(bench) as server, client_of(server) as client:
        bench.at_s += 1.5
        await server.publish()
        moved = await value(client, "running")
        assert moved.SourceTimestamp == datetime(2023, 11, 14, 22, 13, 21, 750000, tzinfo=UTC)
        server.stamps_changes = True
        bench.at_s += 1.0
        bench.values = {**bench.values, "start_count": 8}
        await server.publish()
        unchanged, changed = await value(client, "running"), await value(client, "start_count")
        assert unchanged.SourceTimestamp == moved.SourceTimestamp
        assert changed.SourceTimestamp == datetime(2023, 11, 14, 22, 13, 22, 750000, tzinfo=UTC)
        server.source_times = False
        bench.at_s += 1.0
        bench.values = {**bench.values, "running": False}
        await server.publish()
        assert (await value(client, "running")).SourceTimestamp is None


async def test_nothing_can_be_written_and_the_try_is_counted() -> None:
    async with served(Bench()) as server, client_of(server) as client:
        index = await client.get_namespace_index(URI)
        with pytest.raises(UaStatusCodeError):
            await client.get_node(f"ns={index};s=Motor.running").write_value(False)
        assert server.trap_hits == 1
        assert (await value(client, "running")).Value == ua.Variant(True, ua.VariantType.Boolean)


async def test_statuses_freeze_and_a_device_that_is_off() -> None:
    bench = Bench()
    async with served(bench) as server, client_of(server) as client:
        server.statuses["current"] = StatusCodes.UncertainLastUsableValue
        server.statuses["running"] = StatusCodes.BadSensorFailure
        await server.publish()
        uncertain, bad = await value(client, "current"), await value(client, "running")
        assert uncertain.StatusCode == ua.StatusCode(ua.UInt32(StatusCodes.UncertainLastUsableValue))
        assert uncertain.Value == ua.Variant(12500.0, ua.VariantType.Double)
        assert bad.StatusCode == ua.StatusCode(ua.UInt32(StatusCodes.BadSensorFailure))
        assert bad.Value == ua.Variant(None, ua.VariantType.Null)
        server.statuses.clear()
        server.frozen = True
        bench.values = {**bench.values, "start_count": 8}
        await server.publish()
        assert (await value(client, "start_count")).Value == ua.Variant(7, ua.VariantType.UInt32)
        clock = client.get_node(ua.NodeId(ua.Int32(ua.ObjectIds.Server_ServerStatus_CurrentTime)))
        frozen_at = await clock.read_value()
        await asyncio.sleep(1.1)
        assert await clock.read_value() == frozen_at
        server.frozen = False
        await server.publish()
        assert (await value(client, "start_count")).Value == ua.Variant(8, ua.VariantType.UInt32)
        bench.answers = False
        await server.publish()
        off = await value(client, "start_count")
        assert off.StatusCode == ua.StatusCode(ua.UInt32(StatusCodes.BadNotConnected))


async def test_a_restart_on_the_same_port_with_a_namespace_in_between_and_a_node_gone() -> None:
    server = served(Bench())
    await server.start()
    await server.start()
    port = server.port
    async with client_of(server) as client:
        before = await client.get_namespace_index(URI)
    await server.stop()
    server.extra_namespaces = ("urn:somebody:else",)
    server.removed = {"start_count"}
    await server.start()
    assert server.port == port
    async with client_of(server) as client:
        assert await client.get_namespace_index(URI) == before + 1
        gone = await value(client, "start_count")
        assert gone.StatusCode == ua.StatusCode(ua.UInt32(StatusCodes.BadNodeIdUnknown))
        assert (await value(client, "running")).Value == ua.Variant(True, ua.VariantType.Boolean)
    await server.stop()
    await server.stop()


async def test_a_kill_breaks_connections_without_goodbye() -> None:
    server = served(Bench())
    await server.start()
    reader, writer = await asyncio.open_connection(server.host, server.port)
    writer.write(b"HEL")
    await writer.drain()
    await asyncio.sleep(0.05)
    assert server.connections == 1
    await server.kill()
    with pytest.raises((ConnectionError, asyncio.IncompleteReadError)):
        await asyncio.wait_for(reader.readexactly(1), 5)
    writer.close()
    with pytest.raises(ConnectionRefusedError):
        await asyncio.open_connection(server.host, server.port)


async def test_the_server_takes_values_by_itself_and_notifies_subscribers() -> None:
    bench = Bench()
    server = OpcuaServer([Device(map=bench_map(), source=bench)], update_s=0.02)
    news: asyncio.Queue[object] = asyncio.Queue()

    class Listener:
        def datachange_notification(self, node: object, val: object, data: object) -> None:
            news.put_nowait(val)

    async with server, client_of(server) as client:
        index = await client.get_namespace_index(URI)
        subscription = await client.create_subscription(50, Listener())
        await subscription.subscribe_data_change(client.get_node(f"ns={index};s=Motor.start_count"))
        assert await asyncio.wait_for(news.get(), 5) == 7
        bench.values = {**bench.values, "start_count": 8}
        assert await asyncio.wait_for(news.get(), 5) == 8
        await subscription.delete()
        assert server.requests["subscribe"] == 1


async def test_two_signals_with_one_node_are_refused() -> None:
    twice = bench_map(signal("again", place=OpcuaPlace(namespace_uri=URI, identifier="s=Motor.current")))
    with pytest.raises(ValueError, match=r"bench\.current and bench\.again name one node: .*Motor\.current"):
        await OpcuaServer([Device(map=twice, source=Bench())], update_s=None).start()


async def test_a_taken_port_is_said_plainly() -> None:
    taken = await asyncio.start_server(lambda reader, writer: None, "127.0.0.1", 0)
    port = taken.sockets[0].getsockname()[1]
    with pytest.raises(ServeError, match=f"cannot serve a simulated device on opc.tcp://127.0.0.1:{port}/"):
        await served(Bench(), port=port).start()
    taken.close()
    await taken.wait_closed()
