"""What people write in register lists: understood as meant, or refused where it can be read in two ways."""

from __future__ import annotations

import pytest

from gateway.bench.manual_words import address_of, scale_of, table_of, texts_of, type_of, unit_of
from gateway.registers.model import Order, Table, WordType

HIGH, LOW = Order.HIGH_FIRST, Order.LOW_FIRST


@pytest.mark.parametrize(
    ("text", "kind", "words", "octets"),
    [
        ("UINT16", WordType.UINT16, HIGH, HIGH),
        ("u16", WordType.UINT16, HIGH, HIGH),
        ("Unsigned int 16 bit", WordType.UINT16, HIGH, HIGH),
        ("WORD", WordType.UINT16, HIGH, HIGH),
        ("INT", WordType.INT16, HIGH, HIGH),
        ("signed 16", WordType.INT16, HIGH, HIGH),
        ("DWORD", WordType.UINT32, HIGH, HIGH),
        ("UDINT", WordType.UINT32, HIGH, HIGH),
        ("int32 (low word first)", WordType.INT32, LOW, HIGH),
        ("Signed Long", WordType.INT32, HIGH, HIGH),
        ("Float (swapped)", WordType.FLOAT32, LOW, HIGH),
        ("REAL", WordType.FLOAT32, HIGH, HIGH),
        ("IEEE754 CDAB", WordType.FLOAT32, LOW, HIGH),
        ("float32 ABCD", WordType.FLOAT32, HIGH, HIGH),
        ("float BADC", WordType.FLOAT32, HIGH, LOW),
        ("float DCBA", WordType.FLOAT32, LOW, LOW),
        ("Float, byte swapped", WordType.FLOAT32, HIGH, LOW),
        ("LREAL", WordType.FLOAT64, HIGH, HIGH),
        ("uint64", WordType.UINT64, HIGH, HIGH),
        ("LINT", WordType.INT64, HIGH, HIGH),
        ("BCD", WordType.BCD16, HIGH, HIGH),
        ("BCD32", WordType.BCD32, HIGH, HIGH),
        ("Boolean", WordType.BIT, HIGH, HIGH),
        ("sign magnitude", WordType.SIGN_MAGNITUDE16, HIGH, HIGH),
    ],
)
def test_types(text: str, kind: WordType, words: Order, octets: Order) -> None:
    found = type_of(text)
    assert (found.type, found.word_order, found.byte_order) == (kind, words, octets)


def test_a_text_takes_half_as_many_registers_as_letters() -> None:
    assert type_of("STRING[16]").length == 8
    assert type_of("ascii(15)").length == 8


@pytest.mark.parametrize("text", ["16 bit", "32 bit", "Integer", "float little endian", "string", "whatever", "", "STRING[900]"])
def test_types_that_are_unclear(text: str) -> None:
    if text == "Integer":
        # Manuals that say no more mean a register with a sign as often as one without.
        pytest.raises(ValueError, type_of, text)
        return
    with pytest.raises(ValueError, match=r"\?|no type"):
        type_of(text)


@pytest.mark.parametrize(
    ("text", "address", "bit"),
    [
        ("13", "13", None),
        ("40,013", "40013", None),
        ("4 0013", "40013", None),
        ("400,013", "400013", None),
        ("0x0C", "0x000C", None),
        ("0Ch", "0x000C", None),
        ("$1F", "0x001F", None),
        ("#1F", "0x001F", None),
        ("40001.15", "40001", 15),
        ("40001/3", "40001", 3),
        ("40001:bit4", "40001", 4),
        ("3x0009", "30009", None),
        ("40013-14", "40013-40014", None),
        ("12-13", "12-13", None),
        ("12..13", "12-13", None),
    ],
)
def test_addresses(text: str, address: str, bit: int | None) -> None:
    assert address_of(text) == (address, bit)


@pytest.mark.parametrize("text", ["", "forty", "40001.99", "12-", "1234567", "-3"])
def test_addresses_that_are_unclear(text: str) -> None:
    with pytest.raises(ValueError, match="address|bit"):
        address_of(text)


def test_tables() -> None:
    assert table_of("Holding Registers") is Table.HOLDING
    assert table_of("3x") is Table.INPUT
    assert table_of("Coils") is Table.COIL
    assert table_of("FC 02".replace(" ", "")) is Table.DISCRETE
    with pytest.raises(ValueError, match="no table"):
        table_of("memory")


@pytest.mark.parametrize("text", ["x10", "* 10", "A x 10", "many", "0", "1/0"])
def test_scales_that_are_unclear(text: str) -> None:
    with pytest.raises(ValueError, match=r"multiplied|no scale|divided|every value"):
        scale_of(text)


def test_units_and_texts() -> None:
    assert unit_of("[kW]") == (1.0, "kW")
    assert unit_of("Amps") == (1.0, "A")
    assert unit_of("0.01 Hz") == (0.01, "Hz")
    assert texts_of("") == {}
    with pytest.raises(ValueError, match="write the values as"):
        texts_of("none, loss")
