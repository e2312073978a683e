"""The guard on outgoing bytes: functions 0 to 255, sizes, spans, joined frames."""

from __future__ import annotations

import struct

import pytest

from gateway.drivers.guard import check_outgoing


def request(function: int, first: int = 0, count: int = 1) -> bytes:
    return struct.pack(">HHHBBHH", 7, 0, 6, 1, function, first, count)


@pytest.mark.parametrize("function", range(256))
def test_only_the_four_reads_pass(function: int) -> None:
    assert (check_outgoing(request(function)) is None) == (function in (1, 2, 3, 4))


@pytest.mark.parametrize("function", range(256))
def test_identification_opens_one_more_and_no_other(function: int) -> None:
    frame = struct.pack(">HHHBBBBB", 7, 0, 5, 1, function, 14, 1, 0)
    assert check_outgoing(frame) is not None
    assert (check_outgoing(frame, identification=True) is None) == (function == 43)


@pytest.mark.parametrize("sub", [value for value in range(256) if value != 14])
def test_other_encapsulated_interfaces_stay_shut(sub: int) -> None:
    frame = struct.pack(">HHHBBBBB", 7, 0, 5, 1, 43, sub, 1, 0)
    assert check_outgoing(frame, identification=True) == "function 43 (encapsulated interface) is not a read"


@pytest.mark.parametrize(
    "pdu",
    # Modbus Application Protocol V1.1b3, chapter 6: the requests of the writing functions.
    ["05 00AC FF00", "06 0001 0003", "0F 0013 000A 02 CD01", "10 0001 0002 04 000A 0102", "16 0004 00F2 0025",
     "17 0003 0006 000E 0003 06 00FF 00FF 00FF", "08 0000 A537", "15 09 06 0004 0007 0001 0005"],
)  # fmt: skip
def test_the_writes_of_the_standard_are_stopped(pdu: str) -> None:
    body = bytes.fromhex(pdu)
    frame = struct.pack(">HHHB", 1, 0, len(body) + 1, 17) + body
    reason = check_outgoing(frame, identification=True)
    assert reason is not None and "is not a read" in reason


@pytest.mark.parametrize(
    "pdu", ["01 0013 0013", "02 00C4 0016", "03 006B 0003", "04 0008 0001"]
)  # Modbus Application Protocol V1.1b3, 6.1 to 6.4
def test_the_reads_of_the_standard_pass(pdu: str) -> None:
    assert check_outgoing(bytes.fromhex("000100000006 11" + pdu)) is None


def test_a_write_hidden_behind_a_read_is_stopped() -> None:
    assert check_outgoing(request(3) + request(6)) is not None


def test_a_read_with_more_bytes_than_it_needs_is_stopped() -> None:
    assert check_outgoing(request(3) + b"\0") is not None


@pytest.mark.parametrize("length", range(12))
def test_a_cut_request_is_stopped(length: int) -> None:
    assert check_outgoing(request(3)[:length]) is not None


def test_a_wrong_length_field_or_protocol_is_stopped() -> None:
    assert check_outgoing(struct.pack(">HHHBBHH", 7, 0, 7, 1, 3, 0, 1)) is not None
    assert check_outgoing(struct.pack(">HHHBBHH", 7, 1, 6, 1, 3, 0, 1)) == "protocol id 1 is not Modbus"


@pytest.mark.parametrize(("function", "most"), [(1, 2000), (2, 2000), (3, 125), (4, 125)])
def test_counts_end_where_the_standard_ends_them(function: int, most: int) -> None:
    assert check_outgoing(request(function, 0, most)) is None
    assert check_outgoing(request(function, 0, most + 1)) is not None
    assert check_outgoing(request(function, 0, 0)) is not None


def test_addresses_end_at_65535() -> None:
    assert check_outgoing(request(3, 65535, 1)) is None
    assert check_outgoing(request(3, 65535, 2)) == "addresses 65535 to 65536 run past 65535"
