"""`bench verify` and `bench propose` against a live simulated device, with maps that are wrong on purpose."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from gateway.bench.corrections import Correction
from gateway.registers.model import WordType
from tests.bench.live import serving, startledger, write_map
from tests.bench.rig import device, shipped

RAMP = shipped("ramp-pro-metered")


async def _signals(tmp_path: Path, mistakes: dict[str, Correction], *, at_s: float = 30.0) -> dict[str, dict[str, object]]:
    """Verify a wrong map against a motor that has been running for a while; return the lines by signal."""
    starter = device(RAMP, starts_at_s=1.0)
    starter.advance_to(at_s)
    async with serving(starter) as server:
        path = write_map(tmp_path / "wrong.yaml", RAMP, mistakes)
        ran = await startledger("bench", "verify", path, f"127.0.0.1:{server.port}", "--rate", 200, "--json")
    result = json.loads(ran.out)
    assert ran.status == (1 if any(line["verdict"] in ("wrong", "unreadable") for line in result["signals"]) else 0)
    assert set(result) >= {"device", "signals", "requests", "faults"}
    return {line["signal"]: line for line in result["signals"]}


async def test_a_right_map_is_plausible_throughout(tmp_path: Path) -> None:
    lines = await _signals(tmp_path, {})
    assert {line["verdict"] for line in lines.values()} == {"plausible"}
    current = lines["current"]
    assert current["on_wire"] == "3:0x000C"
    assert current["function_code"] == 3
    assert current["unit"] == "A"
    assert isinstance(current["value"], float) and current["raw"] == [round(10 * current["value"])]
    assert lines["running"]["value"] is True
    assert lines["serial_number"]["value"] == "RP-40417"


@pytest.mark.parametrize(
    ("key", "mistake", "words"),
    [
        ("power", Correction(turn_words=True), ("with low word first it would be", "kW", "try word_order: low_first")),
        ("start_count", Correction(turn_words=True), ("with high word first it would be 1208", "try word_order: high_first")),
        ("current", Correction(shift=-1), ("the neighbour holding 0x000C holds", "a plausible current: off by one?")),
        ("current", Correction(other_table=True), ("exception", "the same address in the other table (holding 0x000C) answers with", " A")),
        ("voltage", Correction(power=1), ("outside of the map's plausible range", "scale: 0.1")),
        ("frequency", Correction(type=WordType.UINT32), ("type: float32",)),
        ("power_factor", Correction(type=WordType.INT16, power=2), ("scale",)),
    ],
)
async def test_the_hint_names_the_right_change(tmp_path: Path, key: str, mistake: Correction, words: tuple[str, ...]) -> None:
    lines = await _signals(tmp_path, {key: mistake})
    assert lines[key]["verdict"] != "plausible"
    hint = str(lines[key]["hint"])
    assert all(word in hint for word in words), hint
    others = {name: line["hint"] for name, line in lines.items() if name != key and line["verdict"] in ("wrong", "unreadable")}
    assert others == {}


async def test_an_address_that_is_not_there_says_so(tmp_path: Path) -> None:
    lines = await _signals(tmp_path, {"voltage": Correction(shift=5000)})
    assert lines["voltage"]["verdict"] == "unreadable"
    assert lines["voltage"]["hint"] == "exception 2: not there"
    assert lines["voltage"]["quality"] == "bad"
    assert lines["voltage"]["value"] is None
    assert lines["current"]["verdict"] == "plausible"


async def test_a_wrong_first_address_is_told_once_for_the_whole_map(tmp_path: Path) -> None:
    starter = device(RAMP, starts_at_s=1.0)
    starter.advance_to(30.0)
    text = (
        (Path(__file__).parents[2] / "config" / "maps" / "ramp-pro-metered.yaml")
        .read_text()
        .replace("first_address: 1", "first_address: 0")
    )
    path = tmp_path / "counted-from-0.yaml"
    path.write_text(text)
    async with serving(starter) as server:
        ran = await startledger("bench", "verify", path, f"127.0.0.1:{server.port}", "--rate", 200)
    assert ran.status == 1
    assert "one change explains" in ran.out
    assert "first_address: 1" in ran.out


async def test_it_says_first_what_it_will_send_and_sends_no_more(tmp_path: Path) -> None:
    starter = device(RAMP, starts_at_s=None)
    async with serving(starter) as server:
        path = write_map(tmp_path / "map.yaml", RAMP)
        dry = await startledger("bench", "verify", path, f"127.0.0.1:{server.port}", "--dry-run")
        assert server.traffic.requests == 0
        assert dry.status == 0
        said = re.search(
            r"verify sends (\d+) read requests \(function 3\), and up to (\d+) more to look at what does not fit, to (\S+) ", dry.err
        )
        assert said is not None
        assert said[3] == f"127.0.0.1:{server.port}"
        assert "at most 5 a second. Nothing is written." in dry.err
        ran = await startledger("bench", "verify", path, f"127.0.0.1:{server.port}", "--rate", 200, "--json")
        assert json.loads(ran.out)["requests"] == server.traffic.requests == int(said[1])


async def test_through_a_start_it_checks_current_bits_and_counter(tmp_path: Path) -> None:
    starter = device(RAMP, starts_at_s=4.0)
    record = tmp_path / "start.jsonl"
    async with serving(starter, speed=6.0) as server:
        path = write_map(tmp_path / "map.yaml", RAMP, {"start_count": Correction(shift=19)})
        ran = await startledger(
            "bench", "verify", path, f"127.0.0.1:{server.port}", "--watch", "--for", 4, "--rate", 60, "--json", "--record", record
        )
    assert "start the motor now" in ran.err
    assert "a start has begun" in ran.err
    checks = {check["check"]: check for check in json.loads(ran.out)["start"]}
    assert checks["current rises at the start and falls after it"]["passed"] is True
    assert checks["status bits change in order"]["passed"] is True
    assert checks["starting ends when at speed"]["passed"] is True
    assert checks["supply voltage stays"]["passed"] is True
    # The counter was put where the running hours stand.
    assert checks["start counter steps by one"]["passed"] is not True
    replayed = await startledger("bench", "verify", write_map(tmp_path / "right.yaml", RAMP), "--frames", record, "--watch", "--json")
    again = {check["check"]: check for check in json.loads(replayed.out)["start"]}
    assert again["current rises at the start and falls after it"] == checks["current rises at the start and falls after it"]


async def test_propose_from_a_live_start_and_again_from_its_record(tmp_path: Path) -> None:
    starter = device(RAMP, starts_at_s=4.0)
    mistakes = {"power": Correction(turn_words=True), "current": Correction(shift=-1)}
    path = write_map(tmp_path / "wrong.yaml", RAMP, mistakes)
    record, page = tmp_path / "start.jsonl", tmp_path / "report.html"
    async with serving(starter, speed=6.0) as server:
        ran = await startledger(
            "bench", "propose", path, f"127.0.0.1:{server.port}", "--for", 4, "--rate", 60, "--record", record, "--report", page
        )
    assert ran.status == 1
    assert "power: {at: holding 0x0017, type: float32, word_order: low_first, unit: kW, plausible: [-50, 2000]}" in ran.out
    assert "current: {at: holding 0x000C, type: uint16, scale: 0.1, unit: A, no_value: [65535], plausible: [0, 4000]}" in ran.out
    html = page.read_text()
    assert "word_order: low_first" in html
    assert "<script" not in html
    assert "http" not in html
    again = await startledger("bench", "propose", path, "--frames", record, "--json")
    changes = json.loads(again.out)["changes"]
    assert {(change["line"], change["write"]) for change in changes} == {
        ("power", "word_order: low_first"),
        ("current", "at: holding 0x000C"),
    }


async def test_a_device_that_is_not_there_is_told_in_plain_words(tmp_path: Path, unused_tcp_port: int) -> None:
    path = write_map(tmp_path / "map.yaml", RAMP)
    ran = await startledger("bench", "verify", path, f"127.0.0.1:{unused_tcp_port}")
    assert ran.status == 2
    assert f"127.0.0.1 is there but refuses port {unused_tcp_port}" in ran.err
    assert "Traceback" not in ran.err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["bench", "verify", "{map}", "not an address"], "this is no address of a Modbus device"),
        (["bench", "verify", "{map}", "10.0.0.5:99999"], "this is no address of a Modbus device"),
        (["bench", "verify", "{map}", "opc.tcp://10.0.0.5:4840"], "an OPC UA endpoint does not fit here"),
        (["bench", "verify", "{folder}/absent.yaml", "10.0.0.5"], "absent.yaml"),
        (["bench", "verify", "{map}", "10.0.0.5", "--report", "{folder}/x.pdf"], "name it .html or .json"),
        (["bench", "verify", "{map}", "10.0.0.5", "--flc", "82"], "the unit is missing"),
        (["bench", "verify", "{map}", "--frames", "{folder}/absent.jsonl"], "cannot be read"),
        (["bench", "propose", "{map}", "--frames", "{folder}/absent.jsonl", "--record", "{folder}/r.jsonl"], "sends nothing"),
    ],
)
async def test_bad_input_is_refused_before_anything_is_sent(tmp_path: Path, arguments: list[str], words: str) -> None:
    path = write_map(tmp_path / "map.yaml", RAMP)
    ran = await startledger(*(text.format(map=path, folder=tmp_path) for text in arguments))
    assert ran.status == 2, ran
    assert words in ran.err
    assert "Traceback" not in ran.err


async def test_a_motor_at_rest_is_said_to_prove_little(tmp_path: Path) -> None:
    path = write_map(tmp_path / "map.yaml", RAMP)
    async with serving(device(RAMP, starts_at_s=None)) as server:
        ran = await startledger("bench", "verify", path, f"127.0.0.1:{server.port}", "--rate", 200)
    assert ran.status == 0
    assert "a motor at rest proves little" in ran.out
