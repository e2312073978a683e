"""Ways to read a number out of words: every type and order, one by one, through the gateway's own decoder."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from gateway.motors.reading import Flaw
from gateway.registers.model import ModbusPlace, Order, Signal, Span, Table, WordType
from gateway.registers.raw_words import Picker, bits_value, raw_form
from gateway.registers.word_shapes import WORD_COUNTS

Reader = Callable[[Sequence[int]], float | None]


@dataclass(frozen=True, slots=True)
class Form:
    """One way to read a number: its type and the order of its words and bytes."""

    type: WordType
    word_order: Order = Order.HIGH_FIRST
    byte_order: Order = Order.HIGH_FIRST

    @property
    def word_count(self) -> int:
        """Registers that it takes."""
        return WORD_COUNTS[self.type]

    @property
    def order_text(self) -> str:
        """The order as map entries, "" for the usual one."""
        parts = [f"word_order: {self.word_order.value}"] if self.word_order is not Order.HIGH_FIRST else []
        parts += [f"byte_order: {self.byte_order.value}"] if self.byte_order is not Order.HIGH_FIRST else []
        return ", ".join(parts)

    def number(self, words: Sequence[int]) -> float | None:
        """Return the raw number, None for NaN, infinity and BCD digits above 9.

        >>> Form(WordType.FLOAT32, Order.LOW_FIRST).number([0xE979, 0x42F6])
        123.456...
        """
        return reader(self.type, self.word_count, self.word_order, self.byte_order)(words)


def all_forms() -> tuple[Form, ...]:
    """Return every form of every number type, the plainest first; a form of one word has no word order."""
    forms = [
        Form(kind, word_order, byte_order)
        for kind in _PLAIN_FIRST
        for byte_order in Order
        for word_order in (Order if WORD_COUNTS[kind] > 1 else (Order.HIGH_FIRST,))
    ]
    return tuple(sorted(forms, key=lambda form: (form.byte_order is Order.LOW_FIRST, form.word_order is Order.LOW_FIRST)))


_PLAIN_FIRST = (
    WordType.UINT16,
    WordType.INT16,
    WordType.FLOAT32,
    WordType.UINT32,
    WordType.INT32,
    WordType.FLOAT64,
    WordType.UINT64,
    WordType.INT64,
    WordType.BCD16,
    WordType.BCD32,
    WordType.SIGN_MAGNITUDE16,
    WordType.SIGN_MAGNITUDE32,
)


def reader_of(signal: Signal) -> Reader:
    """Return how a Modbus number signal's own words become its raw number."""
    if not isinstance(signal.place, ModbusPlace) or signal.type is None:
        raise ValueError(f"{signal.name} has no Modbus address")
    span = signal.place.span
    if span.table.holds_bits:
        return lambda bits: bits_value(bits, 0, len(bits))
    return reader(signal.type, span.count, signal.word_order, signal.byte_order, signal.bit, signal.bit_count)


@functools.lru_cache(maxsize=4096)
def reader(kind: WordType, count: int, word_order: Order, byte_order: Order, bit: int | None = None, bit_count: int = 1) -> Reader:
    """Return the reader of a type: words in, raw number out, None where the words hold no number of this type."""
    place = ModbusPlace(span=Span(Table.HOLDING, 0, count - 1), written="")
    signal = Signal(
        name="", key="", role=None, place=place, type=kind, bit=bit, bit_count=bit_count, word_order=word_order, byte_order=byte_order
    )
    picker, form = Picker([signal], 0, byte_order), raw_form(signal)

    def read(words: Sequence[int]) -> float | None:
        number = picker.pick(words)[0]
        if form is not None:
            number = form(number)
        return None if isinstance(number, Flaw) or not math.isfinite(number) else number

    return read
