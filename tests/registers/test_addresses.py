"""Addresses against the Modbus Application Protocol V1.1b3, 4.4 and the request examples of chapter 6, and common reference numbers."""

from __future__ import annotations

import pytest

from gateway.registers.addresses import parse_span, written_address
from gateway.registers.model import Span, Table


@pytest.mark.parametrize(
    ("text", "first_address", "table", "wire"),
    [
        # V1.1b3 6.3: registers 108 to 110 are asked for as 00 6B; 6.4: input register 9 is 00 08.
        ("holding 108", 1, Table.HOLDING, 0x6B),
        ("40108", 0, Table.HOLDING, 0x6B),
        ("400108", 1, Table.HOLDING, 0x6B),
        ("input 9", 1, Table.INPUT, 8),
        ("30009", 1, Table.INPUT, 8),
        # 6.1: outputs from 20 are 00 13; 6.2: inputs from 197 are 00 C4.
        ("coil 20", 1, Table.COIL, 0x13),
        ("00020", 0, Table.COIL, 0x13),
        ("coil 00020", 0, Table.COIL, 0x13),
        ("10197", 0, Table.DISCRETE, 0xC4),
        ("discrete 197", 1, Table.DISCRETE, 0xC4),
        ("discrete 0x00C4", 1, Table.DISCRETE, 0xC4),
        ("holding 13", 0, Table.HOLDING, 13),
        ("holding 40013", 0, Table.HOLDING, 12),
        ("input 30010", 1, Table.INPUT, 9),
        ("holding 0x000C", 1, Table.HOLDING, 12),
        ("holding 0xFFFF", 1, Table.HOLDING, 65535),
        ("465536", 1, Table.HOLDING, 65535),
        ("holding 65535", 0, Table.HOLDING, 65535),
        ("holding 50010", 1, Table.HOLDING, 50009),
        ("Holding Register 5", 0, Table.HOLDING, 5),
        ("coils 5", 0, Table.COIL, 5),
        # A device whose registers lie beyond 40000 on the wire: six digits or hexadecimal.
        ("440001", 0, Table.HOLDING, 40000),
        ("holding 0x9C40", 0, Table.HOLDING, 40000),
    ],
)
def test_addresses(text: str, first_address: int, table: Table, wire: int) -> None:
    assert parse_span(text, first_address) == (Span(table, wire, wire), False)


@pytest.mark.parametrize(
    ("text", "span"),
    [
        ("holding 40-49", Span(Table.HOLDING, 39, 48)),
        ("holding 40 - 40", Span(Table.HOLDING, 39, 39)),
        ("40041-40050", Span(Table.HOLDING, 40, 49)),
        ("holding 0x28-0x31", Span(Table.HOLDING, 40, 49)),
        ("coil 1-16", Span(Table.COIL, 0, 15)),
    ],
)
def test_ranges(text: str, span: Span) -> None:
    assert parse_span(text, 1) == (span, True)


@pytest.mark.parametrize(
    ("text", "first_address", "words"),
    [
        ("13", 1, "which table"),
        ("0x000C", 1, "which table"),
        ("20013", 1, "which table"),
        ("holding", 1, "not an address"),
        ("holding -5", 1, "not an address"),
        ("holding 1.5", 1, "not an address"),
        ("holding 5-", 1, "not an address"),
        ("holdign 5", 1, "did you mean `holding`"),
        ("register 5", 1, "is not a table"),
        ("holding 0", 1, "counts from 1"),
        ("40000", 0, "does not exist"),
        ("00000", 0, "does not exist"),
        ("holding 65536", 0, "beyond the highest address 65535"),
        ("holding 65537", 1, "beyond"),
        ("holding 0x10000", 0, "beyond"),
        ("465537", 1, "beyond"),
        ("holding 12345678", 1, "beyond"),
        ("input 40013", 1, "40013 names a holding register, not an input register; for input address 40013 on the wire write 340014"),
        ("holding 300010", 1, "holding 0x"),
        ("holding 49-40", 1, "the range is reversed"),
        ("40049-30050", 1, "in one table"),
        ("40049-50", 1, "in the same way"),
    ],
)
def test_what_is_no_address(text: str, first_address: int, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        parse_span(text, first_address)


def test_spans_are_shown_as_on_the_wire() -> None:
    assert written_address(Span(Table.COIL, 19, 19)) == "coil 0x0013"
    assert written_address(Span(Table.INPUT, 8, 9)) == "input 0x0008-0x0009"
