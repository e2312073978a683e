"""Requests cut at refused gaps and made of unlike lengths: for any map, no signal is lost and nothing forbidden is touched."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from gateway.registers.model import ModbusPlace, Protocol, RegisterMap, Signal, SignalPace, Span, Table, WordType
from gateway.registers.plan import Block, plan_reads, plan_watch, span_of
from gateway.registers.replan import gaps_of, pieces_of, unlike_lengths


def signal(name: str, first: int, last: int, pace: SignalPace = SignalPace.NORMAL) -> Signal:
    place = ModbusPlace(span=Span(Table.HOLDING, first, last), written="")
    return Signal(name=name, key=name, role=None, place=place, type=WordType.UINT16, pace=pace)


@st.composite
def maps(draw: st.DrawFn) -> RegisterMap:
    signals, next_free = [], draw(st.integers(0, 3))
    for number in range(draw(st.integers(1, 8))):
        width = draw(st.sampled_from([1, 1, 2, 4]))
        pace = draw(st.sampled_from(list(SignalPace)))
        signals.append(signal(f"s{number}", next_free, next_free + width - 1, pace))
        next_free += width + draw(st.integers(0, 12))
    barriers = []
    if len(signals) > 1 and draw(st.booleans()):
        left, right = span_of(signals[0]), span_of(signals[1])
        if right.first - left.last > 1:
            barriers.append(Span(Table.HOLDING, left.last + 1, left.last + 1))
    return RegisterMap(
        name="m",
        protocol=Protocol.MODBUS,
        signals=tuple(signals),
        largest_block=draw(st.integers(4, 40)),
        largest_gap=draw(st.integers(0, 10)),
        forbidden=tuple(barriers),
    )


def addresses(spans: list[Span]) -> set[int]:
    return {address for span in spans for address in range(span.first, span.last + 1)}


def names(blocks: tuple[Block, ...]) -> list[str]:
    return sorted(each.name for block in blocks for each in block.signals)


@given(maps())
def test_gaps_are_what_no_signal_asks_for(register_map: RegisterMap) -> None:
    asked = addresses([span_of(each) for each in register_map.signals])
    for block in plan_reads(register_map, slow=True):
        assert addresses(list(gaps_of(block, register_map))) == addresses([block.span]) - asked
        pieces = pieces_of(block, register_map)
        assert names(pieces) == names((block,))
        assert addresses([piece.span for piece in pieces]) <= asked


@given(maps())
def test_a_plan_around_refused_gaps_touches_none_and_loses_no_signal(register_map: RegisterMap) -> None:
    before = plan_reads(register_map, slow=True)
    refused = [gap for block in before for gap in gaps_of(block, register_map)]
    after = plan_reads(register_map, slow=True, refused=refused)
    assert names(after) == names(before)
    assert not addresses([block.span for block in after]) & addresses(refused)
    normal = plan_reads(register_map, slow=False, refused=refused)
    assert names(normal) == sorted(each.name for each in register_map.signals if each.pace is not SignalPace.SLOW)


@given(maps())
def test_a_look_reads_the_watched_signals_alone(register_map: RegisterMap) -> None:
    assert names(plan_watch(register_map)) == sorted(each.name for each in register_map.signals if each.pace is SignalPace.WATCH)


@given(maps())
def test_unlike_lengths_keep_signals_block_size_and_forbidden_ranges(register_map: RegisterMap) -> None:
    plans = [plan_reads(register_map, slow=False), plan_reads(register_map, slow=True)]
    unlike = unlike_lengths(plans, register_map)
    barred = addresses(list(register_map.forbidden))
    for before, after in zip(plans, unlike, strict=True):
        assert names(after) == names(before)
        for old, new in zip(before, after, strict=True):
            assert new.span.first <= old.span.first
            assert new.span.last >= old.span.last
            assert new.span.count <= max(old.span.count, register_map.largest_block)
            assert new.span.count - old.span.count <= register_map.largest_gap
            assert not addresses([new.span]) & barred


def test_requests_far_apart_get_unlike_lengths_and_the_same_request_keeps_its_own() -> None:
    spread = tuple(signal(f"s{place}", 100 * place, 100 * place, SignalPace.SLOW if place > 2 else SignalPace.NORMAL) for place in range(6))
    sketch = RegisterMap(name="m", protocol=Protocol.MODBUS, signals=spread)
    normal, slow = unlike_lengths([plan_reads(sketch, slow=False), plan_reads(sketch, slow=True)], sketch)
    assert [block.span.count for block in normal] == [1, 2, 3]
    assert [block.span for block in slow[:3]] == [block.span for block in normal]
    assert sorted(block.span.count for block in slow) == [1, 2, 3, 4, 5, 6]


def test_where_nothing_may_be_read_over_lengths_stay_alike() -> None:
    sketch = RegisterMap(name="m", protocol=Protocol.MODBUS, signals=(signal("a", 0, 0), signal("b", 50, 50)), largest_gap=0)
    (plan,) = unlike_lengths([plan_reads(sketch, slow=True)], sketch)
    assert [block.span.count for block in plan] == [1, 1]


def test_at_the_ends_of_the_address_space_a_request_grows_the_other_way() -> None:
    sketch = RegisterMap(name="m", protocol=Protocol.MODBUS, signals=(signal("a", 0, 0), signal("b", 65535, 65535)))
    (plan,) = unlike_lengths([plan_reads(sketch, slow=True)], sketch)
    assert [(block.span.first, block.span.last) for block in plan] == [(0, 0), (65534, 65535)]
