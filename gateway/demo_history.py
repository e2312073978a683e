"""A week of history without sockets: simulated starters stepped through time, their registers decoded, folded and stored like live ones."""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterator, Mapping

from gateway.demo_keeper import Keep
from gateway.drivers.base import Fault, FaultKind
from gateway.drivers.flawed import nothing_read
from gateway.instants import SECOND, Instant
from gateway.motors.reading import Flaw, Reading, Scalar, TimeSource
from gateway.registers.decode import decode_block, decode_scalar
from gateway.registers.model import Protocol
from gateway.registers.plan import plan_reads
from gateway.site import Site, StarterSite
from simulators.plant import SimulatedStarter
from simulators.words import raw_number

HISTORY_INTERVAL_S = 25.0
"""Between readings while nothing happens."""
CLOSE_INTERVAL_S = 0.1
"""Between readings of a start."""
TAIL_S = 5.0
"""Readings stay close so long after a start, so that the current at speed is seen."""
PORTION = 200


class RegisterReader:
    """Reads a simulated starter as the driver would, by the block plan of its map, without a wire."""

    def __init__(self, site: StarterSite, simulated: SimulatedStarter) -> None:
        self._map = site.map
        self._simulated = simulated
        self._blocks = plan_reads(site.map, slow=True) if site.map.protocol is Protocol.MODBUS else ()

    def reading(self, at: Instant) -> Reading:
        """Return what the starter shows now as a reading at an instant."""
        if not self._simulated.answers:
            fault = Fault(kind=FaultKind.NO_ANSWER, text="no answer; check power, cable and address")
            return nothing_read(self._map.signals, at, fault).readings[0]
        values, flaws = self._decoded()
        source = TimeSource.RECEIVED if self._map.protocol is Protocol.MODBUS else TimeSource.SOURCE
        return Reading(at, values, flaws, source)

    def _decoded(self) -> tuple[dict[str, Scalar], dict[str, Flaw]]:
        values: dict[str, Scalar] = {}
        flaws: dict[str, Flaw] = {}
        for block in self._blocks:
            words = self._simulated.read(block.span.table, block.span.first, block.span.count)
            if words is not None:
                block_values, block_flaws = decode_block(block, words)
                values.update(block_values)
                flaws.update(block_flaws)
        if self._map.protocol is Protocol.OPCUA:
            shown = self._simulated.values()
            for signal in self._map.signals:
                held = shown.get(signal.key)
                raw = held if isinstance(held, bool) or held is None else raw_number(signal, held)
                value, flaw = decode_scalar(signal, raw)
                if value is not None:
                    values[signal.key] = value
                if flaw is not None:
                    flaws[signal.key] = flaw
        return values, flaws


def write_history(
    keep: Keep,
    site: Site,
    starters: Mapping[str, SimulatedStarter],
    begin_at: Instant,
    span_s: tuple[float, float],
    advance: Callable[[float], None],
) -> None:
    """Step every starter through a span of seconds after the begin and hand its readings to `keep`, in the order of time.

    advance is told how many seconds of how many starters were done.
    """
    streams = {each.starter.name: _readings(each, starters[each.starter.name], begin_at, span_s) for each in site.starters}
    # The store appends, so readings of all starters must come about in the order of time: the one that is furthest behind is next.
    behind = [(begin_at + round(span_s[0] * SECOND), name) for name in streams]
    heapq.heapify(behind)
    while behind:
        before, name = heapq.heappop(behind)
        portion = _portion(streams[name])
        if not portion:
            continue
        keep(name, portion)
        advance((portion[-1].at - before) / SECOND)
        heapq.heappush(behind, (portion[-1].at, name))


def _portion(readings: Iterator[Reading]) -> list[Reading]:
    portion = []
    for reading in readings:
        portion.append(reading)
        if len(portion) == PORTION:
            break
    return portion


def _readings(site: StarterSite, simulated: SimulatedStarter, begin_at: Instant, span_s: tuple[float, float]) -> Iterator[Reading]:
    reader = RegisterReader(site, simulated)
    at_s, until_s = span_s
    close_until_s = at_s
    while at_s <= until_s:
        simulated.advance_to(at_s)
        yield reader.reading(begin_at + round(at_s * SECOND))
        if simulated.is_busy:
            close_until_s = at_s + TAIL_S
        if at_s < close_until_s:
            at_s += CLOSE_INTERVAL_S
            continue
        at_s = _next_look(at_s, simulated.next_event_at())


def _next_look(at_s: float, coming_s: float | None) -> float:
    """Return when to read next while nothing happens: just before and just after what comes, as a fast poll would see it."""
    steady_s = at_s + HISTORY_INTERVAL_S
    if coming_s is None or coming_s >= steady_s:
        return steady_s
    before_s, after_s = coming_s - 0.5 * CLOSE_INTERVAL_S, coming_s + 0.5 * CLOSE_INTERVAL_S
    return before_s if before_s > at_s + 1e-6 else after_s
