"""The OPC UA link against a real server: values, status, namespaces, subscription, freeze, restart, loss."""

from __future__ import annotations

import asyncio
import logging
import os
from collections.abc import Callable

import pytest
from asyncua import ua
from asyncua.client.ua_session import UaSession
from asyncua.ua.uaerrors import BadInternalError, BadTooManyOperations

from gateway.clock import RealClock
from gateway.drivers.base import Attached, FaultKind, Poll
from gateway.drivers.opcua import OpcuaLink
from gateway.drivers.opcua_session import BlockedServiceError
from gateway.instants import from_datetime
from gateway.motors.reading import Quality, Reading, TimeSource
from gateway.motors.records import Pace
from gateway.registers.model import Fetch, OpcuaPlace, Protocol, RegisterMap, Signal, SignalPace
from gateway.registers.roles import ROLES
from tests.drivers.opcua_server import OTHER, PLANT, Relay, ago, free_port, serving
from tests.drivers.wire import wait_until

VALUES: dict[str, object] = {"current": 41.5, "running": True, "start_count": 7, "energy": 1234.5}


def signal(
    name: str, *, uri: str = PLANT, path: bool = False, fetch: Fetch = Fetch.POLL, slow: bool = False, identifier: str = ""
) -> Signal:
    if path:
        place = OpcuaPlace(path=((uri, "Fan"), (uri, name)), fetch=fetch, written=f"Fan/{name}")
    else:
        place = OpcuaPlace(namespace_uri=uri, identifier=identifier or f"s={name}", fetch=fetch, sampling_interval_s=0.05)
    role = name if name in ROLES else None
    pace = SignalPace.SLOW if slow else SignalPace.NORMAL
    return Signal(name=name, key=name, role=role, place=place, type=None, unit=ROLES[name].unit if role else "", pace=pace)


def link_to(endpoint: str, *signals: Signal, timeout_s: float = 5.0) -> OpcuaLink:
    sketch = RegisterMap(name="sketch", protocol=Protocol.OPCUA, signals=signals, timeout_s=timeout_s)
    return OpcuaLink(endpoint, [Attached(starter="fan", map=sketch)], RealClock())


POLLED = (signal("current"), signal("running", path=True), signal("start_count"), signal("energy", slow=True))
SUBSCRIBED = tuple(signal(name, fetch=Fetch.SUBSCRIBE) for name in ("current", "running", "start_count"))


async def gather(link: OpcuaLink, until: Callable[[Reading], bool]) -> list[Reading]:
    """Poll until a reading fits `until`; return every reading on the way."""
    readings: list[Reading] = []
    for _ in range(500):
        poll = await link.poll("fan", Pace.RUNNING)
        assert not [fault for fault in poll.faults if fault.breaks_link], poll.faults
        readings += poll.readings
        if any(until(reading) for reading in poll.readings):
            return readings
        await asyncio.sleep(0.02)
    raise AssertionError(f"never came; last {readings[-1]}")


async def test_values_are_polled_by_node_and_by_path() -> None:
    async with serving(free_port(), VALUES) as plant:
        link = link_to(plant.endpoint, *POLLED)
        assert link.address == f"opcua {plant.endpoint}"
        assert await link.open() is None
        assert await link.open() is None
        first = await link.poll("fan", Pace.RUNNING)
        normal = await link.poll("fan", Pace.RUNNING)
        slow = await link.poll("fan", Pace.SLOW)
        await link.close()
        await link.close()
    assert dict(first.readings[-1].values) == VALUES
    assert dict(normal.readings[-1].values) == {key: value for key, value in VALUES.items() if key != "energy"}
    assert dict(slow.readings[-1].values) == VALUES
    assert first.faults == normal.faults == slow.faults == ()
    assert normal.requests == 1
    assert not link.is_open


async def test_each_node_has_its_own_status() -> None:
    async with serving(free_port(), VALUES) as plant:
        link = link_to(plant.endpoint, *POLLED)
        assert await link.open() is None
        await plant.put("current", 40.0, status=ua.StatusCodes.UncertainLastUsableValue)
        await plant.put("start_count", 9, status=ua.StatusCodes.BadNoCommunication)
        (reading,) = (await link.poll("fan", Pace.RUNNING)).readings
        await link.close()
    assert reading.values["current"] == 40.0
    assert reading.quality_of("current") is Quality.UNCERTAIN
    assert "UncertainLastUsableValue" in reading.flaws["current"].reason
    assert "start_count" not in reading.values
    assert reading.flaws["start_count"].reason == "the server says BadNoCommunication"
    assert reading.quality_of("running") is Quality.GOOD


async def test_source_time_goes_before_receipt_and_is_named() -> None:
    async with serving(free_port(), VALUES) as plant:
        link = link_to(plant.endpoint, signal("current"))
        assert await link.open() is None
        await link.poll("fan", Pace.RUNNING)
        stamp = ago(-0.5)
        await plant.put("current", 40.0, source=stamp)
        (reading,) = (await link.poll("fan", Pace.RUNNING)).readings
        assert (reading.at, reading.time_source) == (from_datetime(stamp), TimeSource.SOURCE)
        (unchanged,) = (await link.poll("fan", Pace.RUNNING)).readings
        assert unchanged.time_source is not TimeSource.SOURCE
        assert unchanged.at > reading.at
        await link.close()


async def test_a_value_without_source_time_takes_the_next_best() -> None:
    async with serving(free_port(), {"current": 1.0}) as plant:
        link = link_to(plant.endpoint, signal("current"))
        assert await link.open() is None
        await plant.put("current", 40.0, stamped=False)
        (reading,) = (await link.poll("fan", Pace.RUNNING)).readings
        await link.close()
    assert reading.values["current"] == 40.0
    assert reading.time_source in (TimeSource.SERVER, TimeSource.RECEIVED)


async def test_a_source_time_of_yesterday_is_not_taken() -> None:
    async with serving(free_port(), {"current": 1.0}) as plant:
        link = link_to(plant.endpoint, signal("current"))
        assert await link.open() is None
        await plant.put("current", 40.0, source=ago(86_400))
        (reading,) = (await link.poll("fan", Pace.RUNNING)).readings
        await link.close()
    assert reading.time_source is not TimeSource.SOURCE
    assert reading.at > from_datetime(ago(60))


async def test_unknown_nodes_paths_and_namespaces_are_named_and_leave_the_rest_standing() -> None:
    strange = (
        signal("current"),
        signal("power", identifier="s=nowhere"),
        signal("speed", path=True),
        signal("voltage", uri="urn:example:absent"),
        signal("frequency", identifier="x=1"),
    )
    async with serving(free_port(), VALUES) as plant:
        link = link_to(plant.endpoint, *strange)
        assert await link.open() is None
        poll = await link.poll("fan", Pace.RUNNING)
        await link.close()
    (reading,) = poll.readings
    assert dict(reading.values) == {"current": 41.5}
    assert reading.flaws["power"].reason == "the server says BadNodeIdUnknown"
    assert reading.flaws["speed"].reason == "the path Fan/speed leads nowhere (BadNoMatch)"
    assert "has no namespace urn:example:absent; it has " in reading.flaws["voltage"].reason
    assert "no node identifier" in reading.flaws["frequency"].reason
    (fault,) = poll.faults
    assert fault.kind is FaultKind.NO_NODE
    assert not fault.breaks_link
    assert "and 1 more" in fault.text


async def test_a_path_that_appears_later_is_found_at_the_slow_pace() -> None:
    async with serving(free_port(), {"current": 1.0}) as plant:
        link = link_to(plant.endpoint, signal("current"), signal("speed", path=True))
        assert await link.open() is None
        assert "speed" in (await link.poll("fan", Pace.RUNNING)).readings[-1].flaws
        index = await plant.server.get_namespace_index(PLANT)
        folder = await plant.server.nodes.objects.get_child(f"{index}:Fan")
        await folder.add_variable(ua.NodeId("speed", index), ua.QualifiedName("speed", index), 1480.0)
        assert (await link.poll("fan", Pace.SLOW)).readings[-1].values["speed"] == 1480.0
        await link.close()


async def test_a_removed_node_is_bad_and_the_others_go_on() -> None:
    async with serving(free_port(), VALUES) as plant:
        link = link_to(plant.endpoint, *POLLED)
        assert await link.open() is None
        await plant.server.delete_nodes([plant.variables["start_count"]])
        poll = await link.poll("fan", Pace.RUNNING)
        await link.close()
    assert poll.readings[-1].quality_of("start_count") is Quality.BAD
    assert poll.readings[-1].values["current"] == 41.5
    assert poll.faults[0].kind is FaultKind.NO_NODE


async def test_more_nodes_than_the_server_takes_in_one_request() -> None:
    names: dict[str, object] = {f"value_{place}": float(place) for place in range(25)}
    async with serving(free_port(), names) as plant:
        limit = plant.server.get_node(ua.ObjectIds.Server_ServerCapabilities_OperationLimits_MaxNodesPerRead)
        await limit.write_value(ua.Variant(10, ua.VariantType.UInt32))
        link = link_to(plant.endpoint, *(signal(name) for name in names))
        assert await link.open() is None
        poll = await link.poll("fan", Pace.RUNNING)
        await link.close()
    assert dict(poll.readings[-1].values) == names
    assert poll.requests == 3


async def test_a_server_that_takes_fewer_nodes_than_it_says_is_asked_for_fewer(monkeypatch: pytest.MonkeyPatch) -> None:
    names: dict[str, object] = {f"value_{place}": float(place) for place in range(9)}
    read, sizes = UaSession.read, []

    async def at_most_two(self: UaSession, parameters: ua.ReadParameters) -> list[ua.DataValue]:
        sizes.append(len(parameters.NodesToRead))
        if len(parameters.NodesToRead) > 2:
            raise BadTooManyOperations
        return await read(self, parameters)

    monkeypatch.setattr(UaSession, "read", at_most_two)
    async with serving(free_port(), names) as plant:
        link = link_to(plant.endpoint, *(signal(name) for name in names))
        assert await link.open() is None
        sizes.clear()
        poll = await link.poll("fan", Pace.RUNNING)
        await link.close()
    assert dict(poll.readings[-1].values) == names
    assert max(sizes) <= 2
    assert poll.requests == len(sizes)


@pytest.mark.parametrize("step", ["create_subscription", "create_monitored_items", "translate_browsepaths_to_nodeids"])
async def test_a_step_of_opening_that_the_server_refuses_is_told_and_leaves_nothing_behind(
    step: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def refuse(*ignored: object) -> None:
        raise BadInternalError

    async with serving(free_port(), VALUES) as plant:
        link = link_to(plant.endpoint, signal("running", path=True), *SUBSCRIBED)
        with monkeypatch.context() as patch:
            patch.setattr(UaSession, step, refuse)
            fault = await link.open()
        assert fault is not None
        assert fault.text == "the server answers BadInternalError: look at its own log"
        assert not link.is_open
        assert await link.open() is None
        await link.close()


async def test_a_server_that_hides_its_namespaces_is_not_read() -> None:
    async with serving(free_port(), VALUES) as plant:
        array = plant.server.get_node(ua.ObjectIds.Server_NamespaceArray)
        await array.write_value(ua.DataValue(None, StatusCode=ua.StatusCode(ua.StatusCodes.BadNotReadable)))
        fault = await link_to(plant.endpoint, *POLLED).open()
    assert fault is not None
    assert fault.kind is FaultKind.BAD_STATUS
    assert "BadNotReadable" in fault.text


async def test_a_server_that_vanishes_during_a_slow_poll_is_told() -> None:
    port = free_port()
    async with serving(port, VALUES), Relay(port) as relay:
        link = link_to(f"opc.tcp://127.0.0.1:{relay.port}/plant", *POLLED, timeout_s=0.4)
        assert await link.open() is None
        relay.stand_still()
        poll = await link.poll("fan", Pace.SLOW)
        assert poll.faults[0].kind is FaultKind.NO_ANSWER
        assert set(poll.readings[-1].flaws) == set(VALUES)
        relay.flow()
        await link.close()


async def test_changes_are_notified_with_their_source_times_in_order() -> None:
    async with serving(free_port(), VALUES) as plant:
        link = link_to(plant.endpoint, *SUBSCRIBED)
        assert await link.open() is None
        first = await link.poll("fan", Pace.STANDBY)
        assert dict(first.readings[-1].values) == {"current": 41.5, "running": True, "start_count": 7}
        stamps = []
        for step in range(20):
            stamp = ago(0)
            stamps.append(from_datetime(stamp))
            await plant.put("current", 100.0 + step, source=stamp)
            if step == 10:
                await plant.put("start_count", 8, source=stamp)
            await asyncio.sleep(0.02)
        readings = await gather(link, lambda reading: reading.values.get("current") == 119.0)
        assert link.dropped == 0
        await link.close()
    seen = {reading.at: reading for reading in readings if reading.time_source is TimeSource.SOURCE}
    assert [seen[stamp].values["current"] for stamp in stamps] == [100.0 + step for step in range(20)]
    assert seen[stamps[9]].values["start_count"] == 7
    assert seen[stamps[10]].values["start_count"] == 8
    assert all(reading.values["running"] is True for reading in readings)
    times = [reading.at for reading in readings]
    assert times == sorted(times)
    assert len(set(times)) == len(times)


async def test_standing_still_still_gives_a_reading_each_poll() -> None:
    async with serving(free_port(), VALUES) as plant:
        link = link_to(plant.endpoint, *SUBSCRIBED)
        assert await link.open() is None
        polls = []
        for _ in range(5):
            polls.append(await link.poll("fan", Pace.STANDBY))
            await asyncio.sleep(0.05)
        await link.close()
    times = [reading.at for poll in polls for reading in poll.readings]
    assert len(times) >= 5
    assert times == sorted(set(times))
    assert all(poll.readings[-1].values["current"] == 41.5 for poll in polls)


async def test_a_subscribed_node_that_is_not_there_is_polled_until_it_is() -> None:
    async with serving(free_port(), {"current": 1.0}) as plant:
        link = link_to(plant.endpoint, *(signal(name, fetch=Fetch.SUBSCRIBE) for name in ("current", "speed")))
        assert await link.open() is None
        assert (await link.poll("fan", Pace.RUNNING)).readings[-1].flaws["speed"].reason == "the server says BadNodeIdUnknown"
        index = await plant.server.get_namespace_index(PLANT)
        await plant.server.nodes.objects.add_variable(ua.NodeId("speed", index), ua.QualifiedName("speed", index), 1480.0)
        assert (await link.poll("fan", Pace.RUNNING)).readings[-1].values["speed"] == 1480.0
        await link.close()


async def test_a_frozen_server_is_found_out_and_the_next_session_works(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gateway.drivers.opcua.LEAST_SILENCE_S", 0.5)
    port = free_port()
    async with serving(port, VALUES) as plant:
        link = link_to(plant.endpoint, *SUBSCRIBED)
        assert await link.open() is None
        await plant.freeze()
        frozen = await poll_until_broken(link)
        assert frozen.faults[0].kind is FaultKind.FROZEN
        assert "frozen" in frozen.faults[0].text
        assert frozen.readings[-1].quality_of("current") is Quality.BAD
        assert not link.is_open
    async with serving(port, {**VALUES, "current": 50.0}):
        assert await link.open() is None
        assert (await link.poll("fan", Pace.RUNNING)).readings[-1].values["current"] == 50.0
        await link.close()


async def poll_until_broken(link: OpcuaLink) -> Poll:
    for _ in range(500):
        poll = await link.poll("fan", Pace.RUNNING)
        if any(fault.breaks_link for fault in poll.faults):
            return poll
        await asyncio.sleep(0.02)
    raise AssertionError("never broke")


@pytest.mark.parametrize("signals", [POLLED, SUBSCRIBED])
async def test_a_restart_with_a_namespace_inserted_never_gives_a_foreign_variable(signals: tuple[Signal, ...]) -> None:
    port = free_port()
    link = None
    for foreign in ([], [OTHER], ["urn:example:third", OTHER]):
        async with serving(port, VALUES, foreign=foreign) as plant:
            link = link or link_to(plant.endpoint, *signals)
            assert await link.open() is None
            for _ in range(3):
                for reading in (await link.poll("fan", Pace.RUNNING)).readings:
                    assert reading.values["current"] == 41.5
                    assert reading.values["running"] is True
                await asyncio.sleep(0.05)
        broken = await poll_until_broken(link)
        assert broken.faults[0].kind in (FaultKind.CLOSED, FaultKind.FROZEN)
        assert not broken.readings[-1].has_data
        refused = await link.open()
        assert refused is not None
        assert refused.kind is FaultKind.REFUSED
    assert link is not None
    await link.close()


async def test_namespaces_that_change_under_a_session_end_it() -> None:
    async with serving(free_port(), VALUES) as plant:
        link = link_to(plant.endpoint, *POLLED)
        assert await link.open() is None
        assert (await link.poll("fan", Pace.SLOW)).faults == ()
        await plant.server.register_namespace(OTHER)
        changed = await link.poll("fan", Pace.SLOW)
        assert changed.faults[0].kind is FaultKind.NO_NODE
        assert changed.faults[0].breaks_link
        assert not changed.readings[-1].has_data
        assert not link.is_open
        assert await link.open() is None
        assert (await link.poll("fan", Pace.SLOW)).readings[-1].values["current"] == 41.5
        await link.close()


async def test_a_server_that_stands_still_times_out_and_comes_back() -> None:
    port = free_port()
    async with serving(port, VALUES), Relay(port) as relay:
        link = link_to(f"opc.tcp://127.0.0.1:{relay.port}/plant", *POLLED, timeout_s=0.4)
        assert await link.open() is None
        relay.stand_still()
        stuck = await link.poll("fan", Pace.RUNNING)
        assert stuck.faults[0].kind is FaultKind.NO_ANSWER
        assert not link.is_open
        unreachable = await link.open()
        assert unreachable is not None
        assert unreachable.kind is FaultKind.NO_ANSWER
        relay.flow()
        assert await link.open() is None
        assert (await link.poll("fan", Pace.RUNNING)).readings[-1].values["current"] == 41.5
        await link.close()


async def test_a_cut_cable_is_noticed_and_notifications_already_in_are_kept() -> None:
    port = free_port()
    async with serving(port, VALUES) as plant, Relay(port) as relay:
        link = link_to(f"opc.tcp://127.0.0.1:{relay.port}/plant", *SUBSCRIBED)
        assert await link.open() is None
        await link.poll("fan", Pace.RUNNING)
        await plant.put("current", 300.0)
        await wait_until(lambda: any(value.raw == 300.0 for _, value in link._starters["fan"].queue))
        relay.cut()
        await wait_until(lambda: not link.is_open)
        poll = await link.poll("fan", Pace.RUNNING)
        assert [reading.values.get("current") for reading in poll.readings] == [300.0, None]
        assert poll.faults[0].kind is FaultKind.CLOSED
        assert await link.open() is None
        assert (await link.poll("fan", Pace.RUNNING)).readings[-1].values["current"] == 300.0
        await link.close()


async def test_a_cancelled_poll_closes_the_link() -> None:
    port = free_port()
    async with serving(port, VALUES), Relay(port) as relay:
        link = link_to(f"opc.tcp://127.0.0.1:{relay.port}/plant", *POLLED)
        assert await link.open() is None
        relay.stand_still()
        polling = asyncio.create_task(link.poll("fan", Pace.RUNNING))
        await asyncio.sleep(0.05)
        polling.cancel()
        with pytest.raises(asyncio.CancelledError):
            await polling
        assert not link.is_open
        relay.flow()
        await link.close()


async def test_a_cancelled_open_leaves_nothing_behind() -> None:
    port = free_port()
    async with serving(port, VALUES), Relay(port) as relay:
        link = link_to(f"opc.tcp://127.0.0.1:{relay.port}/plant", *POLLED)
        relay.stand_still()
        opening = asyncio.create_task(link.open())
        await asyncio.sleep(0.05)
        opening.cancel()
        with pytest.raises(asyncio.CancelledError):
            await opening
        assert not link.is_open


async def test_what_is_no_opcua_server_is_told_in_words() -> None:
    async def greet(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(100)
        writer.write(b"HTTP/1.1 400 Bad Request\r\n\r\n" * 4)
        writer.close()

    server = await asyncio.start_server(greet, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    fault = await link_to(f"opc.tcp://127.0.0.1:{port}/", *POLLED, timeout_s=0.5).open()
    server.close()
    assert fault is not None
    assert fault.breaks_link
    assert fault.kind in (FaultKind.GARBAGE, FaultKind.CLOSED, FaultKind.NO_ROUTE)


async def test_refused_unnamed_and_unroutable_endpoints_are_told_in_words() -> None:
    expected = {
        f"opc.tcp://127.0.0.1:{free_port()}/": FaultKind.REFUSED,
        "opc.tcp://no-such-server.invalid:4840/": FaultKind.BAD_NAME,
        "opc.tcp://255.255.255.255:4840/": FaultKind.NO_ROUTE,
    }
    for endpoint, kind in expected.items():
        link = link_to(endpoint, *POLLED)
        fault = await link.open()
        assert fault is not None
        assert fault.kind is kind
        assert (await link.poll("fan", Pace.RUNNING)).faults == (fault,)
        await link.close()


async def test_a_server_without_an_open_endpoint_is_refused_in_words() -> None:
    async with serving(free_port(), VALUES) as plant:
        plant.server.iserver.endpoints.clear()
        fault = await link_to(plant.endpoint, *POLLED).open()
    assert fault is not None
    assert fault.kind is FaultKind.SECURITY


async def test_a_library_told_to_write_sends_nothing() -> None:
    async with serving(free_port(), VALUES) as plant:
        link = link_to(plant.endpoint, signal("current"))
        assert await link.open() is None
        assert link._session is not None
        await plant.variables["current"].set_writable()
        foreign_hand = link._session._client.get_node(plant.variables["current"].nodeid)
        with pytest.raises(BlockedServiceError, match="service Write is not a read"):
            await getattr(foreign_hand, "write" + "_value")(666.0)
        assert (await link.poll("fan", Pace.RUNNING)).readings[-1].values["current"] == 41.5
        await link.close()


async def test_a_request_that_the_guard_stops_ends_the_session(monkeypatch: pytest.MonkeyPatch) -> None:
    async with serving(free_port(), VALUES) as plant:
        link = link_to(plant.endpoint, *POLLED)
        assert await link.open() is None
        monkeypatch.setattr("gateway.drivers.guard.READ_SERVICES", {"CloseSessionRequest"})
        poll = await link.poll("fan", Pace.RUNNING)
        await link.close()
    assert poll.faults[0].kind is FaultKind.BLOCKED
    assert "service Read is not a read" in poll.faults[0].text
    assert not link.is_open


async def test_a_full_queue_keeps_the_newest_and_counts_the_rest(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gateway.drivers.opcua.QUEUE_LENGTH", 5)
    async with serving(free_port(), VALUES) as plant:
        link = link_to(plant.endpoint, *SUBSCRIBED)
        assert await link.open() is None
        for step in range(30):
            await plant.put("current", 100.0 + step)
            await asyncio.sleep(0.01)
        await wait_until(lambda: any(value.raw == 129.0 for _, value in link._starters["fan"].queue))
        readings = (await link.poll("fan", Pace.RUNNING)).readings
        await link.close()
    assert link.dropped >= 25
    assert readings[-1].values["current"] == 129.0


async def test_many_sessions_leak_no_descriptor_and_no_log(caplog: pytest.LogCaptureFixture) -> None:
    port = free_port()
    async with serving(port, VALUES), Relay(port) as relay:
        link = link_to(f"opc.tcp://127.0.0.1:{relay.port}/plant", *SUBSCRIBED)
        assert await link.open() is None
        await link.close()
        descriptors = len(os.listdir("/proc/self/fd"))
        with caplog.at_level(logging.DEBUG):
            for _ in range(10):
                assert await link.open() is None
                assert (await link.poll("fan", Pace.RUNNING)).readings[-1].has_data
                relay.cut()
                await poll_until_broken(link)
            await link.close()
        await asyncio.sleep(0.1)
        assert len(os.listdir("/proc/self/fd")) <= descriptors + 2
    assert not [record for record in caplog.records if record.name.startswith("asyncua")]


async def test_two_starters_share_one_session() -> None:
    async with serving(free_port(), {**VALUES, "pump": 12.0}) as plant:
        fan = RegisterMap(name="fan", protocol=Protocol.OPCUA, signals=SUBSCRIBED)
        pump = RegisterMap(name="pump", protocol=Protocol.OPCUA, signals=(signal("current", identifier="s=pump"),))
        link = OpcuaLink(plant.endpoint, [Attached(starter="fan", map=fan), Attached(starter="pump", map=pump)], RealClock())
        assert await link.open() is None
        assert (await link.poll("fan", Pace.RUNNING)).readings[-1].values["current"] == 41.5
        assert (await link.poll("pump", Pace.RUNNING)).readings[-1].values["current"] == 12.0
        await link.close()
