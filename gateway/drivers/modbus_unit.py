"""One starter behind a Modbus link, and what one poll of it brings."""

from __future__ import annotations

from collections.abc import Sequence

from gateway.drivers.backoff import UnitState
from gateway.drivers.base import Attached, Fault, FaultKind, Poll
from gateway.drivers.plans import Plans
from gateway.instants import Instant
from gateway.motors.reading import Flaw, Reading, Scalar
from gateway.motors.records import Pace
from gateway.registers.plan import Block
from gateway.registers.raw_block import RawBlock

_TIMED_BY = ("current", "current_l1", "current_l2", "current_l3", "starting", "running")
"""The reading takes the moment of the reply that held the first of these: the curve of a start hangs on the current's time."""


class Unit:
    """One starter behind the link: its plans, what is known of its answers, and the values last seen of the signals it is watched by."""

    def __init__(self, attached: Attached, *, unlike: bool) -> None:
        self.attached = attached
        self.state = UnitState()
        self.last_fault = Fault(kind=FaultKind.NO_ANSWER, text="not asked yet")
        self.plans = Plans(attached.map, unlike=unlike)
        self.watched: dict[str, Scalar] = {}
        self._timing: dict[Pace, tuple[Sequence[Block], Block | None]] = {}

    def timing_block(self, pace: Pace) -> Block | None:
        """Return the block whose reply gives the reading its time, the last when none holds a current or a start bit."""
        blocks = self.plans.blocks(pace)
        known = self._timing.get(pace)
        if known is None or known[0] is not blocks:
            known = self._timing[pace] = blocks, _timing_block(blocks)
        return known[1]


def _timing_block(blocks: Sequence[Block]) -> Block | None:
    for key in _TIMED_BY:
        for block in blocks:
            if any(signal.key == key for signal in block.signals):
                return block
    return blocks[-1] if blocks else None


class Taken:
    """What the requests of one poll brought."""

    __slots__ = ("arrived", "faults", "flaws", "is_over", "raw", "requests", "round_trip_s", "values")

    def __init__(self) -> None:
        self.values: dict[str, Scalar] = {}
        self.flaws: dict[str, Flaw] = {}
        self.faults: list[Fault] = []
        self.arrived: dict[Block, Instant] = {}
        self.raw: list[RawBlock] = []
        self.requests, self.round_trip_s = 0, 0.0
        self.is_over = False
        """Nothing more can be asked: the link is broken or the unit behind the bridge is silent."""

    def poll(self, timed_by: Block | None, now: Instant, *, is_unchanged: bool = False) -> Poll:
        """Return the poll that these make."""
        known = None if timed_by is None else self.arrived.get(timed_by)
        at = known or max(self.arrived.values(), default=now)
        reading = Reading(at, self.values, self.flaws) if self.flaws else Reading(at, self.values)
        return Poll(
            readings=(reading,),
            faults=tuple(self.faults),
            requests=self.requests,
            round_trip_s=self.round_trip_s,
            is_unchanged=is_unchanged,
            raw=tuple(self.raw),
        )
