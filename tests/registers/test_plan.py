"""The planner against an exhaustive search that knows nothing of its argument: every set of requests over a small address space."""

from __future__ import annotations

import functools
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.registers.model import ModbusPlace, OpcuaPlace, Protocol, RegisterMap, Signal, SignalPace, Span, Table, WordType
from gateway.registers.plan import Block, plan_reads, span_of, tied_parts

SLOW = SignalPace.SLOW


def signal(name: str, first: int, count: int = 1, *, table: Table = Table.HOLDING, pace: SignalPace = SignalPace.NORMAL) -> Signal:
    place = ModbusPlace(span=Span(table, first, first + count - 1), written="")
    return Signal(name=name, key=name, role=None, place=place, type=WordType.UINT16, pace=pace)


def sketch(*signals: Signal, block: int = 125, gap: int = 8, forbidden: tuple[Span, ...] = ()) -> RegisterMap:
    return RegisterMap(
        name="sketch",
        protocol=Protocol.MODBUS,
        signals=signals,
        largest_block=block,
        largest_bit_block=block,
        largest_gap=gap,
        forbidden=forbidden,
    )


def spans(blocks: tuple[Block, ...]) -> list[tuple[str, int, int]]:
    return [(block.span.table.value, block.span.first, block.span.last) for block in blocks]


def test_one_request_bridges_a_gap_up_to_the_limit() -> None:
    near = sketch(signal("a", 10), signal("b", 19), gap=8)
    assert spans(plan_reads(near, slow=True)) == [("holding", 10, 19)]
    far = sketch(signal("a", 10), signal("b", 20), gap=8)
    assert spans(plan_reads(far, slow=True)) == [("holding", 10, 10), ("holding", 20, 20)]
    assert spans(plan_reads(replace(near, largest_gap=0), slow=True)) == [("holding", 10, 10), ("holding", 19, 19)]


def test_a_forbidden_register_is_never_read_over() -> None:
    plan = plan_reads(sketch(signal("a", 38), signal("b", 41), forbidden=(Span(Table.HOLDING, 40, 40),)), slow=True)
    assert spans(plan) == [("holding", 38, 38), ("holding", 41, 41)]
    other_table = sketch(signal("a", 38), signal("b", 41), forbidden=(Span(Table.INPUT, 40, 40),))
    assert spans(plan_reads(other_table, slow=True)) == [("holding", 38, 41)]


def test_a_block_holds_exactly_what_the_device_takes() -> None:
    assert len(plan_reads(sketch(signal("a", 0, 2), signal("b", 58, 2), block=60, gap=100), slow=True)) == 1
    assert len(plan_reads(sketch(signal("a", 0, 2), signal("b", 59, 2), block=60, gap=100), slow=True)) == 2


def test_of_plans_with_as_many_requests_the_one_with_fewer_words_is_taken() -> None:
    # Taking from the left all that fits gives 0-9 and 12, 11 words; cutting at the widest gap gives 0 and 6-12, 8 words.
    signals = [signal("a", 0), signal("b", 6), signal("c", 9), signal("d", 12)]
    plan = plan_reads(sketch(*signals, block=10, gap=9), slow=True)
    assert spans(plan) == [("holding", 0, 0), ("holding", 6, 12)]


def test_tables_are_read_apart_and_in_order() -> None:
    signals = [signal("h", 0), signal("i", 0, table=Table.INPUT), signal("d", 0, table=Table.DISCRETE), signal("c", 0, table=Table.COIL)]
    assert spans(plan_reads(sketch(*signals), slow=True)) == [("coil", 0, 0), ("discrete", 0, 0), ("input", 0, 0), ("holding", 0, 0)]


def test_bits_have_their_own_largest_block() -> None:
    signals = [signal("a", 0, table=Table.COIL), signal("b", 300, table=Table.COIL)]
    device = replace(sketch(*signals, gap=124, block=125), largest_bit_block=2000, largest_gap=400)
    assert len(plan_reads(device, slow=True)) == 1


def test_slow_signals_are_left_out_of_the_quick_plan_unless_tied_to_a_quick_one() -> None:
    signals = [signal("a", 0), signal("s", 1, pace=SLOW), signal("b", 90), replace(signal("t", 91, pace=SLOW), scale_from=None)]
    quick = plan_reads(sketch(*signals), slow=False)
    assert [[each.name for each in block.signals] for block in quick] == [["a"], ["b"]]
    tied = replace(sketch(*signals), together=(("b", "t"),))
    assert [[each.name for each in block.signals] for block in plan_reads(tied, slow=False)] == [["a"], ["b", "t"]]
    assert sum(len(block.signals) for block in plan_reads(tied, slow=True)) == 4


def test_a_value_and_its_scale_come_in_one_request() -> None:
    scaled = replace(signal("b", 19), scale_from="s")
    plan = plan_reads(sketch(signal("s", 0), signal("a", 12), scaled, signal("c", 30), block=20, gap=20), slow=True)
    assert [[each.name for each in block.signals] for block in plan] == [["s", "b", "a"], ["c"]]
    assert spans(plan)[0] == ("holding", 0, 19)


def test_ties_join_and_signals_of_opc_ua_have_no_part() -> None:
    signals = (signal("a", 0), signal("b", 5), signal("c", 9), Signal(name="o", key="o", role=None, place=OpcuaPlace(), type=None))
    parts = tied_parts(replace(sketch(*signals), together=(("a", "b"), ("b", "c"), ("c", "nobody"))))
    assert [(part.span.first, part.span.last, len(part.signals)) for part in parts] == [(0, 9, 3)]


def test_nothing_to_read_needs_no_request() -> None:
    assert plan_reads(sketch(), slow=True) == ()
    assert plan_reads(sketch(signal("a", 0, pace=SLOW)), slow=False) == ()


def test_a_signal_of_opc_ua_has_no_addresses() -> None:
    with pytest.raises(ValueError, match="o has no Modbus address"):
        span_of(Signal(name="o", key="o", role=None, place=OpcuaPlace(), type=None))


def test_a_part_that_no_request_can_read_is_refused() -> None:
    with pytest.raises(ValueError, match="no request can read a"):
        plan_reads(sketch(signal("a", 0, 4), block=3), slow=True)
    with pytest.raises(ValueError, match="across a forbidden range"):
        plan_reads(sketch(signal("a", 0, 4), forbidden=(Span(Table.HOLDING, 2, 2),)), slow=True)


SPACE = 11


@st.composite
def small_maps(draw: st.DrawFn) -> RegisterMap:
    block = draw(st.integers(2, 9))
    forbidden = draw(st.sets(st.integers(0, SPACE - 1), max_size=2))
    drawn = draw(st.lists(st.tuples(st.integers(0, SPACE - 1), st.integers(1, min(3, block))), min_size=1, max_size=6))
    places = [(first, count) for first, count in drawn if first + count <= SPACE and not forbidden & set(range(first, first + count))]
    signals = tuple(signal(f"s{index}", first, count) for index, (first, count) in enumerate(places))
    barriers = tuple(Span(Table.HOLDING, each, each) for each in sorted(forbidden))
    register_map = sketch(*signals, block=block, gap=draw(st.integers(0, 4)), forbidden=barriers)
    if len(signals) >= 2 and draw(st.booleans()):
        pair = draw(st.lists(st.sampled_from(sorted(each.name for each in signals)), min_size=2, max_size=3, unique=True))
        spans_of = [each.place.span for each in signals if each.name in pair and isinstance(each.place, ModbusPlace)]
        low, high = min(span.first for span in spans_of), max(span.last for span in spans_of)
        if high - low < block and not forbidden & set(range(low, high + 1)):
            register_map = replace(register_map, together=(tuple(pair),))
    return register_map


def exhaustive(register_map: RegisterMap) -> tuple[int, int]:
    """Return the fewest requests and of those the fewest words, over every set of readable stretches that carries every part."""
    parts = [(part.span.first, part.span.last) for part in tied_parts(register_map)]
    wanted = {address for first, last in parts for address in range(first, last + 1)}
    forbidden = {span.first for span in register_map.forbidden}
    requests = []
    for first in range(SPACE):
        for last in range(first, min(SPACE, first + register_map.largest_block)):
            inside = set(range(first, last + 1))
            runs = "".join("." if address in wanted else " " for address in range(first, last + 1)).split(".")
            if not inside & forbidden and max(len(run) for run in runs) <= register_map.largest_gap:
                carried = sum(1 << index for index, (low, high) in enumerate(parts) if first <= low and high <= last)
                if carried:
                    requests.append((carried, last - first + 1))

    @functools.cache
    def best(left: int) -> tuple[int, int]:
        if left == 0:
            return 0, 0
        options = [(best(left & ~carried), words) for carried, words in requests if carried & left]
        return min((count + 1, total + words) for (count, total), words in options)

    return best((1 << len(parts)) - 1)


@settings(max_examples=400, deadline=None)
@given(small_maps())
def test_no_plan_has_fewer_requests_or_with_as_many_fewer_words(register_map: RegisterMap) -> None:
    plan = plan_reads(register_map, slow=True)
    if not register_map.signals:
        assert plan == ()
        return
    assert (len(plan), sum(block.span.count for block in plan)) == exhaustive(register_map)
    # And the plan itself keeps the rules.
    assert sorted(each.name for block in plan for each in block.signals) == sorted(each.name for each in register_map.signals)
    for block in plan:
        assert block.span.count <= register_map.largest_block
        assert not any(block.span.first <= span.first <= block.span.last for span in register_map.forbidden)
        for each in block.signals:
            assert isinstance(each.place, ModbusPlace)
            assert block.span.first <= each.place.span.first and each.place.span.last <= block.span.last
    for group in register_map.together:
        assert any(set(group) <= {each.name for each in block.signals} for block in plan)
