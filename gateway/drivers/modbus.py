"""The Modbus TCP link: one connection to one address, the starters behind it as units, each polled by its block plan.

Read only. A request is indivisible: it ends with the right reply, with a fault, or with the connection closed. After a fault that makes
the next reply doubtful (silence, a foreign or broken reply) the connection is closed, and the poller opens a new one. A unit that misses
several turns in a row is left alone for a while (`backoff`), so that one dead unit does not stop the healthy ones behind the same bridge.
"""

from __future__ import annotations

import asyncio
import logging
import random
from collections.abc import Callable, Sequence

from gateway.clock import Clock
from gateway.drivers.backoff import UnitState, probe_delay_s
from gateway.drivers.base import Attached, Fault, FaultKind, Poll
from gateway.drivers.flawed import flaws_for, nothing_read
from gateway.drivers.modbus_connection import Answer, ModbusConnection, Refusal
from gateway.instants import Instant
from gateway.motors.reading import Flaw, Reading, Scalar
from gateway.motors.records import Pace
from gateway.registers.decode import decode_block
from gateway.registers.model import Signal
from gateway.registers.plan import Block, plan_reads

_log = logging.getLogger(__name__)

_TIMED_BY = ("current", "current_l1", "current_l2", "current_l3", "starting", "running")
"""The reading takes the moment of the reply that held the first of these: the curve of a start hangs on the current's time."""

_TARGET_SILENT = frozenset({10, 11})
"""Exceptions by which a bridge says that the unit behind it is silent; the connection to the bridge itself is sound."""


class _Unit:
    """One starter behind the link: its plans, made once, and what is known of its answers."""

    def __init__(self, attached: Attached) -> None:
        self.attached = attached
        self.state = UnitState()
        self.last_fault = Fault(kind=FaultKind.NO_ANSWER, text="not asked yet")
        self.blocks: dict[bool, tuple[Block, ...]] = {slow: plan_reads(attached.map, slow=slow) for slow in (False, True)}
        self.timed_by = {slow: _timing_block(blocks) for slow, blocks in self.blocks.items()}

    def signals(self, slow: bool) -> list[Signal]:
        return [signal for block in self.blocks[slow] for signal in block.signals]


def _timing_block(blocks: Sequence[Block]) -> int:
    """Return the place of the block whose reply gives the reading its time, the last when none holds a current or a start bit."""
    for key in _TIMED_BY:
        for place, block in enumerate(blocks):
            if any(signal.key == key for signal in block.signals):
                return place
    return len(blocks) - 1


class ModbusLink:
    """One connection to a Modbus TCP device or bridge, owned by one worker (see `base.Link`).

    jitter: draws 0 to 1 for the spread of back-off delays.
    """

    def __init__(
        self, host: str, port: int, attached: Sequence[Attached], clock: Clock, jitter: Callable[[], float] = random.random
    ) -> None:
        self.address = f"modbus {host}:{port}"
        self._host, self._port, self._clock, self._jitter = host, port, clock, jitter
        self._units = {each.starter: _Unit(each) for each in attached}
        # Behind a bridge all units share one serial line, so the widest gap asked for holds between any two requests.
        self._min_gap_s = max((each.map.min_gap_s for each in attached), default=0.0)
        self._connect_timeout_s = max((each.map.timeout_s for each in attached), default=1.0)
        self._connection: ModbusConnection | None = None
        self._next_id = 1
        self._quiet_until_s = 0.0

    @property
    def is_open(self) -> bool:
        """True while the connection is usable."""
        return self._connection is not None and self._connection.is_open

    async def open(self) -> Fault | None:
        """Connect once; return why it failed, None when it is open."""
        if self.is_open:
            return None
        await self.close()
        connection = ModbusConnection(self._host, self._port, self._clock, self._next_id)
        self._connection = connection
        fault = await connection.open(self._connect_timeout_s)
        if fault is not None:
            _log.info("%s: %s", self.address, fault.text)
        return fault

    async def close(self) -> None:
        """Close; safe to call twice, never raises."""
        if self._connection is not None:
            self._connection.close()
            # The loop frees the socket on its next turn.
            await asyncio.sleep(0)

    async def poll(self, starter: str, pace: Pace) -> Poll:
        """Read one starter.

        The time of the reading is the moment the reply with the current arrived (see `_TIMED_BY`), by the gateway's clock. A block that the
        device refuses leaves its own signals bad and the others stand; a fault that breaks the link ends the poll and leaves the rest bad.
        """
        unit, slow = self._units[starter], pace is Pace.SLOW
        skipped = self._closed_fault() if not self.is_open else self._resting_fault(unit)
        if skipped is not None:
            return nothing_read(unit.signals(slow), self._clock.now(), skipped)
        return await self._read_blocks(unit, slow)

    async def _read_blocks(self, unit: _Unit, slow: bool) -> Poll:
        values: dict[str, Scalar] = {}
        flaws: dict[str, Flaw] = {}
        faults: list[Fault] = []
        arrived: dict[int, Instant] = {}
        blocks, requests, round_trip_s = unit.blocks[slow], 0, 0.0
        for place, block in enumerate(blocks):
            await self._wait_for_gap()
            began_s = self._clock.monotonic()
            result = await self._ask(unit, block)
            requests += 1
            round_trip_s += self._clock.monotonic() - began_s
            if isinstance(result, Answer):
                arrived[place] = result.arrived_at
                block_values, block_flaws = decode_block(block, result.words)
                values.update(block_values)
                flaws.update(block_flaws)
                continue
            faults.append(result.fault)
            flaws.update(flaws_for(block.signals, result.fault.text))
            if result.fault.breaks_link or result.code in _TARGET_SILENT:
                for unread in blocks[place + 1 :]:
                    flaws.update(flaws_for(unread.signals, f"not read: {result.fault.text}"))
                break
        at = arrived.get(unit.timed_by[slow]) or max(arrived.values(), default=0) or self._clock.now()
        reading = Reading(at, values, flaws) if flaws else Reading(at, values)
        return Poll(readings=(reading,), faults=tuple(faults), requests=requests, round_trip_s=round_trip_s)

    async def _ask(self, unit: _Unit, block: Block) -> Answer | Refusal:
        connection, register_map = self._connection, unit.attached.map
        if connection is None:
            return Refusal(self._closed_fault())
        try:
            result = await connection.ask(
                block.span, unit.attached.unit, timeout_s=register_map.timeout_s, id_zero=register_map.answers_id_zero
            )
        finally:
            self._next_id = connection.next_id
            self._quiet_until_s = self._clock.monotonic() + self._min_gap_s
        self._note(unit, result)
        return result

    async def _wait_for_gap(self) -> None:
        if self._min_gap_s > 0:
            wait_s = self._quiet_until_s - self._clock.monotonic()
            if wait_s > 0:
                await self._clock.sleep(wait_s)

    def _note(self, unit: _Unit, result: Answer | Refusal) -> None:
        """Keep count of the unit's missed turns; any reply of its own, also a refusal, says that it lives."""
        if isinstance(result, Answer) or not (result.fault.breaks_link or result.code in _TARGET_SILENT):
            if unit.state.misses:
                unit.state = UnitState()
            return
        unit.last_fault = result.fault
        misses = unit.state.misses + 1
        unit.state = UnitState(misses)
        dead = sum(each.state.is_dead for each in self._units.values())
        delay_s = probe_delay_s(
            misses, self._jitter(), dead=max(1, dead), healthy=len(self._units) - dead, timeout_s=unit.attached.map.timeout_s
        )
        unit.state = UnitState(misses, self._clock.monotonic() + delay_s)
        if misses == 1:
            _log.info("%s unit %d: %s", self.address, unit.attached.unit, result.fault.text)

    def _resting_fault(self, unit: _Unit) -> Fault | None:
        wait_s = unit.state.waits_s(self._clock.monotonic())
        if wait_s <= 0:
            return None
        last = unit.last_fault
        text = (
            f"unit {unit.attached.unit} missed {unit.state.misses} turns in a row and is asked again in {wait_s:.0f} s; last: {last.text}"
        )
        return Fault(kind=last.kind, text=text)

    def _closed_fault(self) -> Fault:
        known = self._connection.fault if self._connection is not None else None
        return known or Fault(kind=FaultKind.CLOSED, text="the link is not open", breaks_link=True)
