"""How many words each type takes, how many values it can hold, and which raw numbers mean "not available"."""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass

from gateway.registers.model import Span, WordType
from gateway.registers.quantities import parse_number
from gateway.registers.sections import Section
from gateway.registers.signal_fields import read_no_value, whole_numbers
from gateway.registers.yaml_tree import YamlText

WORD_COUNTS = {
    WordType.INT16: 1,
    WordType.UINT16: 1,
    WordType.BCD16: 1,
    WordType.SIGN_MAGNITUDE16: 1,
    WordType.INT32: 2,
    WordType.UINT32: 2,
    WordType.FLOAT32: 2,
    WordType.BCD32: 2,
    WordType.SIGN_MAGNITUDE32: 2,
    WordType.INT64: 4,
    WordType.UINT64: 4,
    WordType.FLOAT64: 4,
}
"""Registers of each number type."""

_SIGNED = (WordType.INT16, WordType.INT32, WordType.INT64)
_SIGN_MAGNITUDE = (WordType.SIGN_MAGNITUDE16, WordType.SIGN_MAGNITUDE32)
_BCD = (WordType.BCD16, WordType.BCD32)
FLOATS = {WordType.FLOAT32: ">f", WordType.FLOAT64: ">d"}
"""Layout of each float type for `struct`."""


@dataclass(frozen=True, slots=True)
class Shape:
    """How the words are read: the type, the addresses, and the bits of a bit or bit range."""

    type: WordType
    span: Span
    bit: int | None = None
    bit_count: int = 1


def modulus_of(kind: WordType, bit_count: int) -> int | None:
    """Return the number of different values that a type counts through, None for a float and a text."""
    if kind in (WordType.BIT, WordType.BITS):
        return 1 << bit_count
    if kind is WordType.TEXT or kind in FLOATS:
        return None
    bits = 16 * WORD_COUNTS[kind]
    if kind in _BCD:
        return int("1" + "0" * (bits // 4))
    return 1 << (bits - 1 if kind in _SIGN_MAGNITUDE else bits)


def no_value_codes(section: Section, shape: Shape) -> tuple[int, ...]:
    """Return the raw numbers of a signal's `no_value` as its words decode, of a float their bits; what it can never hold is noted."""
    items = read_no_value(section)
    if shape.type in (WordType.BIT, WordType.TEXT):
        return ()
    if shape.type in FLOATS:
        return tuple(code for item in items if (code := _float_code(section, item, shape.type)) is not None)
    low, high = _raw_limits(shape)
    modulus = 1 << (16 * shape.span.count)
    codes = []
    for item, code in whole_numbers(section, "no_value", items):
        is_pattern = item.text.strip().lower().startswith("0x") and high < code < modulus
        if is_pattern and shape.type in _SIGNED:
            code -= modulus
        elif is_pattern and shape.type in _SIGN_MAGNITUDE:
            # Minus nothing is one below the least number: only its pattern names it, never -32768, which the device cannot hold.
            code = modulus // 2 - code or low - 1
        if low <= code <= high or (is_pattern and code == low - 1):
            codes.append(code)
        else:
            section.refuse("no_value", f"{shape.type.value} never holds this number", found=item.text, allowed=f"{low} to {high}")
    return tuple(codes)


def _raw_limits(shape: Shape) -> tuple[int, int]:
    modulus = modulus_of(shape.type, shape.bit_count) or 1
    if shape.type in _SIGNED:
        return -(modulus // 2), modulus // 2 - 1
    return (1 - modulus if shape.type in _SIGN_MAGNITUDE else 0), modulus - 1


def _float_code(section: Section, item: YamlText, kind: WordType) -> int | None:
    """Return the bits of a no-value code: hexadecimal is the bits, a number is a number."""
    bits = 16 * WORD_COUNTS[kind]
    text = item.text.strip()
    if re.fullmatch(r"0[xX][0-9A-Fa-f]{1,16}", text) and int(text, 16) < 1 << bits:
        return int(text, 16)
    try:
        return int.from_bytes(struct.pack(FLOATS[kind], parse_number(text)), "big")
    except (ValueError, OverflowError):
        allowed = f"a number such as -9999, or {bits} bits such as 0x7FBFFF80"
        section.refuse("no_value", f"{kind.value} never holds this", found=item.text, allowed=allowed)
        return None
