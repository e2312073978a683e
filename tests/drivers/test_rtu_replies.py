"""Replies in RTU framing byte by byte: what fits passes, everything else is named."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.drivers.base import Fault, FaultKind
from gateway.drivers.frames import crc_of, read_request, with_crc
from gateway.drivers.guard import check_outgoing_rtu
from gateway.drivers.replies import Asked, Data
from gateway.drivers.rtu_replies import check_rtu_reply
from gateway.registers.model import Span, Table
from gateway.site import Framing
from tests.drivers.wire import crc, rtu_frame

ASKED = Asked(0, 5, 3, 100, 2)
REPLY = rtu_frame(5, bytes.fromhex("03 04 00010002"))


@given(st.binary(max_size=260))
def test_the_check_sum_is_that_of_the_standard(data: bytes) -> None:
    assert crc_of(data).to_bytes(2, "little") == crc(data)
    assert crc_of(with_crc(data)) == 0


def test_the_check_sum_of_known_frames() -> None:
    # Modbus over Serial Line V1.02, 6.2.2: 02 07 gives 41 12. That "123456789" gives 4B37 is from memory - confirm.
    assert crc_of(bytes.fromhex("0207")) == 0x1241
    assert crc_of(b"123456789") == 0x4B37


def test_the_right_reply_is_awaited_until_its_last_byte() -> None:
    assert all(check_rtu_reply(ASKED, REPLY[:length]) is None for length in range(len(REPLY)))
    assert check_rtu_reply(ASKED, REPLY) == Data(bytes.fromhex("00010002"))


@pytest.mark.parametrize(
    ("reply", "kind"),
    [
        (rtu_frame(6, bytes.fromhex("03 04 00010002")), FaultKind.WRONG_UNIT),
        (rtu_frame(5, bytes.fromhex("04 04 00010002")), FaultKind.WRONG_FUNCTION),
        (rtu_frame(5, bytes.fromhex("84 02")), FaultKind.WRONG_FUNCTION),
        (rtu_frame(5, bytes.fromhex("03 02 0001")), FaultKind.WRONG_COUNT),
        (rtu_frame(5, bytes.fromhex("03 06 000100020003")), FaultKind.WRONG_COUNT),
        (rtu_frame(5, bytes.fromhex("03 03 000100")), FaultKind.WRONG_COUNT),
        (REPLY + b"\0", FaultKind.GARBAGE),
        (REPLY + REPLY, FaultKind.GARBAGE),
        (REPLY[:-1] + bytes([REPLY[-1] ^ 1]), FaultKind.CRC),
        (bytes.fromhex("1234 0000 0007 05 03 04 00010002"), FaultKind.GARBAGE),
        (b"HTTP/1.1 400 Bad Request\r\n\r\n", FaultKind.GARBAGE),
    ],
)
def test_a_reply_to_something_else_is_named(reply: bytes, kind: FaultKind) -> None:
    fault = check_rtu_reply(ASKED, reply)
    assert isinstance(fault, Fault)
    assert fault.kind is kind
    assert fault.breaks_link


@pytest.mark.parametrize("code", range(1, 12))
def test_exceptions_are_told_and_break_nothing(code: int) -> None:
    fault = check_rtu_reply(ASKED, rtu_frame(5, bytes([0x83, code])))
    assert isinstance(fault, Fault)
    assert fault.kind is FaultKind.EXCEPTION
    assert not fault.breaks_link
    assert fault.text.startswith(f"exception {code}, ")


@given(st.integers(0, len(REPLY) - 1), st.integers(1, 255))
def test_no_changed_byte_passes(place: int, change: int) -> None:
    reply = bytearray(REPLY)
    reply[place] ^= change
    assert not isinstance(check_rtu_reply(ASKED, bytes(reply)), Data)


@given(st.binary(max_size=300))
def test_no_bytes_at_all_raise(received: bytes) -> None:
    checked = check_rtu_reply(ASKED, received)
    if isinstance(checked, Data):
        assert received[:3] == bytes.fromhex("05 03 04")
        assert crc(received[:-2]) == received[-2:]


@pytest.mark.parametrize("function", range(256))
def test_only_reads_leave_in_rtu_framing(function: int) -> None:
    sent = rtu_frame(1, bytes([function]) + bytes.fromhex("0000 0001"))
    assert (check_outgoing_rtu(sent) is None) == (function in (1, 2, 3, 4))


@pytest.mark.parametrize("spoiled", ["", "0103", "01030000000184", "010300000001840AFF", "010300000001840B", "01030000000045CA"])
def test_nothing_but_one_whole_request_leaves(spoiled: str) -> None:
    assert check_outgoing_rtu(bytes.fromhex(spoiled)) is not None


def test_the_bytes_of_a_request() -> None:
    # Modbus Application Protocol V1.1b3, 6.3, in both framings.
    span = Span(Table.HOLDING, 107, 109)
    assert read_request(Framing.TCP, 0x11, span, 7) == bytes.fromhex("0007 0000 0006 11 03 006B 0003")
    assert read_request(Framing.RTU, 0x11, span) == rtu_frame(0x11, bytes.fromhex("03 006B 0003"))
