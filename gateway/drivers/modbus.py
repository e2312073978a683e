"""The Modbus link: one connection to one address, the starters behind it as units, each polled by its block plan.

Read only. A request is indivisible: it ends with the right reply, with a fault, or with the connection closed. After a fault that makes
the next reply doubtful (silence, a foreign or broken reply) the connection is closed, and the poller opens a new one. A unit that misses
several turns in a row is left alone for a while (`backoff`), so that one dead unit does not stop the healthy ones behind the same bridge.

In RTU framing, and from a device that answers with transaction id 0, replies carry no number. There a connection that is made anew first
lets late replies run out (`drain`), and the plan gives requests unlike lengths, so that a reply in the wrong place does not fit; where
two in a row are of one length all the same, the second is asked twice.
"""

from __future__ import annotations

import asyncio
import logging
import random
from collections.abc import Callable, Sequence

from cryptography import x509

from gateway.clock import Clock
from gateway.drivers.alike import LastAsked
from gateway.drivers.backoff import UnitState, probe_delay_s
from gateway.drivers.base import Attached, Fault, FaultKind, Poll
from gateway.drivers.certificates import CertificateError, expires_at, expiry_note, read_certificate
from gateway.drivers.flawed import flaws_for, nothing_read
from gateway.drivers.modbus_connection import Answer, ModbusConnection, Refusal
from gateway.drivers.modbus_unit import Taken, Unit
from gateway.drivers.request_rate import RequestRate
from gateway.drivers.sockets import closing_notes
from gateway.drivers.tls import client_context
from gateway.drivers.torn import MOST_READINGS, may_tear, torn_signals
from gateway.instants import Instant
from gateway.motors.records import Pace
from gateway.registers.decode import decode_block
from gateway.registers.plan import Block
from gateway.registers.raw_block import RawBlock
from gateway.site import Framing, TlsFiles

_log = logging.getLogger(__name__)

_ILLEGAL_ADDRESS = 2
_TARGET_SILENT = frozenset({10, 11})
"""Exceptions by which a bridge says that the unit behind it is silent; the connection to the bridge itself is sound."""


class ModbusLink:
    """One connection to a Modbus device or bridge, owned by one worker (see `base.Link`).

    jitter: draws 0 to 1 for the spread of back-off delays.
    tls: files for an encrypted connection (Modbus/TCP Security), None for a plain one.
    """

    def __init__(
        self,
        host: str,
        port: int,
        attached: Sequence[Attached],
        clock: Clock,
        jitter: Callable[[], float] = random.random,
        *,
        framing: Framing = Framing.TCP,
        tls: TlsFiles | None = None,
    ) -> None:
        self.address = f"modbus {host}:{port}"
        self._host, self._port, self._clock, self._jitter = host, port, clock, jitter
        self._framing, self._tls = framing, tls
        self._is_unnumbered = framing is Framing.RTU or any(each.map.answers_id_zero for each in attached)
        self._units = {each.starter: Unit(each, unlike=self._is_unnumbered) for each in attached}
        # Behind a bridge all units share one serial line, so the widest gap and the lowest rate asked for hold for all of them.
        self._min_gap_s = max((each.map.min_gap_s for each in attached), default=0.0)
        self._rate = RequestRate(min((each.map.requests_per_s for each in attached if each.map.requests_per_s), default=None))
        self._is_paced = self._min_gap_s > 0 or self._rate.is_limited
        self._connect_timeout_s = max((each.map.timeout_s for each in attached), default=1.0)
        self._connection: ModbusConnection | None = None
        self._next_id = 1
        self._quiet_until_s = 0.0
        self._learned: list[str] = []
        self._expiries: list[tuple[str, Instant]] = []
        self._setting_fault: Fault | None = None
        self._reopened = 0
        self._last_asked = LastAsked()

    @property
    def notes(self) -> tuple[str, ...]:
        """What people should know though it is no fault now: gaps that the device refused, certificates that expire soon."""
        if not self._learned and not self._expiries and not self._reopened:
            return ()
        now = self._clock.now()
        expiring = tuple(note for whose, at in self._expiries if (note := expiry_note(whose, at, now)))
        return closing_notes(self._reopened) + tuple(self._learned) + expiring

    @property
    def is_open(self) -> bool:
        """True while the connection is usable."""
        return self._connection is not None and self._connection.is_open

    async def open(self) -> Fault | None:
        """Connect once; return why it failed, None when it is open."""
        if self.is_open:
            return None
        was_broken = self._connection is not None and self._connection.fault is not None
        if self._connection is not None:
            self._next_id = self._connection.next_id
        await self.close()
        context = None if self._tls is None else client_context(self._tls)
        self._setting_fault = context if isinstance(context, Fault) else None
        if isinstance(context, Fault):
            self._connection = None
            return context
        connection = ModbusConnection(
            self._host,
            self._port,
            self._clock,
            max(1, self._next_id),
            framing=self._framing,
            tls=context,
            tls_name="" if self._tls is None else self._tls.name,
        )
        self._connection = connection
        await self._clock.sleep(self._rate.wait_s(self._clock.monotonic()))
        self._rate.note(self._clock.monotonic())
        fault = await connection.open(self._connect_timeout_s)
        if fault is not None:
            _log.info("%s: %s", self.address, fault.text)
        else:
            self._note_certificates(connection)
            if was_broken and self._is_unnumbered:
                await connection.drain(self._connect_timeout_s)
        return fault

    def _note_certificates(self, connection: ModbusConnection) -> None:
        self._expiries = []
        shown = connection.peer_certificate
        if shown is not None:
            self._expiries.append(("the device's certificate", expires_at(x509.load_der_x509_certificate(shown))))
        if self._tls is not None and self._tls.certificate is not None:
            try:
                self._expiries.append(("the gateway's certificate", expires_at(read_certificate(self._tls.certificate))))
            except CertificateError as error:
                _log.warning("%s: %s", self.address, error)

    async def close(self) -> None:
        """Close; safe to call twice, never raises."""
        if self._connection is not None:
            self._connection.close()
            # The loop frees the socket on its next turn.
            await asyncio.sleep(0)

    async def poll(self, starter: str, pace: Pace) -> Poll:
        """Read one starter.

        The time of the reading is the moment the reply with the current arrived (see `modbus_unit`), by the gateway's clock. A block that
        the device refuses leaves its own signals bad and the others stand; a fault that breaks the link ends the poll, the rest is bad.

        `Pace.WATCH` reads the signals marked so, and when one of them is not as the last poll saw it, the others at once as well.
        """
        unit, taken = self._units[starter], Taken()
        skipped = self._closed_fault() if not self.is_open else self._resting_fault(unit)
        if skipped is not None:
            return nothing_read(unit.plans.signals(pace), self._clock.now(), skipped)
        timed_by = unit.timing_block(pace)
        await self._read(unit, unit.plans.blocks(pace), taken)
        is_unchanged = unit.plans.is_watched and self._is_unchanged(unit, pace, taken)
        if pace is Pace.WATCH and not is_unchanged and not taken.is_over:
            taken.arrived.clear()
            timed_by = unit.timing_block(Pace.STANDBY)
            await self._read(unit, unit.plans.blocks(Pace.STANDBY), taken)
        return taken.poll(timed_by, self._clock.now(), is_unchanged=is_unchanged)

    @staticmethod
    def _is_unchanged(unit: Unit, pace: Pace, taken: Taken) -> bool:
        """Remember what the watched signals show; return whether that is all that was asked and is as it was."""
        keys = [signal.key for signal in unit.plans.signals(Pace.WATCH)]
        seen = {key: taken.values[key] for key in keys if key in taken.values}
        is_unchanged = pace is Pace.WATCH and not taken.flaws and seen == unit.watched
        unit.watched = seen
        return is_unchanged

    async def _read(self, unit: Unit, blocks: Sequence[Block], taken: Taken) -> None:
        for place, block in enumerate(blocks):
            if taken.is_over:
                unread = [signal for block in blocks[place:] for signal in block.signals]
                taken.flaws.update(flaws_for(unread, f"not read: {taken.faults[-1].text}"))
                return
            result = await self._ask_or_again(unit, block, taken)
            if not isinstance(result, Answer) and result.code == _ILLEGAL_ADDRESS and unit.plans.pieces(block):
                await self._read_pieces(unit, block, taken)
            elif isinstance(result, Answer) and may_tear(block):
                await self._read_untorn(unit, block, result, taken)
            else:
                self._take(block, result, taken)

    async def _read_untorn(self, unit: Unit, block: Block, first: Answer, taken: Taken) -> None:
        """Read on until the high words were the same three times in a row, and take the middle reading.

        In whatever order the device reads its own registers, the low word of the middle reading then lies between two equal high words
        (high-low-high), so that it belongs to them.
        """
        answers = [first]
        for _ in range(MOST_READINGS - 1):
            result = await self._ask_timed(unit, block, taken)
            if not isinstance(result, Answer):
                self._take(block, result, taken)
                return
            answers = [*answers[-2:], result]
            torn = torn_signals(block, [answer.words for answer in answers])
            if len(answers) == 3 and not torn:
                self._take(block, answers[1], taken)
                return
        self._take(block, answers[1], taken)
        taken.flaws.update(flaws_for(torn, f"its high registers did not stand still in {MOST_READINGS} readings in a row"))
        for signal in torn:
            taken.values.pop(signal.key, None)

    async def _read_pieces(self, unit: Unit, block: Block, taken: Taken) -> None:
        """Ask around the gaps of a refused block, and remember it when that is what the device wants."""
        answered = False
        for piece in unit.plans.pieces(block):
            if taken.is_over:
                taken.flaws.update(flaws_for(piece.signals, f"not read: {taken.faults[-1].text}"))
                continue
            result = await self._ask_timed(unit, piece, taken)
            answered = answered or isinstance(result, Answer)
            self._take(piece, result, taken)
        if answered:
            text = f"unit {unit.attached.unit}: {unit.plans.refuse_gaps(block)}"
            self._learned.append(text)
            _log.warning("%s %s", self.address, text)
            taken.faults.append(Fault(kind=FaultKind.EXCEPTION, text=text))
        elif not taken.is_over:
            unit.plans.keep_whole(block)

    def _take(self, block: Block, result: Answer | Refusal, taken: Taken) -> None:
        if isinstance(result, Answer):
            taken.arrived[block] = result.arrived_at
            taken.raw.append(RawBlock(block, result.arrived_at, result.data))
            values, flaws = decode_block(block, result.words)
            # Nearly always this is the only block.
            taken.values = values if not taken.values else taken.values | values
            if flaws:
                taken.flaws.update(flaws)
            return
        taken.faults.append(result.fault)
        taken.raw.append(RawBlock(block, self._clock.now(), b"", result.fault.text, result.code))
        taken.flaws.update(flaws_for(block.signals, result.fault.text))
        taken.is_over = result.fault.breaks_link or result.code in _TARGET_SILENT

    async def _ask_timed(self, unit: Unit, block: Block, taken: Taken) -> Answer | Refusal:
        if self._is_unnumbered and self._last_asked.is_like(unit.attached.unit, block.span):
            # The reply to the request before would pass for one to this, so the first is thrown away: a second can only be the first again.
            first = await self._ask_once(unit, block, taken)
            if not isinstance(first, Answer):
                return first
        return await self._ask_once(unit, block, taken)

    async def _ask_once(self, unit: Unit, block: Block, taken: Taken) -> Answer | Refusal:
        if self._is_paced:
            await self._wait_for_turn()
        connection, register_map = self._connection, unit.attached.map
        taken.requests += 1
        if connection is None:
            return Refusal(self._closed_fault())
        began_s = self._clock.monotonic()
        self._rate.note(began_s)
        try:
            result = await connection.ask(
                block.span, unit.attached.unit, timeout_s=register_map.timeout_s, id_zero=register_map.answers_id_zero
            )
        finally:
            ended_s = self._clock.monotonic()
            self._quiet_until_s = ended_s + self._min_gap_s
        taken.round_trip_s += ended_s - began_s
        self._note(unit, result)
        return result

    async def _ask_or_again(self, unit: Unit, block: Block, taken: Taken) -> Answer | Refusal:
        """Ask, and once more on a new connection when the device closed this one in the middle of a poll: some do so after every reply."""
        # To read again is safe: the numbers of requests go on, and where there are none `open` lets late replies run out first.
        result = await (self._ask_timed(unit, block, taken) if self._is_unnumbered else self._ask_once(unit, block, taken))
        is_cut = not isinstance(result, Answer) and result.fault.kind is FaultKind.CLOSED and bool(taken.values)
        if not is_cut or await self.open() is not None:
            return result
        self._reopened += 1
        return await self._ask_timed(unit, block, taken)

    async def _wait_for_turn(self) -> None:
        """Keep the device's distance between requests and its most requests a second."""
        now_s = self._clock.monotonic()
        wait_s = max(self._quiet_until_s - now_s if self._min_gap_s > 0 else 0.0, self._rate.wait_s(now_s))
        if wait_s > 0:
            await self._clock.sleep(wait_s)

    def _note(self, unit: Unit, result: Answer | Refusal) -> None:
        """Keep count of the unit's missed turns; any reply of its own, also a refusal, says that it lives."""
        if isinstance(result, Answer) or not (result.fault.breaks_link or result.code in _TARGET_SILENT):
            if unit.state.misses:
                self._revive(unit)
            return
        unit.last_fault = result.fault
        misses = unit.state.misses + 1
        unit.state = UnitState(misses)
        dead = sum(each.state.is_dead for each in self._units.values())
        # Without numbers the drain costs as much again as the silence itself.
        costs_s = unit.attached.map.timeout_s * (2 if self._is_unnumbered else 1)
        delay_s = probe_delay_s(misses, self._jitter(), dead=max(1, dead), healthy=len(self._units) - dead, timeout_s=costs_s)
        unit.state = UnitState(misses, self._clock.monotonic() + delay_s)
        if misses == 1:
            _log.info("%s unit %d: %s", self.address, unit.attached.unit, result.fault.text)

    def _revive(self, unit: Unit) -> None:
        """Note that a unit answers again. Where none did, it was not the units that were dead: each of them is asked at its next turn."""
        if all(each.state.is_dead for each in self._units.values()):
            for each in self._units.values():
                each.state = UnitState(each.state.misses)
        unit.state = UnitState()

    def _resting_fault(self, unit: Unit) -> Fault | None:
        if not unit.state.misses:
            return None
        wait_s = unit.state.waits_s(self._clock.monotonic())
        first = self._first_to_ask()
        if wait_s <= 0 and first in (None, unit):
            return None
        last = unit.last_fault
        when = f"in {wait_s:.0f} s" if wait_s > 0 or first is None else f"after unit {first.attached.unit}"
        text = f"unit {unit.attached.unit} missed {unit.state.misses} turns in a row and is asked again {when}; last: {last.text}"
        return Fault(kind=last.kind, text=text)

    def _first_to_ask(self) -> Unit | None:
        """Return the unit whose probe is due longest while none answers, None while one does.

        Each silent unit costs the connection and the wait before the next: in any other order those that never answer could keep the
        link from those that would again.
        """
        units = self._units.values()
        return min(units, key=lambda each: each.state.due_s) if all(each.state.is_dead for each in units) else None

    def _closed_fault(self) -> Fault:
        known = self._connection.fault if self._connection is not None else self._setting_fault
        return known or Fault(kind=FaultKind.CLOSED, text="the link is not open", breaks_link=True)
