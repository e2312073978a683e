"""Where in a device does a known value stand? Every address, type, order and power of ten whose value matches."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from gateway.bench.forms import Form, all_forms
from gateway.bench.map_line import map_line
from gateway.registers.addresses import HIGHEST_ADDRESS
from gateway.registers.model import ModbusPlace, Order, Signal, Span, Table, WordType
from gateway.registers.quantities import parse_number, unit_factor
from gateway.registers.roles import ROLES

POWERS = (0, -1, -2, -3, 1, 2, 3)
"""Powers of ten that devices scale by, the usual ones first."""
FLOAT_POWERS = (0, 3, -3)
"""A float is given in the unit, or in a thousand or a thousandth of it."""
_VALUE = re.compile(r"([+-]?[0-9][0-9.,]*(?:[eE][+-]?[0-9]+)?)\s*(.*)")
WITHIN = 0.02
"""How far a value may be off, as a part of it: it moves between the look at the display and the reading."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """A value read off a display. tolerance: how far a match may be off, in the same unit."""

    value: float
    unit: str
    tolerance: float

    @property
    def text(self) -> str:
        """The value as text."""
        return f"{self.value:g}{f' {self.unit}' if self.unit else ''}"


def wanted(text: str, within: float = WITHIN) -> Wanted:
    """Return the value that a text names; ValueError says what is wrong.

    The tolerance is half of the last digit given or `within` of the value, whichever is more.

    >>> wanted("42 A")
    Wanted(value=42.0, unit='A', tolerance=0.84)
    >>> wanted("42,5A").value
    42.5
    >>> wanted("42.0 A", within=0.0).tolerance
    0.05
    """
    match = _VALUE.fullmatch(text.strip())
    if match is None:
        raise ValueError("this is not a number" if text.strip() else "the value is missing: what does the display show?")
    number, unit = match[1], match[2]
    if re.fullmatch(r"[+-]?\d{1,3}(,\d{3})+", number):
        raise ValueError(f"is {number} meant with three decimals or as thousands? write it with a point, or without")
    number = number.replace(",", ".") if number.count(",") == 1 and "." not in number else number
    value = parse_number(number)
    if value == 0:
        raise ValueError("0 stands everywhere: wait until the value is another one")
    digits = len(number.partition(".")[2]) if "e" not in number.lower() else 0
    return Wanted(value=value, unit=unit.strip(), tolerance=max(0.5 * 10.0**-digits, abs(value) * within))


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """One way to read the wanted value: address, form and power of ten. values: what it gave, run by run."""

    table: Table
    first: int
    form: Form
    power: int
    values: tuple[float, ...]

    @property
    def span(self) -> Span:
        """The addresses that it takes."""
        return Span(self.table, self.first, self.first + self.form.word_count - 1)

    @property
    def key(self) -> tuple[object, ...]:
        """The way of reading without what it gave."""
        return self.table, self.first, self.form, self.power

    def signal(self, name: str, unit: str) -> Signal:
        """Return the match as a signal of a map."""
        return Signal(
            name=name,
            key=name,
            role=name if name in ROLES else None,
            place=ModbusPlace(span=self.span, written=""),
            type=self.form.type,
            word_order=self.form.word_order,
            byte_order=self.form.byte_order,
            scale=float(f"1e{self.power}"),
            unit=unit,
        )

    def line(self, name: str, unit: str) -> str:
        """Return the map line to paste."""
        return map_line(self.signal(name, unit))

    def as_json(self) -> dict[str, Any]:
        """Return the match as plain data."""
        return {
            "table": self.table.value,
            "first": self.first,
            "type": self.form.type.value,
            "word_order": self.form.word_order.value,
            "byte_order": self.form.byte_order.value,
            "power": self.power,
            "values": list(self.values),
        }


def match_from(entry: Mapping[str, Any]) -> Match:
    """Return a match from plain data; ValueError, KeyError or TypeError when it is none."""
    form = Form(WordType(entry["type"]), Order(entry["word_order"]), Order(entry["byte_order"]))
    first, power = int(entry["first"]), int(entry["power"])
    if not 0 <= first <= HIGHEST_ADDRESS or abs(power) > 20:
        raise ValueError("address or power out of range")
    return Match(table=Table(entry["table"]), first=first, form=form, power=power, values=tuple(float(each) for each in entry["values"]))


Words = Mapping[tuple[Table, int], int]


def matches(words: Words, value: Wanted) -> list[Match]:
    """Return every way to read the value out of words, the plainest first."""
    found = []
    for form in all_forms():
        powers = FLOAT_POWERS if form.type in (WordType.FLOAT32, WordType.FLOAT64) else POWERS
        for table, first in words:
            own = _own_words(words, table, first, form.word_count)
            number = None if own is None or table.holds_bits else form.number(own)
            if number is None or number == 0:
                continue
            for power in powers:
                given = _given(number, power)
                if abs(given - value.value) <= value.tolerance:
                    found.append(Match(table=table, first=first, form=form, power=power, values=(given,)))
    return sorted(found, key=_rank)


def still_matching(earlier: Iterable[Match], words: Words, value: Wanted) -> list[Match]:
    """Return those of earlier matches that give the new value too, with what they gave."""
    kept = []
    for match in earlier:
        own = _own_words(words, match.table, match.first, match.form.word_count)
        number = None if own is None else match.form.number(own)
        if number is None:
            continue
        given = _given(number, match.power)
        if abs(given - value.value) <= value.tolerance:
            kept.append(Match(table=match.table, first=match.first, form=match.form, power=match.power, values=(*match.values, given)))
    return sorted(kept, key=_rank)


def distinct(found: Sequence[Match]) -> list[tuple[Match, list[Match]]]:
    """Return matches that read the same number from the same word as one with its doubles: a 32-bit number with an empty high word
    is also the 16-bit number in its low word, and a small positive number is signed and unsigned alike."""
    groups: dict[tuple[object, ...], tuple[Match, list[Match]]] = {}
    for match in found:
        low_word = match.first + (match.form.word_count - 1 if match.form.word_order is Order.HIGH_FIRST else 0)
        whole = match.form.type not in (WordType.FLOAT32, WordType.FLOAT64)
        key = (match.table, low_word, match.power, match.values) if whole else (match.key,)
        if key in groups:
            groups[key][1].append(match)
        else:
            groups[key] = (match, [])
    return list(groups.values())


def units_agree(one: str, other: str) -> bool:
    """True when two values may be compared: the same unit, or none.

    >>> units_agree("A", "A"), units_agree("A", "V")
    (True, False)
    """
    if one == other:
        return True
    try:
        return unit_factor(one, other) == 1.0
    except ValueError:
        return False


def _own_words(words: Words, table: Table, first: int, count: int) -> tuple[int, ...] | None:
    found = [words.get((table, first + place)) for place in range(count)]
    known = tuple(word for word in found if word is not None)
    return known if len(known) == count else None


def _given(number: float, power: int) -> float:
    return number * 10.0**power if power >= 0 else number / 10.0**-power


def _rank(match: Match) -> tuple[object, ...]:
    odd_order = (match.form.byte_order is Order.LOW_FIRST, match.form.word_order is Order.LOW_FIRST)
    odd_type = _TYPE_RANK.get(match.form.type, 4)
    return odd_order[0], odd_type + 2 * odd_order[1] + abs(match.power) // 2, match.table.value, match.first, match.power


_TYPE_RANK = {
    WordType.UINT16: 0,
    WordType.FLOAT32: 0,
    WordType.INT16: 1,
    WordType.UINT32: 1,
    WordType.INT32: 2,
    WordType.BCD16: 3,
    WordType.FLOAT64: 2,
}
