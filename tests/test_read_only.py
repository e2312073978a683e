"""The proof itself: it finds what is no read, and the run that it watches holds some of everything that it claims to see."""

from __future__ import annotations

import pytest
from asyncua.ua.object_ids import ObjectIds

from tests.read_only import SERVICES, Record, fault_of


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
