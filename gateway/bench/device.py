"""What the bench does at a Modbus device, request by request: read a map, look closer, watch a start, scan, probe."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt

from gateway.bench.company import CURRENTS, Company
from gateway.bench.exchange import Exchange
from gateway.bench.judge import Readings, company_of
from gateway.bench.requests import around, blocks_of, halves, in_other_table, moved, pieces, uncovered
from gateway.bench.series import Series, SeriesReader
from gateway.bench.start_checks import is_started
from gateway.bench.timeline import Timeline, timeline_of
from gateway.bench.wire import BenchWire
from gateway.clock import Clock
from gateway.registers.model import ModbusPlace, RegisterMap, Span, Table
from gateway.registers.plan import Block

_LOOK_EVERY_S = 1.0
_SAY_EVERY_S = 10.0
_AFTER_SPEED_S = 5.0
_AFTER_STOP_S = 2.0
_LONGEST_START_S = 120.0
_STEADY_S, _STEADY_WITHIN = 10.0, 0.1

_OF_THE_ADDRESS = (1, 2, 3)
"""Exceptions that come again however often one asks (Application Protocol V1.1b3, 7)."""

MANY = 3
"""Doubtful signals that make a mistake of the whole map likely."""
MOST_MOVED = 24
"""Signals of a map, or of a block in the other table, that are asked for one by one at most."""

Tell = Callable[[str], None]


async def read_map(wire: BenchWire, register_map: RegisterMap) -> None:
    """Read everything a map names; a request that the device refuses is tried signal by signal, so that each gets its own answer."""
    for block in blocks_of(register_map):
        exchange = await _ask_once_more(wire, block.span)
        if exchange.words is None and exchange.code is not None and len(block.signals) > 1:
            for span in _signal_spans(block, exchange.span):
                await _ask_once_more(wire, span)


async def _ask_once_more(wire: BenchWire, span: Span) -> Exchange:
    """Ask, and again where the end says nothing about the address: a busy device or a stray reply would pass for a wrong map."""
    exchange = await wire.ask(span)
    return exchange if exchange.words is not None or exchange.code in _OF_THE_ADDRESS else await wire.ask(span)


def _signal_spans(block: Block, without: Span) -> list[Span]:
    spans = sorted({signal.place.span for signal in block.signals if isinstance(signal.place, ModbusPlace)})
    return [span for span in spans if span != without]


async def look_closer(wire: BenchWire, register_map: RegisterMap, doubtful: Sequence[Span]) -> None:
    """Read the neighbours of doubtful addresses, and the same addresses in the other table.

    Several doubtful signals may have one mistake in common: then all of the map is looked at.
    """
    blocks = [block.span for block in blocks_of(register_map)] if len(doubtful) >= MANY else _blocks_with(register_map, doubtful)
    for ways in around(blocks, register_map):
        for way in uncovered(ways, _answered(wire)):
            exchange = await wire.ask(way)
            if exchange.words is not None and way.count > 1:
                break
    await _ask_moved(wire, register_map, [span for span in doubtful if uncovered([span], _answered(wire))])
    wide = [ways[0] for ways in around(blocks, register_map) if ways]
    for other in uncovered(in_other_table(wide, register_map), _answered(wire)):
        exchange = await wire.ask(other)
        if exchange.code == 2 and other.count > 1:
            await _read_what_is_there(wire, in_other_table(_near(doubtful, other), register_map))


async def _ask_moved(wire: BenchWire, register_map: RegisterMap, unread: Sequence[Span]) -> None:
    """Ask for what was not there one address lower and one higher, as long as it is: many devices give a long value only whole."""
    for by in (-1, 1):
        for span in moved(unread[:MOST_MOVED], by, register_map):
            asked = [each.span for each in wire.exchanges if each.span == span]
            await wire.ask_all(uncovered([span], [*_answered(wire), *asked]))


async def _read_what_is_there(wire: BenchWire, spans: Sequence[Span]) -> None:
    for span in uncovered(spans, _answered(wire)):
        await wire.ask(span)


def _near(doubtful: Sequence[Span], other: Span) -> list[Span]:
    same_width = (span for span in doubtful if span.table.holds_bits == other.table.holds_bits)
    return [span for span in same_width if other.first <= span.first <= other.last][:MOST_MOVED]


def _answered(wire: BenchWire) -> list[Span]:
    return [each.span for each in wire.exchanges if each.words is not None]


def _blocks_with(register_map: RegisterMap, spans: Sequence[Span]) -> list[Span]:
    wanted = set(spans)
    return [
        block.span
        for block in blocks_of(register_map)
        if any(isinstance(signal.place, ModbusPlace) and signal.place.span in wanted for signal in block.signals)
    ]


async def spans_to_watch(wire: BenchWire, register_map: RegisterMap, *, widely: bool) -> list[Span]:
    """Return the requests of one sweep, each tried once: what a fast poll reads, and `widely` also neighbours and the other table."""
    spans: list[Span] = []
    for block in blocks_of(register_map, slow=False):
        for candidate in _ways(block, register_map, widely=widely):
            if not uncovered([candidate], spans):
                continue
            exchange = await wire.ask(candidate)
            if exchange.words is not None:
                spans.append(candidate)
    return spans


def _ways(block: Block, register_map: RegisterMap, *, widely: bool) -> list[Span]:
    """Return the requests that may read a block, each of use only where those before it brought no words."""
    own = _signal_spans(block, block.span)
    if not widely:
        return [block.span, *own]
    ways = around([block.span], register_map)[0]
    wide = [way for way in ways if way.count > 2]
    edges = [way for way in ways if way.count <= 2]
    shifted = [*moved([block.span, *own], -1, register_map), *moved([block.span, *own], 1, register_map)]
    others = in_other_table([*wide, block.span, *own], register_map)
    return [*wide, block.span, *own, *edges, *shifted, *others]


async def watch_start(
    wire: BenchWire, register_map: RegisterMap, spans: Sequence[Span], clock: Clock, *, duration_s: float, tell: Tell
) -> None:
    """Sweep over the requests until a start has been seen to its end, or the time is up."""
    began_s = clock.monotonic()
    look_at_s, say_at_s, began_text = began_s, began_s, False
    while clock.monotonic() - began_s < duration_s:
        await wire.ask_all(spans)
        now_s = clock.monotonic()
        if now_s < look_at_s:
            continue
        look_at_s = now_s + _LOOK_EVERY_S
        timeline = timeline_of(wire.exchanges)
        company = seen(register_map, timeline)
        started_s = is_started(company)
        if started_s is not None and not began_text:
            began_text = True
            tell("a start has begun")
        if started_s is not None and _is_over(company, timeline, started_s):
            tell("the start is over")
            return
        if now_s >= say_at_s and started_s is None:
            say_at_s = now_s + _SAY_EVERY_S
            tell(f"waiting for a start: {now_s - began_s:.0f} of {duration_s:g} s")
    tell(f"the time of {duration_s:g} s is up")


def seen(register_map: RegisterMap, timeline: Timeline) -> Company:
    """Return the series of a map's signals as written."""
    signals = [signal for signal in register_map.signals if isinstance(signal.place, ModbusPlace)]
    return company_of(signals, Readings(SeriesReader(timeline), signals).of)


def _is_over(company: Company, timeline: Timeline, started_s: float) -> bool:
    now_s = float(timeline.at_s[-1])
    if now_s - started_s > _LONGEST_START_S:
        return True
    fed, at_speed = company.is_fed, company.series("at_speed")
    if fed is not None and _lasts(fed < 0.5, timeline, started_s, _AFTER_STOP_S):
        return True
    if at_speed is not None and _lasts(at_speed.values > 0.5, timeline, started_s, _AFTER_SPEED_S):
        return True
    return now_s - started_s > _STEADY_S and any(_has_settled(company.series(key), now_s) for key in CURRENTS)


def _has_settled(series: Series | None, now_s: float) -> bool:
    """True when a current has come down from its peak and stays: the start is over, whatever the status bits of a wrong map say."""
    if series is None or series.span[1] <= 0:
        return False
    late = series.values[(series.at_s > now_s - _STEADY_S) & ~np.isnan(series.values)]
    if not late.size:
        return False
    low, high = float(late.min()), float(late.max())
    return 0 < low and high < 0.6 * series.span[1] and high - low < _STEADY_WITHIN * high


def _lasts(holds: npt.NDArray[np.bool_], timeline: Timeline, started_s: float, duration_s: float) -> bool:
    """True when a condition has held without a break for so long, since after the start began."""
    since: float | None = None
    for at_s, mark in zip(timeline.at_s.tolist(), holds.tolist(), strict=True):
        since = (at_s if since is None else since) if mark and at_s > started_s else None
    return since is not None and float(timeline.at_s[-1]) - since >= duration_s


async def scan(wire: BenchWire, spans: Sequence[Span], largest: int, tell: Tell = lambda text: None) -> None:
    """Read spans in pieces of at most `largest`; a piece of which the device has not every address is halved down to single ones."""
    waiting = [piece for span in spans for piece in pieces(span, largest)]
    total = sum(span.count for span in waiting)
    done, said = 0, 0
    while waiting:
        span = waiting.pop(0)
        exchange = await wire.ask(span)
        if exchange.words is None and exchange.code in (2, 3) and span.count > 1:
            waiting[:0] = halves(span)
            continue
        done += span.count
        if done - said >= max(50, total // 5) and done < total:
            said = done
            tell(f"{done} of {total} addresses")


def words_of_exchanges(exchanges: Sequence[Exchange]) -> dict[tuple[Table, int], int]:
    """Return the last word of every address that was read."""
    words: dict[tuple[Table, int], int] = {}
    for each in exchanges:
        for place, word in enumerate(each.words or ()):
            words[each.span.table, each.span.first + place] = word
    return words


def missing_of_exchanges(exchanges: Sequence[Exchange]) -> dict[tuple[Table, int], str]:
    """Return why an address that was asked for alone did not come."""
    words = words_of_exchanges(exchanges)
    return {
        (each.span.table, each.span.first): each.fault
        for each in exchanges
        if each.words is None and each.span.count == 1 and (each.span.table, each.span.first) not in words
    }
