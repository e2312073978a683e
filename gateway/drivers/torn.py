"""Numbers of several registers that a device may change between one register and the next: seen by their high words. Pure."""

from __future__ import annotations

import functools
from collections.abc import Sequence

from gateway.registers.model import Order, Signal
from gateway.registers.plan import Block, span_of

MOST_READINGS = 6


@functools.lru_cache(maxsize=65536)
def may_tear(block: Block) -> bool:
    """Return whether a block holds a number that may be torn."""
    return any(signal.may_tear for signal in block.signals)


def torn_signals(block: Block, readings: Sequence[Sequence[int]]) -> list[Signal]:
    """Return the signals whose high words were not the same in all of some readings of a block, so that one may be put together of two.

    >>> from gateway.registers.model import ModbusPlace, Span, Table, WordType
    >>> place = ModbusPlace(span=Span(Table.HOLDING, 10, 11), written="")
    >>> count = Signal(name="count", key="count", role=None, place=place, type=WordType.UINT32, may_tear=True)
    >>> block = Block(Span(Table.HOLDING, 10, 11), (count,))
    >>> [each.name for each in torn_signals(block, [(0, 65535), (1, 0)])], torn_signals(block, [(1, 0), (1, 3)])
    (['count'], [])
    """
    torn = []
    for signal in block.signals:
        span = span_of(signal)
        first, last = span.first - block.span.first, span.last - block.span.first
        high = slice(first, last) if signal.word_order is Order.HIGH_FIRST else slice(first + 1, last + 1)
        if signal.may_tear and len({tuple(words[high]) for words in readings}) > 1:
            torn.append(signal)
    return torn
