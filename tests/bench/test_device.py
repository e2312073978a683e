"""Reading a map once: what is asked again and what is not."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from gateway.bench.device import read_map
from gateway.bench.exchange import Exchange
from gateway.bench.requests import blocks_of
from gateway.bench.timeline import moment_of
from gateway.registers.model import Span
from tests.bench.rig import shipped

RAMP = shipped("ramp-pro-metered")


class Wire:
    """Answers as told: `end` gives the fault and the code of the nth request for a span, None for words."""

    def __init__(self, end: Callable[[int], tuple[str, int | None] | None]) -> None:
        self.exchanges: list[Exchange] = []
        self._end = end

    async def ask(self, span: Span) -> Exchange:
        before = sum(each.span == span for each in self.exchanges)
        end = self._end(before)
        bare = {"at": len(self.exchanges), "unit": 1, "span": span}
        if end is None:
            exchange = Exchange(**bare, words=(7,) * span.count)
        else:
            exchange = Exchange(**bare, fault=end[0], fault_kind=end[0], code=end[1])
        self.exchanges.append(exchange)
        return exchange


@pytest.mark.parametrize("end", [("exception", 6), ("exception", 5), ("foreign id", None), ("no answer", None)])
async def test_what_says_nothing_of_the_address_is_asked_once_more_and_the_words_count(end: tuple[str, int | None]) -> None:
    wire = Wire(lambda before: end if before == 0 else None)
    await read_map(wire, RAMP)
    blocks = blocks_of(RAMP)
    assert len(wire.exchanges) == 2 * len(blocks)
    assert all(moment_of(wire.exchanges).last_words(block.span) is not None for block in blocks)


async def test_an_address_that_is_not_there_is_asked_once() -> None:
    wire = Wire(lambda before: ("exception", 2))
    await read_map(wire, RAMP)
    spans = [each.span for each in wire.exchanges]
    assert len(spans) == len(set(spans))


async def test_a_device_that_stays_busy_is_asked_twice_and_no_more() -> None:
    wire = Wire(lambda before: ("exception", 6))
    await read_map(wire, RAMP)
    spans = [each.span for each in wire.exchanges]
    assert all(spans.count(span) == 2 for span in spans)
