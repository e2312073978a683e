"""On a wire whose replies carry no number: would the reply to the request before fit this one too? Pure."""

from __future__ import annotations

from gateway.registers.model import Span


class LastAsked:
    """The request that was sent last over a wire, whatever connection it went over: a bridge remembers longer than a connection lives."""

    def __init__(self) -> None:
        self._unit = -1
        self._span: Span | None = None

    def is_like(self, unit: int, span: Span) -> bool:
        """Return whether the last request went to the same unit, for as many, but other, addresses of a table; take this as the last.

        Plans have requests of unlike lengths where the map lets them grow; where it does not, or a device has refused what lies around
        its signals, a repeated or shifted reply would become the value of another address.

        >>> from gateway.registers.model import Table
        >>> last, one, other = LastAsked(), Span(Table.HOLDING, 0, 0), Span(Table.HOLDING, 100, 100)
        >>> [last.is_like(1, one), last.is_like(1, other), last.is_like(1, other), last.is_like(2, one), last.is_like(1, other)]
        [False, True, False, False, False]
        """
        before, self._span = self._span, span
        same_unit, self._unit = self._unit == unit, unit
        return same_unit and before is not None and before != span and (before.table, before.count) == (span.table, span.count)
