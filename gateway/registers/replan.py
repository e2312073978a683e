"""What a device or a wire asks of a plan beyond the map: requests cut where it refuses a gap, and requests of unlike lengths."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from gateway.registers.model import RegisterMap, Span, Table
from gateway.registers.plan import Block, hull, span_of, tied_parts

LAST_ADDRESS = 65535


def gaps_of(block: Block, register_map: RegisterMap) -> tuple[Span, ...]:
    """Return the addresses in a block that no signal of the map, and no ties between signals, ask for.

    >>> from gateway.registers.model import ModbusPlace, Signal
    >>> from gateway.registers.plan import plan_reads
    >>> def signal(name, first):
    ...     place = ModbusPlace(span=Span(Table.HOLDING, first, first), written="")
    ...     return Signal(name=name, key=name, role=None, place=place, type=None)
    >>> sketch = RegisterMap(name="m", protocol="modbus", signals=(signal("a", 0), signal("b", 5)))
    >>> [(gap.first, gap.last) for gap in gaps_of(plan_reads(sketch, slow=True)[0], sketch)]
    [(1, 4)]
    """
    table, gaps, next_free = block.span.table, [], block.span.first
    for span in sorted(part.span for part in tied_parts(register_map) if part.span.table is table):
        if span.last < next_free or span.first > block.span.last:
            continue
        if span.first > next_free:
            gaps.append(Span(table, next_free, span.first - 1))
        next_free = span.last + 1
    if next_free <= block.span.last:
        gaps.append(Span(table, next_free, block.span.last))
    return tuple(gaps)


def pieces_of(block: Block, register_map: RegisterMap) -> tuple[Block, ...]:
    """Return the block cut at all its gaps: the requests that ask for the same signals and for nothing between them."""
    gaps = gaps_of(block, register_map)
    edges = [block.span.first, *(edge for gap in gaps for edge in (gap.first, gap.last + 1)), block.span.last + 1]
    pieces = []
    for first, end in zip(edges[::2], edges[1::2], strict=True):
        signals = tuple(signal for signal in block.signals if first <= span_of(signal).first < end)
        if signals:
            pieces.append(Block(hull(span_of(signal) for signal in signals), signals))
    return tuple(pieces)


def unlike_lengths(
    plans: Sequence[tuple[Block, ...]], register_map: RegisterMap, refused: Sequence[Span] = ()
) -> list[tuple[Block, ...]]:
    """Return plans in which no two requests for different addresses of a table are equally long, as far as the map lets them grow.

    A reply in RTU framing does not say to which request it belongs; where lengths differ, one that comes in the wrong place is noticed.
    A request is made longer over addresses that nobody asked for as a gap is bridged: within `largest_gap`, never over what is forbidden.

    >>> from gateway.registers.model import ModbusPlace, Signal
    >>> from gateway.registers.plan import plan_reads
    >>> def signal(name, first):
    ...     place = ModbusPlace(span=Span(Table.HOLDING, first, first), written="")
    ...     return Signal(name=name, key=name, role=None, place=place, type=None)
    >>> sketch = RegisterMap(name="m", protocol="modbus", signals=(signal("a", 0), signal("b", 50)))
    >>> [block.span.count for block in unlike_lengths([plan_reads(sketch, slow=True)], sketch)[0]]
    [1, 2]
    """
    taken: dict[tuple[Table, int], Span] = {}
    unlike = []
    for plan in plans:
        blocks = []
        for block in plan:
            free = (each for each in _longer(block.span, register_map, refused) if taken.get((each.table, each.count), each) == each)
            span = next(free, block.span)
            taken.setdefault((span.table, span.count), span)
            blocks.append(block if span == block.span else Block(span, block.signals))
        unlike.append(tuple(blocks))
    return unlike


def _longer(span: Span, register_map: RegisterMap, refused: Sequence[Span]) -> Iterable[Span]:
    """Yield the span, then longer ones that a request may ask for."""
    largest = register_map.largest_bit_block if span.table.holds_bits else register_map.largest_block
    barriers = [each for each in (*register_map.forbidden, *refused) if each.table is span.table]
    for step_first, step_last in ((0, 1), (-1, 0)):
        for extra in range(register_map.largest_gap + 1):
            longer = Span(span.table, span.first + extra * step_first, span.last + extra * step_last)
            if longer.first < 0 or longer.last > LAST_ADDRESS or longer.count > largest or any(_touch(longer, each) for each in barriers):
                break
            yield longer


def _touch(one: Span, other: Span) -> bool:
    return one.first <= other.last and other.first <= one.last
