"""From the words of one reply to values and flaws by signal key.

A block is prepared once (`BlockDecoder`): the words of all numbers are picked in the order of their values, packed and unpacked in one step
for each byte order, and each value then costs one multiplication and one comparison. A value that cannot be true, NaN and infinities
become flaws here and go no further.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence
from operator import itemgetter
from typing import Any

from gateway.motors.reading import Flaw, Quality, Scalar
from gateway.registers.model import Order, Signal, WordType
from gateway.registers.plan import Block, span_of
from gateway.registers.raw_words import Picker, RawNumber, bits_value, raw_form, text_of
from gateway.registers.roles import ROLES, RoleKind
from gateway.registers.scaling import NOT_AVAILABLE, Scaling, scaling_of

_Straight = tuple[int, str, int, int, int, float, float, float, frozenset[float], Scaling]
Decoded = tuple[dict[str, Scalar], dict[str, Flaw]]

_SHORT = Flaw(Quality.BAD, "the reply has another length than was asked for")
_NOTHING = Flaw(Quality.BAD, "the server gave no value")
_NO_SCALE = Flaw(Quality.BAD, "its scale register has no usable value")


def decode_block(block: Block, words: Sequence[int]) -> Decoded:
    """Return the values and the flaws of a block's signals by key; for coils and discrete inputs `words` are zeros and ones.

    >>> from gateway.registers.model import ModbusPlace, Span, Table
    >>> place = ModbusPlace(span=Span(Table.HOLDING, 107, 107), written="holding 108")
    >>> signal = Signal(name="current", key="current", role="current", place=place, type=WordType.UINT16, scale=0.1, unit="A")
    >>> decode_block(Block(Span(Table.HOLDING, 107, 109), (signal,)), [0x022B, 0, 0x64])
    ({'current': 55.5}, {})
    """
    return _decoder(block).decode(words)


@functools.lru_cache(maxsize=65536)
def _decoder(block: Block) -> BlockDecoder:
    return BlockDecoder(block)


class BlockDecoder:
    """The prepared way from the words of one block to its values."""

    def __init__(self, block: Block) -> None:
        self._count = block.span.count
        self._keys = tuple(signal.key for signal in block.signals)
        first = block.span.first
        texts = [signal for signal in block.signals if signal.type is WordType.TEXT]
        numbers = [] if block.span.table.holds_bits else [signal for signal in block.signals if signal not in texts]
        by_order = [(order, [signal for signal in numbers if signal.byte_order is order]) for order in Order]
        self._pickers = [Picker(chosen, first, order) for order, chosen in by_order if chosen]
        picked = [signal for _, chosen in by_order for signal in chosen]
        self._straight = [_straight(place, signal) for place, signal in enumerate(picked) if _is_straight(signal)]
        self._flags = [(place, signal.key, 1 << (signal.bit or 0)) for place, signal in enumerate(picked) if _is_plain_bit(signal)]
        self._shaped: list[tuple[str, Callable[[Sequence[Any]], Scalar | Flaw]]] = [
            (signal.key, _shaped(place, signal, picked))
            for place, signal in enumerate(picked)
            if not _is_straight(signal) and not _is_plain_bit(signal)
        ]
        self._direct: list[tuple[str, Callable[[Sequence[int]], Scalar | Flaw]]] = [
            (signal.key, _coils(signal, first) if block.span.table.holds_bits else _text(signal, first))
            for signal in block.signals
            if block.span.table.holds_bits or signal in texts
        ]

    def decode(self, words: Sequence[int]) -> Decoded:
        """Return values and flaws by signal key; words that do not fit the block make every signal a flaw."""
        values: dict[str, Scalar] = {}
        flaws: dict[str, Flaw] = {}
        if len(words) != self._count:
            return values, dict.fromkeys(self._keys, _SHORT)
        raws: tuple[Any, ...] = ()
        for picker in self._pickers:
            raws += picker.pick(words)
        for place, key, multiplier, shift, divisor, low, high, tiny, no_value, scaling in self._straight:
            raw = raws[place]
            value = (raw * multiplier + shift) / divisor if divisor else raw
            if low <= value <= high and raw not in no_value and not (-tiny < raw < tiny and raw):
                values[key] = value
            else:
                flaws[key] = NOT_AVAILABLE if raw in no_value else scaling.flaw_of(raw, value)
        for place, key, mask in self._flags:
            values[key] = raws[place] & mask != 0
        for key, shaped in self._shaped:
            _put(key, shaped(raws), values, flaws)
        for key, direct in self._direct:
            _put(key, direct(words), values, flaws)
        return values, flaws


def decode_scalar(signal: Signal, raw: object) -> tuple[Scalar | None, Flaw | None]:
    """Return the value of an OPC UA signal in the unit of its role, or None and what is wrong with it.

    >>> from gateway.registers.model import OpcuaPlace
    >>> place = OpcuaPlace(namespace_uri="urn:example", identifier="s=Current")
    >>> decode_scalar(Signal(name="current", key="current", role="current", place=place, type=None, unit="kA", to_role_unit=1000.0), 0.25)
    (250.0, None)
    """
    taken = _scalar(signal, raw)
    return (None, taken) if isinstance(taken, Flaw) else (taken, None)


def _scalar(signal: Signal, raw: object) -> Scalar | Flaw:
    kind = None if signal.role is None else ROLES[signal.role].kind
    if isinstance(raw, str):
        if kind in (None, RoleKind.CODE):
            return raw
        return Flaw(Quality.BAD, f"the server gave a text where a number is needed: {raw[:40]!r}")
    if not isinstance(raw, (bool, int, float)):
        return _NOTHING if raw is None else Flaw(Quality.BAD, f"the server gave a {type(raw).__name__} where one value is needed")
    if isinstance(raw, bool) and kind in (None, RoleKind.FLAG):
        return raw
    value = scaling_of(signal).take(raw)
    return value if kind is not RoleKind.FLAG or isinstance(value, Flaw) else value != 0


def _put(key: str, taken: Scalar | Flaw, values: dict[str, Scalar], flaws: dict[str, Flaw]) -> None:
    if isinstance(taken, Flaw):
        flaws[key] = taken
    else:
        values[key] = taken


def _is_plain_bit(signal: Signal) -> bool:
    return signal.type is WordType.BIT


def _is_straight(signal: Signal) -> bool:
    """True when the unpacked number needs scaling and a look at its range, nothing else."""
    return raw_form(signal) is None and signal.scale_from is None


def _straight(place: int, signal: Signal) -> _Straight:
    scaling = scaling_of(signal)
    return (
        place,
        signal.key,
        scaling.multiplier,
        scaling.shift,
        scaling.divisor,
        scaling.low,
        scaling.high,
        scaling.tiny,
        scaling.no_value,
        scaling,
    )


def _raw_reader(place: int, signal: Signal) -> Callable[[Sequence[Any]], RawNumber | Flaw]:
    form = raw_form(signal)
    return itemgetter(place) if form is None else lambda raws: form(raws[place])


def _shaped(place: int, signal: Signal, picked: Sequence[Signal]) -> Callable[[Sequence[Any]], Scalar | Flaw]:
    """Return the reading of a signal whose raw number has its own form or whose scale stands in another register."""
    raw_of, scaling = _raw_reader(place, signal), scaling_of(signal)
    if signal.scale_from is None:

        def read(raws: Sequence[Any]) -> Scalar | Flaw:
            raw = raw_of(raws)
            return raw if isinstance(raw, Flaw) else scaling.take(raw)

        return read
    at = next((index for index, other in enumerate(picked) if other.name == signal.scale_from), None)
    if at is None:
        return lambda raws: _NO_SCALE
    exponent_of, exponent_scaling = _raw_reader(at, picked[at]), scaling_of(picked[at])

    def read_scaled(raws: Sequence[Any]) -> Scalar | Flaw:
        raw, exponent = raw_of(raws), exponent_of(raws)
        if isinstance(raw, Flaw):
            return raw
        if isinstance(exponent, Flaw) or isinstance(exponent_scaling.take(exponent), Flaw):
            return _NO_SCALE
        return scaling.take(raw, int(exponent))

    return read_scaled


def _coils(signal: Signal, first: int) -> Callable[[Sequence[int]], Scalar | Flaw]:
    span, scaling = span_of(signal), scaling_of(signal)
    place, count = span.first - first, span.count
    if count == 1 and signal.type is WordType.BIT:
        return lambda words: words[place] != 0
    return lambda words: scaling.take(bits_value(words, place, count))


def _text(signal: Signal, first: int) -> Callable[[Sequence[int]], Scalar | Flaw]:
    span = span_of(signal)
    begin, end = span.first - first, span.last - first + 1
    return lambda words: text_of(words[begin:end], signal.byte_order, signal.encoding)
