"""One question to a device and what came back: the raw material of every verdict of the bench."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from gateway.instants import Instant
from gateway.registers.model import Span


@dataclass(frozen=True, slots=True, kw_only=True)
class Exchange:
    """One request and its end.

    at: when the reply arrived, or the wait for it ended, UTC [us].
    words: registers, or bits as 0 and 1; None when there was no answer with data.
    fault, fault_kind: why there are no words, in plain words and as a class; code: of an exception reply.
    sent, received: the raw frames; empty where nothing was sent or came. framing: tcp or rtu.
    """

    at: Instant
    unit: int
    span: Span
    words: tuple[int, ...] | None = None
    fault: str = ""
    fault_kind: str = ""
    code: int | None = None
    round_trip_s: float = 0.0
    sent: bytes = b""
    received: bytes = b""
    framing: str = "tcp"

    @property
    def is_missing(self) -> bool:
        """True when the device says that it has no such address, or not this table."""
        return self.code in (1, 2)


def fault_counts(exchanges: Iterable[Exchange]) -> dict[str, int]:
    """Return how often each class of fault occurred; an exception with its code.

    >>> from gateway.registers.model import Table
    >>> fault_counts([Exchange(at=0, unit=1, span=Span(Table.HOLDING, 0, 0), fault="not there", fault_kind="exception", code=2)])
    {'exception 2': 1}
    """
    counted = Counter(
        each.fault_kind if each.code is None else f"{each.fault_kind} {each.code}" for each in exchanges if each.words is None
    )
    return dict(sorted(counted.items()))


def on_wire(span: Span) -> str:
    """Return a span as it stands in the request: function code and addresses.

    >>> from gateway.registers.model import Table
    >>> on_wire(Span(Table.HOLDING, 12, 13))
    '3:0x000C-0x000D'
    """
    first = f"{span.table.function_code}:0x{span.first:04X}"
    return first if span.count == 1 else f"{first}-0x{span.last:04X}"
