"""From words to raw numbers and texts: word order, byte order, and the number forms that `struct` does not know.

Source of the big-endian register: Modbus Application Protocol V1.1b3, 4.2. The order of words in a longer value is the maker's choice.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from operator import itemgetter
from typing import Any

from gateway.motors.reading import Flaw, Quality
from gateway.registers.model import Order, Signal, WordType
from gateway.registers.plan import span_of

_LETTERS = {
    WordType.INT16: "h",
    WordType.INT32: "i",
    WordType.INT64: "q",
    WordType.FLOAT32: "f",
    WordType.FLOAT64: "d",
}
_UNSIGNED = {1: "H", 2: "I", 4: "Q"}
BAD_BCD = Flaw(Quality.BAD, "not a BCD number: a digit is above 9")

RawNumber = int | float


class Picker:
    """Takes the raw numbers of signals that share one byte order out of a reply: one pick, one pack, one unpack for all of them."""

    def __init__(self, signals: Sequence[Signal], first: int, byte_order: Order) -> None:
        places: list[int] = []
        letters = ""
        for signal in signals:
            span = span_of(signal)
            own = range(span.first - first, span.last - first + 1)
            places += own if signal.word_order is Order.HIGH_FIRST else reversed(own)
            letters += _LETTERS.get(signal.type, "") if signal.type else ""
            letters += "" if signal.type in _LETTERS else _UNSIGNED[span.count]
        # itemgetter gives a tuple from two places on; the spare word is packed behind the others and never unpacked.
        self._pick: Callable[[Sequence[int]], tuple[int, ...]] = itemgetter(*places, places[0])
        self._words = struct.Struct(f"{'>' if byte_order is Order.HIGH_FIRST else '<'}{len(places) + 1}H")
        self._numbers = struct.Struct(f">{letters}2x")

    def pick(self, words: Sequence[int]) -> tuple[Any, ...]:
        """Return one raw number for each signal, in their order.

        >>> from gateway.registers.model import ModbusPlace, Span, Table
        >>> place = ModbusPlace(span=Span(Table.HOLDING, 0, 1), written="holding 0")
        >>> signal = Signal(name="a", key="a", role=None, place=place, type=WordType.FLOAT32, word_order=Order.LOW_FIRST)
        >>> Picker([signal], 0, Order.HIGH_FIRST).pick([0x0000, 0x3F80])
        (1.0,)
        """
        return self._numbers.unpack(self._words.pack(*self._pick(words)))


def raw_form(signal: Signal) -> Callable[[int], RawNumber | Flaw] | None:
    """Return how the unsigned number of a signal's words becomes its raw number; None when it is that already."""
    count = span_of(signal).count
    if signal.type in (WordType.BIT, WordType.BITS):
        shift, mask = signal.bit or 0, (1 << signal.bit_count) - 1
        return lambda pattern: (pattern >> shift) & mask
    if signal.type in (WordType.BCD16, WordType.BCD32):
        return lambda pattern: from_bcd(pattern, 4 * count)
    if signal.type in (WordType.SIGN_MAGNITUDE16, WordType.SIGN_MAGNITUDE32):
        sign = minus_nothing(16 * count)
        if -sign in signal.no_value:
            return lambda pattern: -sign if pattern == sign else sign - pattern if pattern & sign else pattern
        return lambda pattern: sign - pattern if pattern & sign else pattern
    return None


def minus_nothing(bits: int) -> int:
    """Return the sign-magnitude pattern of a sign without a magnitude.

    It is 0, unless the map names it as a no-value code: then its raw number is minus the pattern, which no other pattern gives.

    >>> hex(minus_nothing(16))
    '0x8000'
    """
    return 1 << (bits - 1)


def from_bcd(pattern: int, digits: int) -> int | Flaw:
    """Return the number that binary coded decimal digits show, a flaw when one of them is above 9.

    >>> from_bcd(0x1234, 4)
    1234
    """
    shown = f"{pattern:0{digits}x}"
    return int(shown) if shown.isdecimal() else BAD_BCD


def bits_value(words: Sequence[int], place: int, count: int) -> int:
    """Return neighbouring coils or discrete inputs as a number, the lowest address the least significant.

    >>> bits_value([1, 0, 1], 0, 3)
    5
    """
    return sum((1 << index) for index in range(count) if words[place + index])


def text_of(words: Sequence[int], byte_order: Order, encoding: str) -> str:
    """Return the text that words hold, two letters a word, without padding; bytes that are no letters become a replacement mark.

    >>> text_of([0x4D54, 0x5200], Order.HIGH_FIRST, "latin-1")
    'MTR'
    """
    data = struct.pack(f"{'>' if byte_order is Order.HIGH_FIRST else '<'}{len(words)}H", *words)
    text = data.partition(b"\0")[0].decode(encoding, errors="replace")
    return "".join(letter if letter.isprintable() else "\N{REPLACEMENT CHARACTER}" for letter in text.rstrip()).strip()
