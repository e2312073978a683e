"""From a value to the words of its registers, written from `gateway.registers.model` alone and independent of the gateway's decoder.

value = raw x scale x 10^exponent + offset in the signal's unit; the caller gives values under the signal's key, in the role's unit where
the signal has a role. `None` means "not available": the first no-value raw of the map, NaN for a float that has none, else 0.
"""

from __future__ import annotations

import math
import struct

from gateway.registers.model import ModbusPlace, Order, Signal, WordType

Value = float | int | bool | str | None
"""A value as the simulated device knows it."""

_WIDTHS = {
    WordType.INT16: 16,
    WordType.UINT16: 16,
    WordType.INT32: 32,
    WordType.UINT32: 32,
    WordType.INT64: 64,
    WordType.UINT64: 64,
    WordType.BCD16: 16,
    WordType.BCD32: 32,
    WordType.SIGN_MAGNITUDE16: 16,
    WordType.SIGN_MAGNITUDE32: 32,
}
_SIGNED = frozenset({WordType.INT16, WordType.INT32, WordType.INT64})
_BCD = frozenset({WordType.BCD16, WordType.BCD32})
_SIGN_MAGNITUDE = frozenset({WordType.SIGN_MAGNITUDE16, WordType.SIGN_MAGNITUDE32})
_FLOATS = {WordType.FLOAT32: (">f", 2), WordType.FLOAT64: (">d", 4)}


def raw_number(signal: Signal, value: Value, exponent: int = 0) -> float | None:
    """Return a value scaled back to the raw number, not yet rounded; None when it is not available. A text is looked up in `signal.texts`.

    Raises ValueError for a text that the signal does not know.
    """
    if value is None:
        return None
    if isinstance(value, str):
        for code, text in signal.texts.items():
            if text == value:
                return code
        raise ValueError(f"{signal.name}: no code for the text {value!r}")
    if signal.texts or (isinstance(value, int) and _is_plain(signal, exponent)):
        return value
    return (value / signal.to_role_unit - signal.offset) / (signal.scale * 10.0**exponent)


def _is_plain(signal: Signal, exponent: int) -> bool:
    # Whole numbers beyond 2^53 must not pass through a float.
    return signal.scale == 1 and signal.offset == 0 and signal.to_role_unit == 1 and exponent == 0


def raw_integer(signal: Signal, number: float) -> int:
    """Return the raw number rounded and held inside what the type can carry.

    It is never one of the no-value raws: a device at the end of its range does not mean "not available".
    """
    low, high = limits(signal)
    if math.isnan(number):
        return 0
    raw = high if number >= high else low if number <= low else round(number)
    while raw in signal.no_value:
        raw += -1 if raw > 0 else 1
    return raw


def limits(signal: Signal) -> tuple[int, int]:
    kind = signal.type
    if kind is WordType.BIT:
        return 0, 1
    if kind is WordType.BITS:
        return 0, (1 << signal.bit_count) - 1
    width = _width(signal)
    if kind in _SIGNED:
        return -(1 << (width - 1)), (1 << (width - 1)) - 1
    if kind in _BCD:
        return 0, int(10 ** (width // 4)) - 1
    if kind in _SIGN_MAGNITUDE:
        return 1 - (1 << (width - 1)), (1 << (width - 1)) - 1
    return 0, (1 << width) - 1


def _width(signal: Signal) -> int:
    if signal.type is None or signal.type not in _WIDTHS:
        raise ValueError(f"{signal.name}: type {signal.type} is not a whole number")
    return _WIDTHS[signal.type]


def bit_pattern(signal: Signal, raw: int) -> int:
    """Return a raw whole number as the unsigned bits that stand on the wire."""
    width = _width(signal)
    if signal.type in _BCD and 0 <= raw < 10 ** (width // 4):
        return int(str(raw), 16)
    if signal.type in _SIGN_MAGNITUDE and raw < 0:
        return (1 << (width - 1)) | -raw
    return raw & ((1 << width) - 1)


def words_of(pattern: int, count: int, word_order: Order, byte_order: Order) -> tuple[int, ...]:
    """Return unsigned bits as `count` words in the order of the wire.

    >>> [hex(word) for word in words_of(0x0A0B0C0D, 2, Order.LOW_FIRST, Order.HIGH_FIRST)]
    ['0xc0d', '0xa0b']
    """
    words = [(pattern >> (16 * place)) & 0xFFFF for place in range(count)]
    if word_order is Order.HIGH_FIRST:
        words.reverse()
    if byte_order is Order.LOW_FIRST:
        words = [swapped(word) for word in words]
    return tuple(words)


def swapped(word: int) -> int:
    return (word >> 8) | ((word & 0xFF) << 8)


def _text_words(signal: Signal, count: int, value: Value) -> tuple[int, ...]:
    text = "" if value is None else str(value)
    data = text.encode(signal.encoding, errors="replace")[: 2 * count].ljust(2 * count, b"\0")
    words = struct.unpack(f">{count}H", data)
    return tuple(swapped(word) for word in words) if signal.byte_order is Order.LOW_FIRST else words


def _float_words(signal: Signal, number: float | None) -> tuple[int, ...]:
    layout, count = _FLOATS[signal.type] if signal.type is not None else (">f", 2)
    if number is None:
        pattern = signal.no_value[0] if signal.no_value else int.from_bytes(struct.pack(layout, math.nan), "big")
    else:
        try:
            pattern = int.from_bytes(struct.pack(layout, number), "big")
        except OverflowError:
            pattern = int.from_bytes(struct.pack(layout, math.copysign(math.inf, number)), "big")
    return words_of(pattern, count, signal.word_order, signal.byte_order)


def encode_signal(signal: Signal, value: Value, exponent: int = 0) -> tuple[int, ...]:
    """Return the words of a signal that owns whole registers (every type but single bits and bit ranges).

    Raises ValueError for a text that the signal does not know, and for an OPC UA signal.
    """
    if not isinstance(signal.place, ModbusPlace):
        raise ValueError(f"{signal.name} is not on Modbus")
    count = signal.place.span.count
    if signal.type is WordType.TEXT:
        return _text_words(signal, count, value)
    number = raw_number(signal, value, exponent)
    if signal.type in _FLOATS:
        return _float_words(signal, number)
    if number is not None:
        raw = raw_integer(signal, number)
    else:
        raw = signal.no_value[0] if signal.no_value else 0
    return words_of(bit_pattern(signal, raw), count, signal.word_order, signal.byte_order)
