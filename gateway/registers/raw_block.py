"""What one request brought, as it came: the bytes before anybody gives them a meaning. Pure."""

from __future__ import annotations

import struct
from typing import NamedTuple

from gateway.instants import Instant
from gateway.registers.model import Table
from gateway.registers.plan import Block


class RawBlock(NamedTuple):
    """One request of a poll and the data bytes of its reply.

    at: when the reply arrived, or the wait for it ended, UTC [us]. data: as on the wire, "" where nothing came.
    fault, code: why nothing came, in plain words, and the code of an exception reply.
    """

    block: Block
    at: Instant
    data: bytes = b""
    fault: str = ""
    code: int | None = None

    @property
    def words(self) -> tuple[int, ...] | None:
        """The registers, or bits as 0 and 1, first address first; None where nothing came.

        >>> from gateway.registers.model import Span
        >>> RawBlock(Block(Span(Table.HOLDING, 107, 109), ()), 0, bytes.fromhex("022B00000064")).words
        (555, 0, 100)
        >>> RawBlock(Block(Span(Table.COIL, 19, 28), ()), 0, bytes.fromhex("CD01")).words
        (1, 0, 1, 1, 0, 0, 1, 1, 1, 0)
        """
        return words_in(self.block, self.data) if self.data else None


def words_in(block: Block, data: bytes) -> tuple[int, ...]:
    """Return the words that the data bytes of a block's reply hold (Application Protocol V1.1b3, 6.1 to 6.4)."""
    span = block.span
    if span.table in (Table.COIL, Table.DISCRETE):
        bits = int.from_bytes(data, "little")
        return tuple(bits >> place & 1 for place in range(span.count))
    return struct.unpack(f">{span.count}H", data)


def size_of(block: Block) -> int:
    """Return how many data bytes the reply to a block has.

    >>> from gateway.registers.model import Span
    >>> size_of(Block(Span(Table.COIL, 19, 28), ())), size_of(Block(Span(Table.HOLDING, 107, 109), ()))
    (2, 6)
    """
    count = block.span.count
    return (count + 7) // 8 if block.span.table.holds_bits else 2 * count
