"""Modbus addresses as users and manuals write them, turned into addresses on the wire.

How an address is read:

- `holding 13` - the table and a number as the manual counts it: with `first_address: 1` it is wire address 12, with 0 it is 13;
- `40013`, `400013` - five and six digits name the table by their first digit (0 coil, 1 discrete, 3 input, 4 holding) and always
  count from 1, whatever `first_address` says: both are wire address 12. The table may stand before it (`holding 40013`) and must agree;
- `holding 0x000C` - hexadecimal is the wire address itself, always counted from 0.

A device whose registers really lie beyond 10000 is addressed with six digits (`410014`) or hexadecimal, so that no address has two
readings.
Sources: Modbus Application Protocol V1.1b3, 4.4 (data model counts from 1, addresses from 0); reference numbers are common practice.
"""

from __future__ import annotations

import re

from gateway.registers.findings import nearest
from gateway.registers.model import Span, Table

HIGHEST_ADDRESS = 65535

_TABLES = {"0": Table.COIL, "1": Table.DISCRETE, "3": Table.INPUT, "4": Table.HOLDING}
_DIGITS = {table: digit for digit, table in _TABLES.items()}
_WORDS = {
    "coil": Table.COIL,
    "coils": Table.COIL,
    "discrete": Table.DISCRETE,
    "discrete_input": Table.DISCRETE,
    "input": Table.INPUT,
    "input_register": Table.INPUT,
    "holding": Table.HOLDING,
    "holding_register": Table.HOLDING,
}
_ADDRESS = re.compile(r"(?:([A-Za-z_ ]+?)\s+)?(0[xX][0-9A-Fa-f]+|[0-9]+)(?:\s*-\s*(0[xX][0-9A-Fa-f]+|[0-9]+))?")
FORMS = "holding 13, 40013, 400013, holding 0x000C, or a range such as holding 13-14"


def parse_span(text: str, first_address: int) -> tuple[Span, bool]:
    """Return the addresses on the wire and whether the text is a range; ValueError says what is wrong and what to write.

    >>> parse_span("holding 13", 1)[0]
    Span(table=<Table.HOLDING: 'holding'>, first=12, last=12)
    >>> [parse_span(text, 0)[0].first for text in ("holding 13", "40013", "400013", "holding 0x000C")]
    [13, 12, 12, 12]
    """
    match = _ADDRESS.fullmatch(text.strip())
    if match is None:
        raise ValueError(f"not an address: write {FORMS}")
    word, low, high = match.groups()
    table = None if word is None else _table(word)
    first_table, first = _wire(low, table, first_address)
    if high is None:
        return Span(first_table, first, first), False
    if _form(low) != _form(high):
        raise ValueError("write both ends of a range in the same way")
    last_table, last = _wire(high, table, first_address)
    if last_table is not first_table:
        raise ValueError("a range must lie in one table")
    if last < first:
        raise ValueError(f"the range is reversed: write {high} first")
    return Span(first_table, first, last), True


def written_address(span: Span) -> str:
    """Return a span as the table and its addresses on the wire, for messages.

    >>> written_address(Span(Table.HOLDING, 12, 13))
    'holding 0x000C-0x000D'
    """
    first = f"{span.table.value} 0x{span.first:04X}"
    return first if span.count == 1 else f"{first}-0x{span.last:04X}"


def _table(word: str) -> Table:
    name = re.sub(r"\s+", "_", word.strip().lower())
    if name in _WORDS:
        return _WORDS[name]
    hint = nearest(name, [table.value for table in Table])
    raise ValueError(f"{word.strip()} is not a table: write coil, discrete, input or holding{'; ' + hint if hint else ''}")


def _form(number: str) -> tuple[bool, bool]:
    return number.lower().startswith("0x"), _names_table(number)


def _names_table(number: str) -> bool:
    return len(number) in (5, 6) and not number.lower().startswith("0x") and number[0] in _TABLES


def _wire(number: str, table: Table | None, first_address: int) -> tuple[Table, int]:
    if number.lower().startswith("0x"):
        if table is None:
            raise ValueError(f"which table? write for example holding {number}")
        return table, _checked(int(number, 16), number)
    if _names_table(number):
        return _reference(number, table)
    if table is None:
        raise ValueError(f"which table? write for example holding {number}, or five or six digits that name it, such as 40013")
    if len(number) > 6:
        raise ValueError(f"{number} is beyond the highest address {HIGHEST_ADDRESS}")
    address = int(number) - first_address
    if address < 0:
        raise ValueError("address 0 does not exist where the manual counts from 1 (first_address: 1)")
    return table, _checked(address, number)


def _reference(number: str, table: Table | None) -> tuple[Table, int]:
    named = _TABLES[number[0]]
    if table is not None and named is not table:
        value = int(number)
        other = f"{_DIGITS[table]}{value + 1:05d}" if len(number) == 5 else f"{table.value} 0x..."
        raise ValueError(
            f"{number} names {_ARTICLES[named]}, not {_ARTICLES[table]}; for {table.value} address {value} on the wire write "
            f"{other} or {table.value} 0x{min(value, HIGHEST_ADDRESS):04X}"
        )
    address = int(number[1:]) - 1
    if address < 0:
        raise ValueError(f"{number} does not exist: numbers of five and six digits count from 1")
    return named, _checked(address, number)


_ARTICLES = {
    Table.COIL: "a coil",
    Table.DISCRETE: "a discrete input",
    Table.INPUT: "an input register",
    Table.HOLDING: "a holding register",
}


def _checked(address: int, number: str) -> int:
    if address > HIGHEST_ADDRESS:
        raise ValueError(f"{number} is beyond the highest address {HIGHEST_ADDRESS}")
    return address
