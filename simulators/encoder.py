"""A device's values written into its image of registers, prepared once for a map so that a simulated week stays cheap."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from gateway.registers.model import ModbusPlace, Order, RegisterMap, Signal, Span, WordType
from simulators.image import Image
from simulators.words import Value, encode_signal, limits, raw_integer, raw_number, swapped, words_of

Put = Callable[[Image, Value, int], None]
"""Writes one value with its exponent into an image."""

_ABSENT = object()


class _Step:
    """One signal, prepared for writing."""

    __slots__ = ("key", "last", "last_exponent", "put", "scale_from")

    def __init__(self, key: str, scale_from: str | None, put: Put) -> None:
        self.key, self.scale_from, self.put = key, scale_from, put
        self.last: object = _ABSENT
        self.last_exponent = 0


class Encoder:
    """Writes a device's values into its image, prepared once for a map."""

    def __init__(self, register_map: RegisterMap) -> None:
        self.map = register_map
        self._swapped = False
        keys = {signal.name: signal.key for signal in register_map.signals}
        self._steps = [
            _Step(signal.key, None if signal.scale_from is None else keys.get(signal.scale_from, signal.scale_from), self._put(signal))
            for signal in register_map.signals
            if isinstance(signal.place, ModbusPlace)
        ]

    @property
    def swapped(self) -> bool:
        """True while the device sends the words of long numbers the other way round than the map says, as after a wrong setting."""
        return self._swapped

    @swapped.setter
    def swapped(self, swapped: bool) -> None:
        self._swapped = swapped
        for step in self._steps:
            step.last = _ABSENT

    def write(self, image: Image, values: Mapping[str, Value]) -> None:
        """Write every signal whose key is in `values`; others keep what they hold.

        An image belongs to one encoder, which skips what has not changed.
        """
        for step in self._steps:
            if step.key not in values:
                continue
            value = values[step.key]
            if step.scale_from is None:
                if value != step.last:
                    step.last = value
                    step.put(image, value, 0)
            else:
                exponent = _whole(values.get(step.scale_from))
                if (value, exponent) != (step.last, step.last_exponent):
                    step.last, step.last_exponent = value, exponent
                    step.put(image, value, exponent)

    def _put(self, signal: Signal) -> Put:
        if signal.type in (WordType.BIT, WordType.BITS):
            return _bits_put(signal)
        plain = signal.byte_order is Order.HIGH_FIRST and signal.scale_from is None and not signal.texts
        if plain and signal.type in (WordType.INT16, WordType.UINT16):
            return _one_word_put(signal)
        return self._words_put(signal)

    def _words_put(self, signal: Signal) -> Put:
        span = _modbus(signal).span

        def put(image: Image, value: Value, exponent: int) -> None:
            words = encode_signal(signal, value, exponent)
            if self._swapped and signal.type is not WordType.TEXT:
                words = words[::-1]
            for index, word in enumerate(words):
                image.set(span.table, span.first + index, word)

        return put


def _one_word_put(signal: Signal) -> Put:
    """Return what `encode_signal` does for a one-word number, with everything looked up beforehand: most signals of most devices."""
    span = _modbus(signal).span
    low, high = limits(signal)
    no_value, role, offset, scale = signal.no_value, signal.to_role_unit, signal.offset, signal.scale

    def put(image: Image, value: Value, exponent: int) -> None:
        if isinstance(value, (int, float)) and not no_value:
            number = (value / role - offset) / scale
            if low < number < high:
                image.set(span.table, span.first, round(number) & 0xFFFF)
                return
        image.set(span.table, span.first, encode_signal(signal, value)[0])

    return put


def _bits_put(signal: Signal) -> Put:
    span = _modbus(signal).span
    shift = signal.bit or 0
    mask = ((1 << signal.bit_count) - 1) << shift

    def put(image: Image, value: Value, exponent: int) -> None:
        number = raw_number(signal, value, exponent)
        raw = raw_integer(signal, number) if number is not None else signal.no_value[0] if signal.no_value else 0
        if span.table.holds_bits:
            for index in range(span.count):
                image.set(span.table, span.first + index, (raw >> index) & 1)
            return
        new = (_pattern(image, signal, span) & ~mask) | ((raw << shift) & mask)
        for index, word in enumerate(words_of(new, span.count, signal.word_order, signal.byte_order)):
            image.set(span.table, span.first + index, word)

    return put


def _pattern(image: Image, signal: Signal, span: Span) -> int:
    """Return the bits that a signal's registers hold now, as one number."""
    words = [image.get(span.table, span.first + index) for index in range(span.count)]
    if signal.byte_order is Order.LOW_FIRST:
        words = [swapped(word) for word in words]
    if signal.word_order is Order.LOW_FIRST:
        words.reverse()
    pattern = 0
    for word in words:
        pattern = (pattern << 16) | word
    return pattern


def _whole(value: Value) -> int:
    return int(value) if isinstance(value, (int, float)) else 0


def _modbus(signal: Signal) -> ModbusPlace:
    if not isinstance(signal.place, ModbusPlace):
        raise ValueError(f"{signal.name} is not on Modbus")
    return signal.place
