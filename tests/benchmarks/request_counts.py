"""Requests per poll against the fewest that are possible, found here in another way than the planner's."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from gateway.registers.load import load_map
from gateway.registers.model import ModbusPlace, Protocol, RegisterMap, Signal, Span, Table, WordType
from gateway.registers.plan import plan_reads, span_of, tied_parts

MAPS = Path(__file__).parents[2] / "config" / "maps"


@dataclass(frozen=True, slots=True)
class Requests:
    """Of some maps together: the planner's requests, the fewest possible, and those of a script that reads signal by signal."""

    maps: int
    planned: int
    fewest: int
    one_each: int


def request_counts(drawn: int) -> Requests:
    """Plan the example maps and so many drawn ones."""
    found = [load_map(path) for path in sorted(MAPS.glob("*.yaml"))]
    draw = random.Random(11)
    maps = [each for each in found if each.protocol is Protocol.MODBUS] + [_drawn(draw) for _ in range(drawn)]
    return Requests(
        maps=len(maps),
        planned=sum(len(plan_reads(each, slow=True)) for each in maps),
        fewest=sum(_fewest(each) for each in maps),
        one_each=sum(len(each.signals) for each in maps),
    )


def _fewest(register_map: RegisterMap) -> int:
    """Return the fewest requests that read every part whole.

    From the left, each request is taken as far as it may go. Any plan's first request must begin at or before the first part, and ends no
    further right than this one; by induction no plan needs fewer.
    """
    count = 0
    for table in Table:
        spans = [part.span for part in tied_parts(register_map) if part.span.table is table]
        parts = sorted(spans, key=lambda span: (span.first, -span.last))
        largest = register_map.largest_bit_block if table.holds_bits else register_map.largest_block
        barriers = [span for span in register_map.forbidden if span.table is table]
        reached: Span | None = None
        for part in parts:
            if reached is not None and part.last <= reached.last:
                continue
            joined = None if reached is None else Span(table, reached.first, part.last)
            gap = 0 if reached is None else part.first - reached.last - 1
            if joined is not None and gap <= register_map.largest_gap and joined.count <= largest and not _crosses(joined, barriers):
                reached = joined
            else:
                reached, count = part, count + 1
    return count


def _crosses(span: Span, barriers: Sequence[Span]) -> bool:
    return any(barrier.first <= span.last and span.first <= barrier.last for barrier in barriers)


def _drawn(draw: random.Random) -> RegisterMap:
    """Return a map of some numbers of one or two registers, with gaps and forbidden registers between them."""
    signals, forbidden, address = list[Signal](), list[Span](), 0
    for number in range(draw.randint(5, 40)):
        address += draw.choice((0, 0, 0, 1, 3, 9, 30))
        if draw.random() < 0.1:
            forbidden.append(Span(Table.HOLDING, address, address))
            address += 1
        words = draw.choice((1, 2))
        place = ModbusPlace(span=Span(Table.HOLDING, address, address + words - 1), written="")
        kind = WordType.UINT16 if words == 1 else WordType.FLOAT32
        signals.append(Signal(name=f"s{number}", key=f"s{number}", role=None, place=place, type=kind))
        address = span_of(signals[-1]).last + 1
    return RegisterMap(
        name="drawn",
        protocol=Protocol.MODBUS,
        signals=tuple(signals),
        forbidden=tuple(forbidden),
        largest_block=draw.choice((10, 20, 60, 125)),
        largest_gap=draw.choice((0, 4, 8, 40)),
    )
