"""The proof itself: it finds what is no read, and the run that it watches holds some of everything that it claims to see."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
from pathlib import Path

import pytest
from asyncua.ua.object_ids import ObjectIds

from simulators import request_log
from tests.read_only import SERVICES, Record, fault_of

ROOT = Path(__file__).parents[1]


@pytest.mark.parametrize("function", range(256))
def test_only_the_four_reads_pass(function: int) -> None:
    assert (fault_of(bytes([function]) + bytes.fromhex("0000 0001")) is None) == (function in (1, 2, 3, 4))


@pytest.mark.parametrize(
    "pdu",
    # Modbus Application Protocol V1.1b3, chapter 6: the requests of the writing functions.
    ["05 00AC FF00", "06 0001 0003", "0F 0013 000A 02 CD01", "10 0001 0002 04 000A 0102", "16 0004 00F2 0025", "08 0000 A537",
     "17 0003 0006 000E 0003 06 00FF 00FF 00FF", "2B 0D 01 00", "2B 0E 05 00", "03 0000 0000", "03 0000 007E", "03 FFFF 0002",
     "03 0000 01", ""],
)  # fmt: skip
def test_what_is_no_read_is_found(pdu: str) -> None:
    record = Record(test="here")
    record.note_modbus(1, bytes.fromhex(pdu))
    assert len(record.wrong) == 1
    assert "NOT ONLY READS" in record.summary


def test_identification_passes() -> None:
    assert fault_of(bytes.fromhex("2B 0E 01 00")) is None


def test_the_numbers_of_the_services_are_those_of_the_standard() -> None:
    assert {number: f"{name}Request_Encoding_DefaultBinary" for number, name in SERVICES.items()} == {
        number: next(name for name, value in vars(ObjectIds).items() if value == number) for number in SERVICES
    }


@pytest.mark.parametrize("name", ["Write", "Call", "HistoryUpdate", "AddNodes", "DeleteNodes", "AddReferences", "DeleteReferences"])
def test_every_service_that_changes_something_is_found(name: str) -> None:
    record = Record(test="here")
    record.note_opcua(vars(ObjectIds)[f"{name}Request_Encoding_DefaultBinary"])
    assert len(record.wrong) == 1


def test_what_a_test_sends_that_plays_a_plc_is_left_out() -> None:
    record = Record(test="")
    record.note_modbus(1, bytes.fromhex("06 0001 0003"))
    assert record.wrong == []
    assert record.summary.startswith("what reached the devices: only reads")


SERVED = """
import asyncio
from simulators import request_log
from simulators.modbus import ModbusServer

async def serve():
    request_log.begin_if_wanted()
    async with ModbusServer({}) as server:
        print(server.port, flush=True)
        await asyncio.sleep(60)

asyncio.run(serve())
"""


def test_what_reaches_a_device_in_a_process_of_its_own_is_found_even_if_that_is_killed(tmp_path: Path) -> None:
    """The one test that writes: over a plain socket, to a process that is then killed, and judged by a record of its own."""
    log = tmp_path / "requests"
    environment = {**os.environ, request_log.VARIABLE: f"{os.getpid()}:{log}"}
    with subprocess.Popen([sys.executable, "-c", SERVED], cwd=ROOT, env=environment, stdout=subprocess.PIPE) as served:
        assert served.stdout is not None
        with socket.create_connection(("127.0.0.1", int(served.stdout.readline())), timeout=10) as wire:
            for request in ("0001 0000 0006 01 03 0000 0001", "0002 0000 0006 01 06 0001 0003"):
                wire.sendall(bytes.fromhex(request))
                assert wire.recv(9)
        served.kill()
    record = Record()
    record.note_log(log)
    assert dict(record.modbus) == {3: 1, 6: 1}
    assert record.wrong == ["function 6 to unit 1 in a process of its own"]
    assert "1 process of its own" in record.summary


def test_a_log_is_judged_by_what_it_holds(tmp_path: Path) -> None:
    log = tmp_path / "requests"
    entry = {"process": -1, "wire": "opcua", "request": "631", "times": 5}
    entries = [entry, {**entry, "request": "673"}]
    log.write_text("".join(json.dumps(each) + "\n" for each in entries), encoding="utf-8")
    record = Record()
    record.note_log(log)
    # 673 is WriteRequest in binary encoding (OPC 10000-6, NodeIds.csv).
    assert dict(record.opcua) == {"Read": 5, "673": 5}
    assert record.wrong == ["OPC UA service 673 in a process of its own"]


def test_the_process_that_records_by_itself_writes_no_log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(request_log.VARIABLE, f"{os.getpid()}:{tmp_path / 'requests'}")
    request_log.begin_if_wanted()
    assert not request_log._running


def test_a_service_told_by_name_is_judged_alike() -> None:
    record = Record(test="here")
    record.note_service("Read")
    record.note_service("Write")
    assert record.wrong == ["OPC UA service Write in here"]
