"""What is kept of the words that polls bring: the newest, the last minutes, the last start, in bounded memory."""

from __future__ import annotations

import gc
import tracemalloc
from typing import Any

import pytest

from gateway.drivers.base import Fault, FaultKind, Poll
from gateway.drivers.opcua_values import NodeValue
from gateway.instants import MINUTE, SECOND, Instant
from gateway.motors.reading import Reading
from gateway.motors.records import Pace
from gateway.registers.model import Span, Table
from gateway.registers.plan import Block
from gateway.registers.raw_block import RawBlock, size_of
from gateway.services.kept_words import MOST_FAULTS, MOST_LAYOUTS, RING, KeptWords, share_bytes
from gateway.services.live_bench import exchanges_now, exchanges_of_minutes, exchanges_of_start, spans_read, words_now

T0: Instant = 1_780_000_000_000_000
FAST = Block(Span(Table.HOLDING, 0, 3), ())
SLOW = Block(Span(Table.HOLDING, 10, 11), ())
COILS = Block(Span(Table.COIL, 20, 29), ())


def answer(block: Block, at: Instant, first: int = 0) -> RawBlock:
    if block.span.table.holds_bits:
        return RawBlock(block, at, b"\xff" * size_of(block))
    return RawBlock(block, at, b"".join((first + place).to_bytes(2, "big") for place in range(block.span.count)))


def poll(*raw: RawBlock, at: Instant = T0, **more: Any) -> Poll:
    return Poll(readings=(Reading(at, {}),), raw=raw, **more)


def test_the_newest_word_of_every_address_is_kept_whichever_request_brought_it() -> None:
    kept = KeptWords()
    wide = Block(Span(Table.HOLDING, 0, 5), ())
    kept.take(poll(answer(FAST, T0, 100), answer(COILS, T0)), Pace.STANDBY)
    kept.take(poll(answer(wide, T0 + 1, 200), at=T0 + 1), Pace.STANDBY)
    kept.take(poll(answer(FAST, T0 + 2, 300), at=T0 + 2), Pace.STANDBY)
    words = words_now(kept.view())
    assert [words[Table.HOLDING, address] for address in range(6)] == [300, 301, 302, 303, 204, 205]
    assert words[Table.COIL, 29] == 1
    assert (Table.COIL, 30) not in words
    assert spans_read(kept.view()) == [Span(Table.COIL, 20, 29), Span(Table.HOLDING, 0, 5)]
    assert [each.span for each in exchanges_of_minutes(kept.view(), 7)] == [FAST.span, COILS.span, wide.span, FAST.span]


def test_a_refused_request_leaves_no_old_words_behind() -> None:
    kept = KeptWords()
    kept.take(poll(answer(FAST, T0, 1), answer(SLOW, T0, 9)), Pace.STANDBY)
    kept.take(poll(RawBlock(FAST, T0 + 5, b"", "exception 2", 2), at=T0 + 5), Pace.STANDBY)
    view = kept.view()
    assert set(words_now(view)) == {(Table.HOLDING, 10), (Table.HOLDING, 11)}
    last = exchanges_now(view, 1)[-1]
    assert (last.words, last.fault, last.code, last.fault_kind) == (None, "exception 2", 2, "exception")


def test_the_ring_forgets_by_age_and_by_bytes() -> None:
    kept = KeptWords(most_bytes=20_000)
    for step in range(3000):
        at = T0 + step * SECOND // 10
        kept.take(poll(answer(FAST, at), at=at), Pace.RUNNING)
    sweeps = kept.view().sweeps
    assert 100 < len(sweeps) <= 20_000 // (8 + 100)
    assert sweeps[-1][0] == T0 + 2999 * SECOND // 10
    roomy = KeptWords()
    for step in range(600):
        roomy.take(poll(answer(FAST, T0 + step * SECOND), at=T0 + step * SECOND), Pace.RUNNING)
    assert roomy.view().sweeps[0][0] == T0 + 599 * SECOND - RING


def test_what_it_says_of_its_bytes_is_what_it_needs() -> None:
    block = Block(Span(Table.HOLDING, 0, 59), ())
    tracemalloc.start()
    try:
        gc.collect()
        before = tracemalloc.get_traced_memory()[0]
        kept = KeptWords(most_bytes=400_000)
        for step in range(4000):
            at = T0 + step * SECOND // 100
            kept.take(poll(answer(block, at, step), at=at), Pace.RUNNING)
        gc.collect()
        needed = tracemalloc.get_traced_memory()[0] - before
    finally:
        tracemalloc.stop()
    assert 200_000 < needed < 440_000


def test_a_start_is_set_aside_with_the_time_before_and_after_it() -> None:
    kept = KeptWords()
    kept.take(poll(answer(SLOW, T0 - MINUTE, 50), at=T0 - MINUTE), Pace.STANDBY)
    paces = [*[Pace.STANDBY] * 20, *[Pace.STARTING] * 60, *[Pace.RUNNING] * 60]
    for step, pace in enumerate(paces):
        at = T0 + step * SECOND
        kept.take(poll(answer(FAST, at, step), at=at), pace)
        assert kept.view().is_recording is (20 <= step < 110)
    view = kept.view()
    assert view.start_at == T0 + 20 * SECOND
    assert (view.start[0][0], view.start[-1][0]) == (T0 + 10 * SECOND, T0 + 110 * SECOND)
    exchanges = exchanges_of_start(view, 1)
    assert exchanges[0].span == SLOW.span
    assert exchanges[0].words == (50, 51)
    assert [each.words[0] for each in exchanges[1:] if each.words] == list(range(10, 111))
    # It outlives the ring, and a second start takes its place only when it is over.
    for step in range(140, 600):
        at = T0 + step * SECOND
        kept.take(poll(answer(FAST, at, step), at=at), Pace.STARTING if step > 590 else Pace.RUNNING)
    assert kept.view().start == view.start
    assert exchanges_of_start(KeptWords().view(), 1) == []


def test_a_clock_set_back_mixes_no_times() -> None:
    kept = KeptWords()
    for at in (T0, T0 + SECOND, T0 - 3600 * SECOND, T0 - 3599 * SECOND):
        kept.take(poll(answer(FAST, at), at=at), Pace.STANDBY)
    assert [sweep[0] for sweep in kept.view().sweeps] == [T0 - 3600 * SECOND, T0 - 3599 * SECOND]


def test_requests_that_are_others_in_every_poll_do_not_fill_the_memory() -> None:
    kept = KeptWords()
    for step in range(5 * MOST_LAYOUTS):
        kept.take(poll(answer(Block(Span(Table.HOLDING, step, step), ()), T0 + step), at=T0 + step), Pace.STANDBY)
    view = kept.view()
    assert len(view.layouts) <= MOST_LAYOUTS
    assert len(view.latest) <= MOST_LAYOUTS + 1
    assert exchanges_of_minutes(view, 1)[-1].span.first == 5 * MOST_LAYOUTS - 1


def test_the_same_fault_again_is_one_line_with_a_count() -> None:
    kept = KeptWords()
    silent = Fault(kind=FaultKind.NO_ANSWER, text="unit 1 does not answer")
    for step in range(3):
        kept.take(poll(at=T0 + step, faults=(silent,)), Pace.STANDBY)
    (noted,) = kept.view().faults
    assert (noted.kind, noted.count, noted.first_at, noted.at) == ("no_answer", 3, T0, T0 + 2)
    for step in range(100):
        other = Fault(kind=FaultKind.CRC if step % 2 else FaultKind.CLOSED, text=str(step))
        kept.take(poll(at=T0 + step, faults=(other,)), Pace.STANDBY)
    assert len(kept.view().faults) == MOST_FAULTS
    assert kept.view().at is None


@pytest.mark.parametrize("raw", ["x" * 10**6, b"x" * 10**6, list(range(10**5)), {"a": "b" * 10**6}])
def test_a_server_cannot_fill_the_memory_with_one_value(raw: object) -> None:
    kept = KeptWords()
    huge = NodeValue(raw, 0, "Good", None, None, T0, "String")
    small = NodeValue(1.5, 0, "Good", T0, T0, T0, "Double")
    for step in range(2000):
        kept.take(poll(at=T0 + step * SECOND, nodes={"huge": huge, "small": small}), Pace.STANDBY)
    view = kept.view()
    assert view.nodes is not None
    assert len(str(view.nodes["huge"].raw)) < 2000
    assert view.nodes["small"] is small
    assert len(view.node_sweeps) <= RING // SECOND + 1
    assert view.at == T0 + 1999 * SECOND


def test_all_starters_of_a_site_together_have_a_limit() -> None:
    assert 300 * 2 * share_bytes(300) <= 128 * 2**20
    assert share_bytes(0) == share_bytes(1) == 2**20
