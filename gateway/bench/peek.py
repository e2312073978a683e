"""One block of registers read in every way side by side, each address for itself and as the first of a longer value."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from gateway.bench.find import POWERS, Wanted
from gateway.bench.forms import Form
from gateway.registers.model import Order, Span, Table, WordType

SINGLES = (WordType.UINT16, WordType.INT16, WordType.SIGN_MAGNITUDE16, WordType.BCD16)
DOUBLES = (WordType.FLOAT32, WordType.UINT32, WordType.INT32)
QUADS = (WordType.FLOAT64, WordType.UINT64)
ORDERS = (
    (Order.HIGH_FIRST, Order.HIGH_FIRST, "high word first"),
    (Order.LOW_FIRST, Order.HIGH_FIRST, "low word first"),
    (Order.HIGH_FIRST, Order.LOW_FIRST, "high word first, bytes swapped"),
    (Order.LOW_FIRST, Order.LOW_FIRST, "low word first, bytes swapped"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One reading of a value: None where the words hold none. fits: it is the expected value, with this power of ten."""

    form: Form
    number: float | None
    fits: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One address: its word, its letters and bits, and what begins there in each form.

    shift: 0 inside of what was asked for, -1 for the address before it, +1 for the one after.
    """

    address: int
    shift: int
    word: int
    letters: str
    cells: tuple[Cell, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Peek:
    """The rows of a block. missing: addresses that the device does not have, with why."""

    span: Span
    rows: tuple[Row, ...]
    missing: Mapping[int, str]

    def as_json(self) -> dict[str, Any]:
        """Return the block as plain data."""
        return {
            "table": self.span.table.value,
            "rows": [
                {
                    "address": row.address,
                    "shift": row.shift,
                    "word": row.word,
                    "letters": row.letters,
                    "values": [
                        {
                            "type": cell.form.type.value,
                            "word_order": cell.form.word_order.value,
                            "byte_order": cell.form.byte_order.value,
                            "value": cell.number,
                            "fits_with_power": cell.fits,
                        }
                        for cell in row.cells
                    ],
                }
                for row in self.rows
            ],
            "missing": {str(address): why for address, why in self.missing.items()},
        }


def peek(span: Span, words: Mapping[int, int], missing: Mapping[int, str], expected: Wanted | None = None) -> Peek:
    """Return every reading of the words of a span and of its two neighbours.

    >>> shown = peek(Span(Table.HOLDING, 1, 2), {1: 0xE979, 2: 0x42F6}, {})
    >>> [round(cell.number or 0.0, 3) for cell in shown.rows[0].cells if cell.form.type is WordType.FLOAT32][1]
    123.456
    """
    rows = []
    for address in range(span.first - 1, span.last + 2):
        if address not in words:
            continue
        shift = -1 if address < span.first else 1 if address > span.last else 0
        cells = [] if span.table.holds_bits else _cells(address, words, expected)
        rows.append(Row(address=address, shift=shift, word=words[address], letters=_letters(words[address]), cells=tuple(cells)))
    return Peek(span=span, rows=tuple(rows), missing=dict(missing))


def forms_shown() -> tuple[Form, ...]:
    """Return the forms of the side-by-side view, in its order."""
    singles = [Form(kind, Order.HIGH_FIRST, order) for kind in SINGLES for order in Order]
    return (*singles, *(Form(kind, words, octets) for kind in (*DOUBLES, *QUADS) for words, octets, _ in ORDERS))


def _cells(address: int, words: Mapping[int, int], expected: Wanted | None) -> list[Cell]:
    cells = []
    for form in forms_shown():
        own = [words[at] for at in range(address, address + form.word_count) if at in words]
        if len(own) == form.word_count:
            number = form.number(own)
            cells.append(Cell(form=form, number=number, fits=_fits(number, expected)))
    return cells


def _fits(number: float | None, expected: Wanted | None) -> int | None:
    if number is None or expected is None:
        return None
    fitting = (power for power in POWERS if abs(number * 10.0**power - expected.value) <= expected.tolerance)
    return next(fitting, None)


def _letters(word: int) -> str:
    return "".join(chr(octet) if 32 <= octet < 127 else "." for octet in word.to_bytes(2, "big"))


def address_text(table: Table, address: int) -> str:
    """Return an address on the wire in both notations.

    >>> address_text(Table.HOLDING, 12)
    'holding 0x000C (12)'
    """
    return f"{table.value} 0x{address:04X} ({address})"
