"""Replies byte by byte: the examples of the standard pass, everything else does not."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.drivers.base import Fault, FaultKind
from gateway.drivers.replies import Asked, Data, check_reply, cut_short, exception_code, exception_text, words_of

# Modbus Application Protocol V1.1b3, 6.1 to 6.4, in the TCP framing of the Messaging Implementation Guide V1.0b.
EXAMPLES = [
    (Asked(1, 0x11, 3, 107, 3), "000100000009 11 03 06 022B00000064", (555, 0, 100)),
    (Asked(1, 0x11, 1, 19, 19), "000100000006 11 01 03 CD6B05", (1, 0, 1, 1, 0, 0, 1, 1, 1, 1, 0, 1, 0, 1, 1, 0, 1, 0, 1)),
    (Asked(1, 0x11, 2, 196, 22), "000100000006 11 02 03 ACDB35", (0, 0, 1, 1, 0, 1, 0, 1, 1, 1, 0, 1, 1, 0, 1, 1, 1, 0, 1, 0, 1, 1)),
    (Asked(1, 0x11, 4, 8, 1), "000100000005 11 04 02 000A", (10,)),
]  # fmt: skip


@pytest.mark.parametrize(("asked", "reply", "words"), EXAMPLES)
def test_the_examples_of_the_standard_are_read(asked: Asked, reply: str, words: tuple[int, ...]) -> None:
    checked = check_reply(asked, bytes.fromhex(reply))
    assert isinstance(checked, Data)
    assert tuple(words_of(asked, checked.payload)) == words


@pytest.mark.parametrize(("asked", "reply", "words"), EXAMPLES)
def test_a_reply_is_awaited_until_its_last_byte(asked: Asked, reply: str, words: tuple[int, ...]) -> None:
    whole = bytes.fromhex(reply)
    assert all(check_reply(asked, whole[:length]) is None for length in range(len(whole)))


def fault_of(asked: Asked, reply: str) -> Fault:
    checked = check_reply(asked, bytes.fromhex(reply))
    assert isinstance(checked, Fault)
    return checked


ASKED = Asked(0x1234, 5, 3, 100, 2)


@pytest.mark.parametrize(
    ("reply", "kind", "says"),
    [
        ("1233 0000 0007 05 03 04 00010002", FaultKind.WRONG_ID, "transaction id 4659, asked was 4660"),
        ("0000 0000 0007 05 03 04 00010002", FaultKind.WRONG_ID, "answers_id_zero"),
        ("1234 0000 0007 06 03 04 00010002", FaultKind.WRONG_UNIT, "unit 5 was asked but unit 6 answered"),
        ("1234 0000 0007 05 04 04 00010002", FaultKind.WRONG_FUNCTION, "function 3 was asked, the reply is to function 4"),
        ("1234 0000 0003 05 84 02", FaultKind.WRONG_FUNCTION, "function 4"),
        ("1234 0000 0005 05 03 02 0001", FaultKind.WRONG_COUNT, "2 registers were asked"),
        ("1234 0000 0009 05 03 06 000100020003", FaultKind.WRONG_COUNT, "2 registers were asked"),
        ("1234 0000 0006 05 03 03 000100", FaultKind.WRONG_COUNT, "2 registers were asked"),
        ("1234 0000 0007 05 03 03 00010002", FaultKind.WRONG_COUNT, "holds 3 data bytes, right would be 4"),
        ("1234 0000 0004 05 83 02 00", FaultKind.WRONG_COUNT, "4 bytes long, right would be 3"),
        ("1234 0000 0007 05 03 04 00010002 FF", FaultKind.GARBAGE, "1 bytes more than the reply"),
        ("1234 0001 0007 05 03 04 00010002", FaultKind.GARBAGE, "no Modbus TCP reply"),
        ("1234 0000 0002 05 83 02 00", FaultKind.GARBAGE, "no Modbus TCP reply"),
        ("1234 0000 00FF 05 03 04 00010002", FaultKind.GARBAGE, "no Modbus TCP reply"),
        ("48545450 2F312E31 20343030", FaultKind.GARBAGE, "no Modbus TCP reply"),
        # The same request in RTU framing: unit, function, count, data, CRC.
        ("05 03 04 0001 0002 CFF2", FaultKind.GARBAGE, "RTU over TCP"),
    ],
)
def test_a_reply_to_something_else_is_named(reply: str, kind: FaultKind, says: str) -> None:
    fault = fault_of(ASKED, reply)
    assert fault.kind is kind
    assert says in fault.text
    assert fault.breaks_link


def test_id_zero_passes_only_where_the_map_says_so() -> None:
    allowed = Asked(0x1234, 5, 3, 100, 2, id_zero=True)
    assert check_reply(allowed, bytes.fromhex("0000 0000 0007 05 03 04 00010002")) == Data(bytes.fromhex("00010002"))
    assert fault_of(allowed, "1233 0000 0007 05 03 04 00010002").kind is FaultKind.WRONG_ID


@pytest.mark.parametrize("code", range(1, 12))
def test_each_exception_has_its_own_words(code: int) -> None:
    fault = fault_of(ASKED, f"1234 0000 0003 05 83 {code:02X}")
    assert fault.kind is FaultKind.EXCEPTION
    assert not fault.breaks_link
    assert fault.text.startswith(f"exception {code}, ")
    assert exception_code(bytes.fromhex(f"1234 0000 0003 05 83 {code:02X}")) == code


def test_exceptions_differ_and_say_where_to_look() -> None:
    texts = [exception_text(code, ASKED) for code in range(1, 12)]
    assert len(set(texts)) == 11
    assert "100 to 101" in exception_text(2, ASKED)
    assert "not every bit of 4 " in exception_text(2, Asked(1, 5, 1, 4, 1))
    assert "unit 5 behind the bridge" in exception_text(11, ASKED)
    assert exception_text(9, ASKED) == "exception 9, not in the standard: see the device's manual"


def test_silence_and_a_cut_reply_are_told_apart() -> None:
    assert cut_short(b"", 1.0).kind is FaultKind.NO_ANSWER
    assert cut_short(b"\0" * 9, 0.5).text == "the reply stopped after 9 bytes and the rest did not come within 0.5 s"


@given(st.binary(max_size=40))
def test_no_bytes_at_all_raise(received: bytes) -> None:
    checked = check_reply(ASKED, received)
    if isinstance(checked, Data):
        assert received == bytes.fromhex("1234 0000 0007 05 03 04") + checked.payload


@given(st.integers(0, 8), st.integers(1, 255))
def test_one_changed_byte_before_the_data_never_passes(place: int, change: int) -> None:
    reply = bytearray.fromhex("1234 0000 0007 05 03 04 00010002")
    reply[place] ^= change
    assert not isinstance(check_reply(ASKED, bytes(reply)), Data)
