"""Which requests the bench sends, worked out before it sends any."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from gateway.registers.addresses import HIGHEST_ADDRESS
from gateway.registers.model import RegisterMap, Span, Table
from gateway.registers.plan import Block, plan_reads

_OTHER = {Table.HOLDING: Table.INPUT, Table.INPUT: Table.HOLDING, Table.COIL: Table.DISCRETE, Table.DISCRETE: Table.COIL}


@dataclass(frozen=True, slots=True, kw_only=True)
class Intent:
    """What is about to be sent, told to the user first.

    requests: known beforehand. extra: at most so many more, and what for. where: address and unit. spans: what is asked
    first. rate: requests a second at most. duration_s: for a watch, how long at most.
    """

    command: str
    requests: int
    extra: int
    where: str
    spans: tuple[Span, ...]
    rate: float
    extra_for: str = "to look at what does not fit"
    duration_s: float | None = None

    def sentences(self) -> str:
        """Return the announcement.

            >>> span = Span(Table.HOLDING, 0, 9)
        >>> Intent(command="verify", requests=1, extra=0, where="10.0.0.5:502 unit 1", spans=(span,), rate=5).sentences()
        'verify sends 1 read request (function 3) to 10.0.0.5:502 unit 1, at most 5 a second. Nothing is written.'
        """
        codes = sorted({span.table.function_code for span in self.spans})
        functions = f"function{'s' if len(codes) > 1 else ''} {', '.join(map(str, codes))}"
        many = f"{self.requests} read request{'s' if self.requests != 1 else ''} ({functions})"
        if self.duration_s is not None:
            text = f"{self.command} repeats up to {many} for up to {self.duration_s:g} s"
        else:
            text = f"{self.command} sends {many}"
        if self.extra:
            text += f", and up to {self.extra} more {self.extra_for},"
        return f"{text} to {self.where}, at most {self.rate:g} a second. Nothing is written."


def blocks_of(register_map: RegisterMap, *, slow: bool = True) -> tuple[Block, ...]:
    """Return the requests for the map's signals."""
    return plan_reads(register_map, slow=slow)


def around(spans: Iterable[Span], register_map: RegisterMap) -> list[list[Span]]:
    """Return for each span the ways to read it with one address more on either side: one request, else the neighbours alone.

    No forbidden range is touched, and no request is longer than the device takes.
    """
    ways = []
    for span in spans:
        wide = Span(span.table, max(0, span.first - 1), min(HIGHEST_ADDRESS, span.last + 1))
        edges = [Span(span.table, at, at) for at in (span.first - 1, span.last + 1) if 0 <= at <= HIGHEST_ADDRESS]
        own = [wide] if _may_read(wide, register_map) else []
        ways.append([*own, *(edge for edge in edges if _may_read(edge, register_map))])
    return ways


def in_other_table(spans: Iterable[Span], register_map: RegisterMap) -> list[Span]:
    """Return the same addresses in the other table of the same width, without those that are forbidden there."""
    return allowed((Span(_OTHER[span.table], span.first, span.last) for span in spans), register_map)


def allowed(spans: Iterable[Span], register_map: RegisterMap) -> list[Span]:
    """Return those spans that touch no forbidden range and are no longer than the device takes."""
    return [span for span in spans if _may_read(span, register_map)]


def moved(spans: Iterable[Span], by: int, register_map: RegisterMap) -> list[Span]:
    """Return spans so many addresses higher, without those that may not be read."""
    inside = (span for span in spans if 0 <= span.first + by and span.last + by <= HIGHEST_ADDRESS)
    return allowed((Span(span.table, span.first + by, span.last + by) for span in inside), register_map)


def pieces(span: Span, largest: int) -> tuple[Span, ...]:
    """Return a span cut into requests of at most `largest` addresses.

    >>> [(each.first, each.count) for each in pieces(Span(Table.HOLDING, 0, 299), 125)]
    [(0, 125), (125, 125), (250, 50)]
    """
    firsts = range(span.first, span.last + 1, largest)
    return tuple(Span(span.table, first, min(span.last, first + largest - 1)) for first in firsts)


def halves(span: Span) -> tuple[Span, Span]:
    """Return a span of two or more addresses in two parts: what is left to try when a device has not all of it."""
    middle = (span.first + span.last) // 2
    return Span(span.table, span.first, middle), Span(span.table, middle + 1, span.last)


def _may_read(span: Span, register_map: RegisterMap) -> bool:
    limit = register_map.largest_bit_block if span.table.holds_bits else register_map.largest_block
    return span.count <= limit and not any(_touch(span, each) for each in register_map.forbidden)


def _touch(one: Span, other: Span) -> bool:
    return one.table is other.table and one.first <= other.last and other.first <= one.last


def uncovered(spans: Sequence[Span], asked: Iterable[Span]) -> list[Span]:
    """Return those spans that no request asked before covers."""
    known = list(asked)
    return [
        span
        for span in spans
        if not any(each.table is span.table and each.first <= span.first and span.last <= each.last for each in known)
    ]
