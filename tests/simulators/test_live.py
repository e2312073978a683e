"""A scenario served in real time, by a clock that is turned by hand."""

from __future__ import annotations

import json
import struct
from dataclasses import replace
from pathlib import Path

import pytest
from asyncua.client.client import Client

from gateway.clock import HandClock
from gateway.errors import ServeError
from gateway.instants import SECOND
from simulators.faults import ReplyFault
from simulators.live import LivePlant, build_starters
from simulators.modbus import ModbusServer
from simulators.scenario import Scenario, load_scenario
from simulators.timetable import Action
from tests.simulators.test_scenario import MODBUS_MAP, MOTOR, OPCUA_MAP
from tests.simulators.wire import Bank, read_request, wire_to

BEGIN = 1_700_000_000 * SECOND

PLANT = f"""
scenario: two-fans
seed: 3
addresses:
  bridge: {{protocol: modbus}}
  panel: {{protocol: opcua}}
starters:
  dust-fan:
    map: ramp.yaml
    address: bridge
    unit: 5
    motor: {MOTOR}
    load: {{kind: fan, torque: 90 %, inertia: 10 kg m^2}}
    method: {{kind: direct_on_line}}
    device: {{start_count: 65535}}
    timetable:
      - {{at: 100 s, do: start, run: 1 min}}
    faults:
      - {{at: 200 s, for: 10 s, kind: id_zero}}
      - {{at: 300 s, for: 10 s, kind: exception, replies: 1, exception: 6}}
    unreachable:
      - {{from: 400 s, for: 5 s}}
  panel-fan:
    map: panel.yaml
    address: panel
    motor: {MOTOR}
    load: {{kind: pump, torque: 80 %, inertia: 1 kg m^2, static_head: 60 %}}
    method: {{kind: direct_on_line}}
"""


@pytest.fixture
def scenario(tmp_path: Path) -> Scenario:
    (tmp_path / "ramp.yaml").write_text(MODBUS_MAP, encoding="utf-8")
    (tmp_path / "panel.yaml").write_text(OPCUA_MAP, encoding="utf-8")
    (tmp_path / "plant.yaml").write_text(PLANT, encoding="utf-8")
    return load_scenario(tmp_path / "plant.yaml")


def modbus_only(scenario: Scenario) -> Scenario:
    return Scenario(
        name=scenario.name, seed=scenario.seed, addresses=scenario.addresses[:1], starters=scenario.starters[:1], file=scenario.file
    )


async def test_a_plant_lives_by_the_clock_and_answers_on_the_wire(scenario: Scenario, tmp_path: Path) -> None:
    clock = HandClock(BEGIN)
    small = modbus_only(scenario)
    async with LivePlant(small, build_starters(small), begin_at=BEGIN, clock=clock) as plant:
        server = plant.modbus["bridge"]
        async with wire_to(server) as wire:

            async def words(first: int, count: int) -> tuple[int, ...]:
                pdu = await wire.ask(read_request(3, first, count), unit=5)
                assert pdu[0] == 3, pdu.hex()
                return struct.unpack(f">{count}H", pdu[2:])

            await clock.turn(99.0)
            assert await words(1, 1) == (0,)
            assert await words(20, 2) == (0, 65535)
            await clock.turn(1.5)
            assert await words(1, 1) == (3,), "running and starting"
            assert await words(20, 2) == (0, 0), "the counter has wrapped"
            (current,) = await words(10, 1)
            assert current / 10 == pytest.approx(6.8 * 80.2, rel=0.05)
            await clock.turn(30.0)
            assert await words(1, 1) == (1,)

            await clock.turn(75.0)
            assert (await wire.ask_frame(read_request(3, 1, 1), unit=5))[:2] == b"\0\0"
            await clock.turn(10.0)
            assert await words(1, 1) == (0,)
            await clock.turn(90.0)
            assert await wire.ask(read_request(3, 1, 1), unit=5) == b"\x83\x06"
            assert await words(1, 1) == (0,)
            await clock.turn(95.0)
            wire.send(read_request(3, 1, 1), unit=5)
            assert await wire.is_silent()
            await clock.turn(10.0)
            assert await words(1, 1) == (0,)
        assert plant.trap_hits == 0
        assert server.faults.drawn == {ReplyFault.ID_ZERO: 1, ReplyFault.EXCEPTION: 1}
        assert plant.write_truth(tmp_path / "truth.jsonl") == 4
    first, *others = (json.loads(line) for line in (tmp_path / "truth.jsonl").read_text(encoding="utf-8").splitlines())
    assert (first["starter"], first["began_s"], first["count"]) == ("dust-fan", 100.0, 0)
    assert [(other["kind_of_record"], other["began_s"]) for other in others] == [("stop", 160.0), ("event", 400.0), ("event", 405.0)]
    assert [other["what"] for other in others[1:]] == ["unreachable", "reachable"]


async def test_a_plant_lives_without_readers(scenario: Scenario) -> None:
    clock = HandClock(BEGIN)
    small = modbus_only(scenario)
    async with LivePlant(small, build_starters(small), begin_at=BEGIN, clock=clock) as plant:
        await clock.turn(180.0)
        assert len(plant.starters["dust-fan"].true_starts) == 1


async def test_a_plant_goes_on_where_its_history_ended(scenario: Scenario) -> None:
    small = modbus_only(scenario)
    starters = build_starters(small)
    starters["dust-fan"].advance_to(3600.0)
    clock = HandClock(BEGIN + 3700 * SECOND)
    async with LivePlant(small, starters, begin_at=BEGIN, clock=clock) as plant:
        assert plant.now_s() == pytest.approx(3700.0)
        assert starters["dust-fan"].now_s == pytest.approx(3700.0)
        starters["dust-fan"].command(Action.START)
        await clock.turn(10.0)
        assert [round(record.began_s) for record in starters["dust-fan"].true_starts] == [100, 3700]


async def test_an_opcua_address_serves_with_the_time_of_measurement(scenario: Scenario) -> None:
    clock = HandClock(BEGIN)
    starters = build_starters(scenario)
    starters["panel-fan"].command(Action.START)
    async with LivePlant(scenario, starters, begin_at=BEGIN, clock=clock) as plant:
        await clock.turn(60.0)
        server = plant.opcua["panel"]
        await server.publish()
        client = Client(server.endpoint, timeout=5)
        await client.connect()
        try:
            index = await client.get_namespace_index("urn:tarn-hollow:panel")
            running = await client.get_node(f"ns={index};s=Fan.Running").read_data_value()
            current = await client.get_node(f"ns={index};s=Fan.Current").read_value()
        finally:
            await client.disconnect()
        assert running.Value is not None
        assert running.Value.Value is True
        assert running.SourceTimestamp is not None
        assert running.SourceTimestamp.timestamp() == pytest.approx(BEGIN / SECOND + 60.0, abs=0.05)
        assert current == pytest.approx(65.0, abs=15.0)
        assert plant.trap_hits == 0


async def test_a_taken_port_leaves_nothing_serving(scenario: Scenario) -> None:
    async with ModbusServer({1: Bank()}) as other:
        taken = Scenario(
            name="x",
            seed=0,
            addresses=(scenario.addresses[0], replace(scenario.addresses[0], name="second", port=other.port)),
            starters=scenario.starters[:1],
            file=scenario.file,
        )
        plant = LivePlant(taken, build_starters(taken), begin_at=BEGIN, clock=HandClock(BEGIN))
        with pytest.raises(ServeError):
            await plant.start()
        with pytest.raises(ConnectionRefusedError):
            async with wire_to(plant.modbus["bridge"]):
                pass
