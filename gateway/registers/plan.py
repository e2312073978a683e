"""Which requests read a device: the fewest that its block size, forbidden ranges, gap limit and ties allow, and of those the fewest words.

Signals that must come in one request (a value of several registers, a value and the register that holds its scale, a group that the
map ties together) form one part, a stretch of addresses. Parts inside a larger part come with it for nothing; the rest, sorted, begin
and end in the same order, so that a request that holds two of them holds every one between. The best plan is therefore a cut of the
sorted parts into runs, each read by one request from its first to its last address, and dynamic programming over the cuts finds it: no
plan of fewer requests exists, and none of as many requests with fewer words. Tests hold this against an exhaustive search.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from gateway.registers.model import ModbusPlace, RegisterMap, Signal, SignalPace, Span, Table


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """One request and the signals that its reply carries; two blocks are the same only when they are one object."""

    span: Span
    signals: tuple[Signal, ...]


@dataclass(frozen=True, slots=True)
class Part:
    """Signals that come in one request, and the addresses from the first to the last of them."""

    span: Span
    signals: tuple[Signal, ...]


def plan_reads(register_map: RegisterMap, *, slow: bool, refused: Sequence[Span] = ()) -> tuple[Block, ...]:
    """Return the requests for one poll, by table and address: for all signals when `slow`, else for those not marked slow.

    A slow signal that is tied to one that is not is read with it. Raises ValueError for a map that cannot be read at all (a part larger
    than the block or across a forbidden range), which no loaded map is.

    refused: addresses between signals that the device turned out not to have (see `gaps_of`); no request touches them any more.

    >>> def signal(name, first):
    ...     place = ModbusPlace(span=Span(Table.HOLDING, first, first), written="")
    ...     return Signal(name=name, key=name, role=None, place=place, type=None)
    >>> sketch = RegisterMap(name="m", protocol="modbus", signals=(signal("a", 0), signal("b", 5), signal("c", 90)), largest_gap=8)
    >>> [(block.span.first, block.span.count) for block in plan_reads(sketch, slow=True)]
    [(0, 6), (90, 1)]
    """
    parts = [part for part in tied_parts(register_map) if slow or any(each.pace is not SignalPace.SLOW for each in part.signals)]
    return _plan(parts, register_map, refused)


def plan_watch(register_map: RegisterMap, *, refused: Sequence[Span] = ()) -> tuple[Block, ...]:
    """Return the requests for the signals marked `pace: watch` alone, with what is tied to them; none when no signal is."""
    parts = [part for part in tied_parts(register_map) if any(each.pace is SignalPace.WATCH for each in part.signals)]
    return _plan(parts, register_map, refused)


def _plan(parts: Sequence[Part], register_map: RegisterMap, refused: Sequence[Span]) -> tuple[Block, ...]:
    blocks: list[Block] = []
    for table in Table:
        blocks += _plan_table([part for part in parts if part.span.table is table], register_map, table, refused)
    return tuple(blocks)


def tied_parts(register_map: RegisterMap) -> tuple[Part, ...]:
    """Return every signal of a Modbus map in exactly one part, joined by `scale_from` and `together`; ties across tables are ignored."""
    placed = [signal for signal in register_map.signals if isinstance(signal.place, ModbusPlace)]
    group_of = {signal.name: index for index, signal in enumerate(placed)}
    ties = [tuple(group) for group in register_map.together]
    ties += [(signal.name, signal.scale_from) for signal in placed if signal.scale_from is not None]
    for tie in ties:
        known = [name for name in tie if name in group_of]
        joined = {group_of[name] for name in known}
        for name, group in group_of.items():
            if group in joined:
                group_of[name] = min(joined)
    members: dict[tuple[int, Table], list[Signal]] = {}
    for signal in placed:
        members.setdefault((group_of[signal.name], span_of(signal).table), []).append(signal)
    return tuple(Part(hull(span_of(signal) for signal in group), tuple(group)) for group in members.values())


def span_of(signal: Signal) -> Span:
    """Return the addresses of a Modbus signal; ValueError for one that has none."""
    if not isinstance(signal.place, ModbusPlace):
        raise ValueError(f"{signal.name} has no Modbus address")
    return signal.place.span


def hull(spans: Iterable[Span]) -> Span:
    """Return the addresses from the first to the last of spans of one table."""
    together = list(spans)
    return Span(together[0].table, min(span.first for span in together), max(span.last for span in together))


def _plan_table(parts: Sequence[Part], register_map: RegisterMap, table: Table, refused: Sequence[Span]) -> list[Block]:
    largest = register_map.largest_bit_block if table.holds_bits else register_map.largest_block
    outer, inner_of = _outermost(parts)
    if not outer:
        return []
    barriers = [span for span in (*register_map.forbidden, *refused) if span.table is table]
    joins = [_may_follow(outer, index, register_map.largest_gap) for index in range(len(outer))]
    cuts = _best_cuts(outer, largest, barriers, joins)
    blocks = []
    for begin, end in zip(cuts, cuts[1:], strict=False):
        run = outer[begin:end]
        signals = [signal for part in run for signal in (*part.signals, *inner_of[part.span])]
        blocks.append(Block(hull(part.span for part in run), tuple(signals)))
    return blocks


def _outermost(parts: Sequence[Part]) -> tuple[list[Part], dict[Span, list[Signal]]]:
    """Return the parts that lie in no other, sorted, and for each the signals of the parts that lie in it."""
    outer: list[Part] = []
    inner_of: dict[Span, list[Signal]] = {}
    for part in sorted(parts, key=lambda part: (part.span.first, -part.span.last)):
        if outer and part.span.last <= outer[-1].span.last:
            inner_of[outer[-1].span] += part.signals
        else:
            outer.append(part)
            inner_of[part.span] = []
    return outer, inner_of


def _may_follow(outer: Sequence[Part], index: int, largest_gap: int) -> bool:
    """True when a request may go on from the part before to this one: not too many addresses between them that nobody asked for."""
    return index > 0 and outer[index].span.first - outer[index - 1].span.last - 1 <= largest_gap


def _best_cuts(outer: Sequence[Part], largest: int, barriers: Sequence[Span], joins: Sequence[bool]) -> list[int]:
    """Return the cuts, from 0 to the number of parts, with the fewest requests and then the fewest words."""
    best: list[tuple[int, int]] = [(0, 0)]
    came_from = [0]
    for end in range(1, len(outer) + 1):
        last = outer[end - 1].span.last
        options = []
        for begin in range(end - 1, -1, -1):
            run = Span(outer[begin].span.table, outer[begin].span.first, last)
            if run.count > largest or any(barrier.first <= run.last and barrier.last >= run.first for barrier in barriers):
                break
            requests, words = best[begin]
            options.append(((requests + 1, words + run.count), begin))
            if not joins[begin]:
                break
        if not options:
            names = ", ".join(signal.name for signal in outer[end - 1].signals)
            raise ValueError(f"no request can read {names}: longer than {largest} or across a forbidden range")
        cost, begin = min(options)
        best.append(cost)
        came_from.append(begin)
    cuts = [len(outer)]
    while cuts[-1] > 0:
        cuts.append(came_from[cuts[-1]])
    return cuts[::-1]
