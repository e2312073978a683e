"""Words that polls of an invented starter brought, made without a socket, by a map that has the power's words the wrong way round and the
current one address too low."""

from __future__ import annotations

from array import array
from functools import cache

from gateway.bench.corrections import Correction
from gateway.drivers.base import Fault, FaultKind, Poll
from gateway.instants import SECOND, Instant
from gateway.motors.reading import Reading
from gateway.motors.records import Pace
from gateway.registers.model import RegisterMap
from gateway.registers.plan import Block, plan_reads
from gateway.registers.raw_block import RawBlock
from gateway.services.kept_words import KeptWords, RawView
from simulators.plant import SimulatedStarter
from tests.bench.rig import changed, device, shipped

MAP = "ramp-pro-metered"
MISTAKES = {"power": Correction(turn_words=True), "current": Correction(shift=-1)}
STEP_S = 0.4
START_S = 4.0
FAST_UNTIL_S = 14.0
OVER_S = 46.0


def wrong_map() -> RegisterMap:
    """Return the map of the invented starter with a word order and an address that are wrong."""
    return changed(shipped(MAP), MISTAKES)


def answered(starter: SimulatedStarter, block: Block, at: Instant) -> RawBlock:
    """Return what a device answers to a request now; a refusal where it has not every address."""
    span = block.span
    words = starter.read(span.table, span.first, span.count)
    if words is None:
        return RawBlock(block, at, b"", "exception 2, illegal data address: the device has not every register", 2)
    if span.table.holds_bits:
        return RawBlock(block, at, sum(bit << place for place, bit in enumerate(words)).to_bytes((span.count + 7) // 8, "little"))
    data = array("H", words)
    data.byteswap()
    return RawBlock(block, at, data.tobytes())


def polled(kept: KeptWords, starter: SimulatedStarter, blocks: tuple[Block, ...], at: Instant, pace: Pace) -> None:
    """Give one poll of a device to the keeper."""
    kept.take(Poll(readings=(Reading(at, {}),), raw=tuple(answered(starter, block, at) for block in blocks)), pace)


@cache
def kept_start(ends_at: Instant) -> RawView:
    """Return what is kept after a start of the invented starter, as the polls of the wrong map read it; the last poll at `ends_at`."""
    starter, wrong, kept = device(shipped(MAP)), wrong_map(), KeptWords()
    fast, slow = plan_reads(wrong, slow=False), plan_reads(wrong, slow=True)
    began = ends_at - round(OVER_S * SECOND)
    fault = Fault(kind=FaultKind.NO_ANSWER, text="no answer from the device within 1 s; check its cable and power")
    kept.take(Poll(readings=(Reading(began - SECOND, {}),), faults=(fault,)), Pace.STANDBY)
    for step in range(round(OVER_S / STEP_S) + 1):
        now_s = step * STEP_S
        starter.advance_to(now_s)
        pace = Pace.STARTING if START_S <= now_s < FAST_UNTIL_S else Pace.RUNNING if now_s >= FAST_UNTIL_S else Pace.STANDBY
        polled(kept, starter, slow if step % 25 == 0 else fast, began + round(now_s * SECOND), pace)
    return kept.view()
