"""The bench at a strange device over a real socket, on a clock that only its own waiting moves: a minute of watching takes a second."""

from __future__ import annotations

import asyncio
from pathlib import Path

from gateway.bench.device import look_closer, read_map, scan, spans_to_watch, watch_start, words_of_exchanges
from gateway.bench.find import Words
from gateway.bench.propose import Proposals, propose
from gateway.bench.timeline import moment_of, timeline_of
from gateway.bench.verify import VerifyLine, doubtful_spans, verified_lines, whole_map_note
from gateway.bench.wire import BenchWire
from gateway.registers.load import load_map
from gateway.registers.model import RegisterMap, Signal, Span, Table
from tests.bench.bare_server import BareServer, bare
from tests.bench.strangers import FUNCTION, Line, Mistake, Stranger

SAME_WITHIN = 0.05


class WaitingClock:
    """Time passes where somebody waits, and nowhere else."""

    def __init__(self, at_s: float = 0.0) -> None:
        self.at_s = at_s

    def now(self) -> int:
        return round(self.at_s * 1e6)

    def monotonic(self) -> float:
        return self.at_s

    async def sleep(self, duration_s: float) -> None:
        self.at_s += max(0.0, duration_s)
        await asyncio.sleep(0)


def served(device: Stranger, clock: WaitingClock) -> BareServer:
    """Return a server that shows the device as it is at the clock's moment."""
    images: dict[int, dict[tuple[str, int], int]] = {}

    def answer(unit: int, function: int, first: int, count: int) -> list[int] | int:
        if clock.now() not in images:
            images.clear()
            images[clock.now()] = device.image(clock.at_s)
        return device.answer(images[clock.now()], function, first, count)

    return BareServer(answer)


def wrong_map(device: Stranger, mistake: Mistake, folder: Path) -> RegisterMap:
    """Return the map as the program loads it; InputError where the loader itself names the mistake."""
    path = folder / "stranger.yaml"
    path.write_text(mistake.map_text(device), encoding="utf-8")
    return load_map(path)


async def verified(device: Stranger, register_map: RegisterMap, at_s: float) -> tuple[dict[str, VerifyLine], str]:
    """Return the line of each signal, and the note about the whole map."""
    clock = WaitingClock(at_s)
    async with bare(served(device, clock)) as server:
        wire = BenchWire("127.0.0.1", server.port, 1, clock, rate=1e6)
        await read_map(wire, register_map)
        await look_closer(wire, register_map, doubtful_spans(register_map, moment_of(wire.exchanges)))
        await wire.close()
    line = moment_of(wire.exchanges)
    return {each.signal: each for each in verified_lines(register_map, line)}, whole_map_note(register_map, line)


async def proposed(device: Stranger, register_map: RegisterMap) -> Proposals:
    """Return what a watched start says about a map."""
    clock = WaitingClock()
    async with bare(served(device, clock)) as server:
        wire = BenchWire("127.0.0.1", server.port, 1, clock, rate=20)
        await read_map(wire, register_map)
        spans = await spans_to_watch(wire, register_map, widely=True)
        await watch_start(wire, register_map, spans, clock, duration_s=60.0, tell=lambda text: None)
        await read_map(wire, register_map)
        await wire.close()
    return propose(register_map, timeline_of(wire.exchanges))


async def scanned(device: Stranger, at_s: float) -> Words:
    """Return every word that the device gives where it has values."""
    clock = WaitingClock(at_s)
    spans = [
        Span(Table(table), min(line.first for line in lines), max(line.first + line.count - 1 for line in lines))
        for table in FUNCTION
        if (lines := [line for line in device.lines if line.table == table])
    ]
    async with bare(served(device, clock)) as server:
        wire = BenchWire("127.0.0.1", server.port, 1, clock, rate=1e6)
        await scan(wire, spans, 50)
        await wire.close()
    return words_of_exchanges(wire.exchanges)


def meant(device: Stranger, line: Line, at_s: float) -> float | None:
    """Return what a line reads out of the device, None when it has no such address or the words are no number of ours."""
    cells, words = device.image(at_s), []
    for place in range(line.count):
        found = device.answer(cells, FUNCTION[line.table], line.first + place, 1)
        if isinstance(found, int):
            return None
        words += found
    return line.value(words)


def alike(one: float | None, other: float | None) -> bool:
    """True for values that nobody could tell apart on a display."""
    if one is None or other is None or one != one or other != other:
        return one is other
    return abs(one - other) <= SAME_WITHIN * max(abs(one), abs(other)) + 1e-9


def reads_right(device: Stranger, true: Line, signal: Signal) -> bool:
    """True when a corrected signal reads through the whole record what the true line does."""
    span = getattr(signal.place, "span", None)
    assert isinstance(span, Span) and signal.type is not None
    if true.bit is not None:
        return (span.table.value, span.first, signal.bit) == (true.table, true.first, true.bit)
    words, octets = signal.word_order.value == "low_first", signal.byte_order.value == "low_first"
    read = Line(true.name, span.table.value, span.first, signal.type.value, signal.scale, words, octets)
    return all(alike(meant(device, true, at_s), meant(device, read, at_s)) for at_s in (2.0, 5.6, 8.0, 30.0, 60.0))


def expected_entries(true: Line, wrong: Line) -> list[str]:
    """Return what a right hint may tell to write, one of the entries that differ."""
    found = [f"at: {true.table} 0x{true.first:04X}"] if (true.table, true.first) != (wrong.table, wrong.first) else []
    found += [f"word_order: {_order(true.low_words)}"] if true.low_words != wrong.low_words else []
    found += [f"byte_order: {_order(true.low_bytes)}"] if true.low_bytes != wrong.low_bytes else []
    found += [f"scale: {true.scale:.12g}"] if true.scale != wrong.scale else []
    # A positive number of 32 bits is signed and unsigned alike.
    found += ["type: int32", "type: uint32"] if true.type != wrong.type and "32" in true.type else []
    return found + ([f"type: {true.type}"] if true.type != wrong.type else [])


def _order(is_low: bool) -> str:
    return "low_first" if is_low else "high_first"
