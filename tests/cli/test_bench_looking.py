"""`bench peek`, `find`, `probe` and `browse` against live simulated devices."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import yaml

from gateway.registers.load import load_map
from simulators.faults import FaultSwitch, ReplyFault
from simulators.modbus import ModbusServer
from simulators.opcua import Device, OpcuaServer
from tests.bench.live import serving, startledger
from tests.bench.rig import device, shipped
from tests.bench.variables import Motor, labelled_server
from tests.simulators.wire import Bank

RAMP = shipped("ramp-pro-metered")


async def test_peek_shows_a_block_in_every_type_and_order_with_its_neighbours() -> None:
    starter = device(RAMP, starts_at_s=1.0)
    starter.advance_to(30.0)
    async with serving(starter) as server:
        ran = await startledger("bench", "peek", f"127.0.0.1:{server.port}", "--at", "holding 25-26", "--expect", "50 Hz")
        plain = await startledger("bench", "peek", f"127.0.0.1:{server.port}", "--at", "holding 25-26", "--json")
    assert ran.status == 0
    assert "peek sends 1 read request (function 3)" in ran.err
    assert "float32, 2 registers from this address on" in ran.out
    line = next(line for line in ran.out.splitlines() if "50 <- fits 50 Hz" in line)
    assert line.startswith("holding 0x0019 (25)")
    rows = {row["address"]: row for row in json.loads(plain.out)["rows"]}
    assert [rows[address]["shift"] for address in (24, 25, 26, 27)] == [-1, 0, 0, 1]
    orders = {(cell["type"], cell["word_order"], cell["byte_order"]): cell["value"] for cell in rows[25]["values"]}
    assert orders["float32", "low_first", "high_first"] == 50.0
    assert len([key for key in orders if key[0] == "float32"]) == 4


async def test_peek_names_the_addresses_that_are_not_there() -> None:
    async with serving(device(RAMP, starts_at_s=None)) as server:
        ran = await startledger("bench", "peek", f"127.0.0.1:{server.port}", "--at", "holding 73-75", "--rate", 200)
    assert ran.status == 0
    assert "holding 0x004A (74): exception 2, illegal data address" in ran.out


async def test_find_and_find_again_leaves_the_right_line_to_paste(tmp_path: Path) -> None:
    starter = device(RAMP, starts_at_s=1.0)
    kept = tmp_path / "kept.json"
    async with serving(starter) as server:
        address = f"127.0.0.1:{server.port}"
        starter.advance_to(8.0)
        first_a = float(starter.values()["current"] or 0)
        options = ("--in", "holding 0-80", "--keep", kept, "--name", "current", "--rate", 200, "--tolerance", 1)
        first = await startledger("bench", "find", address, "--value", f"{first_a:.1f} A", *options)
        before = server.traffic.requests
        starter.advance_to(40.0)
        second_a = float(starter.values()["current"] or 0)
        second = await startledger("bench", "find", address, "--value", f"{second_a:.1f} A", *options)
        assert server.traffic.requests - before < before, "the second run reads only what may still match"
    assert abs(first_a - second_a) > 20
    assert first.status == second.status == 0
    assert "current: {at: holding 0x000C, type: uint16, scale: 0.1, unit: A}" in second.out
    assert len(json.loads(kept.read_text())["matches"]) < 20
    # The line is one that the loader takes.
    line = next(line for line in second.out.splitlines() if "at: holding 0x000C, type: uint16" in line and line.startswith("  current"))
    (tmp_path / "map.yaml").write_text(f"map: found\nprotocol: modbus\nsignals:\n{line}\n")
    assert load_map(tmp_path / "map.yaml").signals[0].scale == 0.1


async def test_find_reads_nothing_that_was_not_allowed() -> None:
    async with serving(device(RAMP, starts_at_s=None)) as server:
        ran = await startledger("bench", "find", f"127.0.0.1:{server.port}", "--value", "50 Hz", "--in", "holding 20-30", "--rate", 200)
        asked = [(int.from_bytes(frame.pdu[1:3], "big"), int.from_bytes(frame.pdu[3:5], "big")) for frame in server.traffic.frames]
    assert ran.status == 0
    assert all(20 <= first and first + count - 1 <= 30 for first, count in asked)
    assert "word_order: low_first" in ran.out


async def test_find_that_finds_nothing_says_so() -> None:
    async with serving(device(RAMP, starts_at_s=None)) as server:
        ran = await startledger("bench", "find", f"127.0.0.1:{server.port}", "--value", "7777 A", "--in", "holding 0-30", "--rate", 200)
    assert ran.status == 1
    assert "nothing in these addresses gives 7777 A" in ran.out


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["find", "10.0.0.5", "--value", "42 A"], "say which addresses may be read"),
        (["find", "10.0.0.5", "--value", "0 A", "--in", "holding 0-9"], "0 stands everywhere"),
        (["find", "10.0.0.5", "--value", "many", "--in", "holding 0-9"], "not a number"),
        (["find", "10.0.0.5", "--value", "42 A", "--in", "coil 0-9"], "a value stands in registers"),
        (["find", "10.0.0.5", "--value", "42 A", "--in", "holding 0-9999", "--in", "input 0x0000-0x7000"], "too much at once"),
        (["find", "10.0.0.5", "--value", "42 A", "--in", "holding 0-9", "--name", "a b"], "cannot be a signal's name"),
        (["peek", "10.0.0.5", "--at", "holding 0-500"], "too much to look at"),
        (["peek", "10.0.0.5", "--at", "holdings 5"], "is not a table"),
        (["probe", "10.0.0.5", "--units", "1-5"], "no unit ids; ranges are not scanned on purpose"),
        (["browse", "10.0.0.5"], "no OPC UA endpoint"),
        (["probe", "10.0.0.5", "--units", "1,0"], "unit 0 means every device at once"),
        (["peek", "10.0.0.5", "--at", "holding 5", "--unit", "300"], "no device has this unit id"),
        (["peek", "", "--at", "holding 5"], "the address of the device is missing"),
        (["find", "10.0.0.5", "--in", "holding 0-9"], "the value is missing: what does the display show?"),
        (["find", "10.0.0.5", "--value", "1,234 A", "--in", "holding 0-9"], "three decimals or as thousands?"),
        (["find", "10.0.0.5", "--value", "42 A", "--in", "holding 0-9", "--keep", "README.md"], "not written by bench find: name another"),
        (["find", "10.0.0.5", "--value", "42 A", "--in", "holding 0-9", "--keep", "no/such/file"], "its folder is not there"),
    ],
)
async def test_bad_input(arguments: list[str], words: str) -> None:
    ran = await startledger("bench", *arguments)
    assert ran.status == 2
    assert words in ran.err


async def test_probe_finds_units_block_connections_and_pace() -> None:
    one, two = device(shipped("bridge-soft-start"), starts_at_s=None), device(RAMP, starts_at_s=None)
    server = ModbusServer({}, connection_limit=2)
    async with serving(two, one, server=server):
        ran = await startledger(
            "bench",
            "probe",
            f"127.0.0.1:{server.port}",
            "--units",
            "1,2,9",
            "--at",
            "holding 0",
            "--round-trips",
            20,
            "--rate",
            200,
            "--json",
        )
        assert set(server.traffic.by_unit) == {1, 2, 9}, "only the units that the user named"
    result = json.loads(ran.out)
    assert [(unit["unit"], unit["answers"]) for unit in result["units"]] == [(1, True), (2, True), (9, False)]
    assert result["connections"]["open_at_once"] == 2
    assert result["connections"]["next_refused"] is True
    trip = result["round_trip"]
    assert 0 < trip["p50_ms"] <= trip["p99_ms"]
    assert trip["safe_period_ms"] == pytest.approx(2 * trip["p99_ms"])
    assert result["largest_block"] == 20, "this device has 28 addresses in a row"
    assert "not every address" in result["blocks"][-1]["text"]


async def test_probe_finds_the_largest_block_of_a_device_that_refuses_more() -> None:
    async with ModbusServer({1: Bank(size=300, largest_block=60)}) as server:
        ran = await startledger("bench", "probe", f"127.0.0.1:{server.port}", "--round-trips", 5, "--rate", 200, "--connections", 1)
        await server.wait_until_left_alone()
    assert ran.status == 0
    assert "exception 3" in ran.out
    assert "largest_block: 50" in ran.out
    assert "safe: one request every" in ran.out


async def test_probe_of_a_silent_unit_is_a_finding() -> None:
    faults = FaultSwitch()
    faults.sometimes(ReplyFault.SILENCE, 1.0)
    server = ModbusServer({}, faults=faults)
    async with serving(device(RAMP, starts_at_s=None), server=server):
        ran = await startledger("bench", "probe", f"127.0.0.1:{server.port}", "--timeout", 0.1, "--rate", 200)
    assert ran.status == 1
    assert "no answer within 0.1 s" in ran.out


async def test_browse_gives_lines_with_type_unit_and_range_that_the_loader_takes(tmp_path: Path) -> None:
    async with labelled_server() as endpoint:
        ran = await startledger("bench", "browse", endpoint)
        plain = await startledger("bench", "browse", endpoint, "--json")
        cut = await startledger("bench", "browse", endpoint, "--most", 4)
    assert ran.status == 0
    assert 'line_current: {node: "nsu=urn:works.example:starter;s=Motor.LineCurrent", unit: A, plausible: [0, 600]}' in ran.out
    assert "Double, now 41.5 A" in ran.out
    variables = {each["signal"]: each for each in json.loads(plain.out)["variables"]}
    assert variables["line_current"]["range"] == [0.0, 600.0]
    assert variables["line_current"]["data_type"] == "Double"
    assert variables["running"]["value"] is True
    assert variables["state_temperature"]["namespace"] == "urn:works.example:starter"
    assert "there is more" in cut.out
    lines = [each["line"] for each in variables.values()]
    (tmp_path / "map.yaml").write_text("map: found\nprotocol: opcua\nsignals:\n" + "\n".join(f"  {line}" for line in lines) + "\n")
    assert yaml.safe_load((tmp_path / "map.yaml").read_text())["signals"]
    assert {signal.name for signal in load_map(tmp_path / "map.yaml").signals} == set(variables)


async def test_verify_on_opc_ua_names_missing_nodes_statuses_and_scales(tmp_path: Path) -> None:
    truth = shipped("softline-ua")
    server = OpcuaServer([Device(map=truth, source=Motor(current_a=55.0))], update_s=None)
    text = (Path(__file__).parents[2] / "config" / "maps" / "softline-ua.yaml").read_text()
    wrong = tmp_path / "wrong.yaml"
    wrong.write_text(
        text.replace("node: s=Motor.LineVoltage, unit: V,", "node: s=Motor.LineVoltage, unit: V, scale: 10,").replace("i=4102", "i=4999")
    )
    server.statuses["trip_code"] = 0x80310000
    async with server:
        ran = await startledger("bench", "verify", wrong, server.endpoint, "--json")
        right = await startledger("bench", "verify", Path(__file__).parents[2] / "config" / "maps" / "softline-ua.yaml", server.endpoint)
        assert server.trap_hits == 0
    lines = {line["signal"]: line for line in json.loads(ran.out)["signals"]}
    assert ran.status == 1
    assert lines["current"]["verdict"] == "plausible"
    assert lines["current"]["value"] == 55.0
    assert lines["voltage"]["verdict"] == "wrong"
    assert "scale: 1 it would be 400 V" in lines["voltage"]["hint"]
    assert lines["thermal_used"]["verdict"] == "unreadable"
    assert lines["trip_code"]["hint"] == "the server says BadNoCommunication"
    assert "s=Motor.Current" in lines["current"]["address"]
    assert "trip_code" in right.out
