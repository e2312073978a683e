"""A scenario in real time: every starter moves with the clock and is served on its sockets.

A starter moves when it is asked, and besides that every half second, so that it needs no reader to live. The same starters may first have
been stepped through simulated days without any socket (`SimulatedStarter.advance_to`), and go on here where they are.
"""

from __future__ import annotations

import asyncio
import contextlib
from array import array
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from gateway.clock import Clock, RealClock
from gateway.instants import SECOND, Instant
from gateway.registers.model import Protocol, Table
from simulators import request_log
from simulators.commands import CommandDesk
from simulators.fault_desk import FaultDesk
from simulators.faults import FaultSwitch
from simulators.modbus import ModbusServer
from simulators.opcua import Device, OpcuaServer
from simulators.plant import SimulatedStarter
from simulators.scenario import AddressPlan, Placed, Scenario
from simulators.scenario_events import PlannedFault
from simulators.truth import write_truth
from simulators.words import Value

_BEAT_S = 0.5
_BEAT_TURN = 20
_OPCUA_UPDATE_S = 0.1


def build_starters(scenario: Scenario) -> dict[str, SimulatedStarter]:
    """Return every starter of a scenario at its begin, by name."""
    return {placed.make.name: SimulatedStarter(placed.make) for placed in scenario.starters}


class LiveUnit:
    """A starter as the Modbus server sees it: asking whether it answers moves it to now."""

    def __init__(self, starter: SimulatedStarter, now_s: Callable[[], float], desk: CommandDesk | None = None) -> None:
        self._starter = starter
        self._now_s = now_s
        self._desk = desk
        self.largest_block = starter.map.largest_block
        self.largest_bit_block = starter.map.largest_bit_block

    @property
    def answers(self) -> bool:
        """Move the starter to now and tell whether it can be reached."""
        self._starter.advance_to(self._now_s())
        return self._starter.answers

    def read(self, table: Table, first: int, count: int) -> array[int] | None:
        """Return words as they were when `answers` was asked; where commands are written and nothing else stands, what was written."""
        words = self._starter.read(table, first, count)
        if words is not None and self._desk is not None:
            for (own_table, address), word in self._desk.kept.items():
                if own_table is table and first <= address < first + count:
                    words[address - first] = word
        return words


class LiveSource:
    """A starter as the OPC UA server sees it. `begin_s`: the scenario's begin, seconds since 1970."""

    def __init__(self, starter: SimulatedStarter, now_s: Callable[[], float], begin_s: float) -> None:
        self._starter = starter
        self._now_s = now_s
        self._begin_s = begin_s

    @property
    def answers(self) -> bool:
        """False while the device cannot be reached."""
        return self._starter.answers

    def sample(self) -> tuple[Mapping[str, Value], float]:
        """Move the starter to now and return its values with the time of their measurement."""
        self._starter.advance_to(self._now_s())
        return self._starter.values(), self._begin_s + self._starter.now_s


@dataclass(slots=True)
class _Waiting:
    fault: PlannedFault
    unit: int
    desk: FaultDesk
    armed: bool = False


class LivePlant:
    """Serves a scenario.

    begin_at: the instant at which the scenario began. starters: as from `build_starters`, already moved on or not. commands: what can be
    written to a starter on Modbus, by name; nothing where there is none. writable: the same on OPC UA, what is done with a value by key.
    """

    def __init__(
        self,
        scenario: Scenario,
        starters: Mapping[str, SimulatedStarter],
        *,
        begin_at: Instant,
        clock: Clock | None = None,
        commands: Mapping[str, CommandDesk] | None = None,
        writable: Mapping[str, Callable[[bool], None]] | None = None,
    ) -> None:
        self._commands = dict(commands or {})
        self._writable = dict(writable or {})
        self.scenario = scenario
        self.starters = dict(starters)
        self.begin_at = begin_at
        self._clock: Clock = clock if clock is not None else RealClock()
        self._anchor_s = 0.0
        self._anchor_monotonic_s = 0.0
        self._beat: asyncio.Task[None] | None = None
        self._waiting: list[_Waiting] = []
        self.modbus: dict[str, ModbusServer] = {}
        """Modbus servers by address name."""
        self.opcua: dict[str, OpcuaServer] = {}
        """OPC UA servers by address name."""
        self.desks: dict[str, FaultDesk] = {}
        """Where the faults of each address are begun and ended, by address name."""
        for plan in scenario.addresses:
            placed = [each for each in scenario.starters if each.address == plan.name]
            if plan.protocol is Protocol.MODBUS:
                switch = FaultSwitch(seed=self.scenario.seed)
                modbus = self.modbus[plan.name] = self._modbus_server(plan, placed, switch)
                desk = FaultDesk(modbus, switch)
            else:
                desk = FaultDesk(self._opcua_server(plan, placed))
            self.desks[plan.name] = desk
            self._waiting += [_Waiting(fault, each.unit, desk) for each in placed for fault in each.faults]

    @property
    def _servers(self) -> tuple[ModbusServer | OpcuaServer, ...]:
        return (*self.modbus.values(), *self.opcua.values())

    def now_s(self) -> float:
        """Return the scenario's time [s]."""
        return self._anchor_s + self._clock.monotonic() - self._anchor_monotonic_s

    async def start(self) -> None:
        """Catch up with the clock and serve. Raises ServeError when an address is taken; nothing is left serving then."""
        request_log.begin_if_wanted()
        self._anchor_s = max((self._clock.now() - self.begin_at) / SECOND, 0.0)
        self._anchor_monotonic_s = self._clock.monotonic()
        for starter in self.starters.values():
            starter.advance_to(self._anchor_s)
            await asyncio.sleep(0)
        try:
            for server in self._servers:
                await server.start()
        except BaseException:
            await self.stop()
            raise
        self._beat = asyncio.create_task(self._live(), name="simulated plant")

    async def stop(self) -> None:
        """End every server and the plant's own task. Safe to call twice."""
        beat, self._beat = self._beat, None
        if beat is not None:
            beat.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await beat
        for server in self._servers:
            await server.stop()

    async def __aenter__(self) -> LivePlant:
        await self.start()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.stop()

    def write_truth(self, path: Path) -> int:
        """Write what really happened to every starter, in the order of time, as JSON lines; return how many records."""
        records = [record for starter in self.starters.values() for record in (*starter.truth, *starter.events)]
        return write_truth(path, sorted(records, key=lambda record: (record.began_s, record.starter)))

    @property
    def trap_hits(self) -> int:
        """Requests that would have written: 0 in every run of the gateway."""
        return sum(server.traffic.trap_hits for server in self.modbus.values()) + sum(server.trap_hits for server in self.opcua.values())

    def _modbus_server(self, plan: AddressPlan, placed: list[Placed], switch: FaultSwitch) -> ModbusServer:
        desks = {each.unit: self._commands[each.make.name] for each in placed if each.make.name in self._commands}
        return ModbusServer(
            {each.unit: LiveUnit(self.starters[each.make.name], self.now_s, desks.get(each.unit)) for each in placed},
            host=plan.host,
            port=plan.port,
            turnaround_s=plan.turnaround_s,
            connection_limit=plan.connection_limit,
            silent_unknown=plan.silent_unknown,
            faults=switch,
            framing=plan.framing,
            desks=desks,
        )

    def _opcua_server(self, plan: AddressPlan, placed: list[Placed]) -> OpcuaServer:
        devices = []
        for each in placed:
            source = LiveSource(self.starters[each.make.name], self.now_s, self.begin_at / SECOND)
            devices.append(Device(map=each.make.map, source=source))
        server = OpcuaServer(devices, host=plan.host, port=plan.port, update_s=_OPCUA_UPDATE_S, writable=self._writable)
        self.opcua[plan.name] = server
        return server

    async def _live(self) -> None:
        while True:
            for count, starter in enumerate(self.starters.values()):
                starter.advance_to(self.now_s())
                if count % _BEAT_TURN == _BEAT_TURN - 1:
                    # A plant of a thousand starters must not keep its sockets waiting meanwhile.
                    await asyncio.sleep(0)
            await self._arm(self.now_s())
            await self._clock.sleep(_BEAT_S)

    async def _arm(self, now_s: float) -> None:
        for waiting in tuple(self._waiting):
            fault = waiting.fault
            if now_s >= fault.at_s + fault.for_s:
                self._waiting.remove(waiting)
                if waiting.armed:
                    await waiting.desk.end(fault, waiting.unit)
            elif now_s >= fault.at_s and not waiting.armed:
                waiting.armed = True
                await waiting.desk.begin(fault, waiting.unit)
