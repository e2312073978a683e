"""What a poll hands on beside its reading: the bytes of each request as they came, or each node's value as the server gave it."""

from __future__ import annotations

from gateway.motors.records import Pace
from gateway.registers.model import Fetch, Span, Table
from tests.drivers import test_modbus, test_opcua
from tests.drivers.opcua_server import free_port, serving
from tests.drivers.wire import RawServer, Request, frame, replying


async def test_each_request_is_there_with_its_bytes_or_its_refusal() -> None:
    def refuse_energy(request: Request) -> bytes:
        if request.first == 500:
            return frame(request.transaction_id, request.unit, b"\x83\x02")
        return test_modbus.by_table(request)

    async with RawServer(replying(refuse_energy)) as server:
        attached = test_modbus.Attached(starter="fan", map=test_modbus.sketch(*test_modbus.FAR_APART), unit=7)
        link = test_modbus.link_to(server, attached)
        assert await link.open() is None
        poll = await link.poll("fan", Pace.SLOW)
        await link.close()
        nothing = await link.poll("fan", Pace.SLOW)
    by_span = {raw.block.span: raw for raw in poll.raw}
    assert set(by_span) == {Span(Table.COIL, 3, 3), Span(Table.HOLDING, 10, 11), Span(Table.HOLDING, 500, 500)}
    assert by_span[Span(Table.HOLDING, 10, 11)].words == (7010, 7011)
    assert by_span[Span(Table.HOLDING, 10, 11)].data.hex() == "1b621b63"
    assert by_span[Span(Table.COIL, 3, 3)].words == (1,)
    refused = by_span[Span(Table.HOLDING, 500, 500)]
    assert (refused.words, refused.code) == (None, 2)
    assert "illegal data address" in refused.fault
    assert all(raw.at == test_modbus.BEGAN for raw in poll.raw)
    assert nothing.raw == ()
    assert poll.nodes is None


async def test_polled_and_notified_nodes_are_there_with_type_and_status() -> None:
    async with serving(free_port(), test_opcua.VALUES) as plant:
        link = test_opcua.link_to(plant.endpoint, test_opcua.signal("current", fetch=Fetch.SUBSCRIBE), test_opcua.signal("start_count"))
        assert await link.open() is None
        first = await link.poll("fan", Pace.RUNNING)
        await plant.put("current", 77.5)
        await test_opcua.gather(link, lambda reading: reading.values.get("current") == 77.5)
        later = await link.poll("fan", Pace.RUNNING)
        await link.close()
    assert first.nodes is not None and later.nodes is not None
    assert set(first.nodes) == {"current", "start_count"}
    assert (first.nodes["current"].raw, first.nodes["current"].data_type, first.nodes["current"].status_name) == (41.5, "Double", "Good")
    assert later.nodes["current"].raw == 77.5
    assert first.nodes["current"].raw == 41.5
    assert first.raw == ()
