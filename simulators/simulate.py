"""One simulated starter on the wire with its keyboard and its control: what `startledger simulate` runs."""

from __future__ import annotations

import asyncio
import contextlib
import os
import select
import signal
import threading
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from pathlib import Path

from gateway.clock import RealClock
from gateway.errors import ServeError, StartledgerError
from gateway.machine.run_up import RunUpOutcome
from gateway.registers.model import Protocol, RegisterMap
from simulators.command_places import Commands, no_commands, read_commands
from simulators.commands import CommandDesk, Order, order_given
from simulators.control import Control, control_app
from simulators.framing import Framing
from simulators.live import LivePlant
from simulators.one_starter import STATE_BITS, Chosen, Wishes, check_roles, choose
from simulators.orders import Answer, Orders
from simulators.plant import SimulatedStarter
from simulators.scenario import AddressPlan, Placed, Scenario
from simulators.timetable import Action
from simulators.truth import TrueStart

USUAL_PORTS = {Protocol.MODBUS: 15020, Protocol.OPCUA: 14840}
_WATCH_S = 0.1
_ACTIONS = {Order.START: Action.START, Order.STOP: Action.STOP, Order.RESET: Action.RESET, Order.TRIP: Action.TRIP}
Tell = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Serving:
    """Where and how the starter is served. port None: the usual one; control_port None: no control. truth: file of what really happened."""

    host: str = "127.0.0.1"
    port: int | None = None
    unit: int = 1
    rtu: bool = False
    control_port: int | None = 0
    accept_commands: bool = False
    commands: tuple[str, ...] = ()
    truth: Path | None = None
    keyboard: bool = True


class Simulation:
    """A starter made from a map and wishes, ready to be served."""

    def __init__(self, register_map: RegisterMap, wishes: Wishes, serving: Serving, tell: Tell) -> None:
        check_roles(register_map)
        accepts = serving.accept_commands or bool(serving.commands)
        self.commands: Commands = read_commands(register_map, serving.commands) if accepts else no_commands(register_map)
        self.chosen: Chosen = choose(self.commands.map, wishes)
        self.starter = SimulatedStarter(self.chosen.make)
        self.stop = asyncio.Event()
        self._serving, self._tell = serving, tell
        self._clock = RealClock()
        protocol = register_map.protocol
        port = USUAL_PORTS[protocol] if serving.port is None else serving.port
        framing = Framing.RTU if serving.rtu else Framing.TCP
        address = AddressPlan(name="starter", protocol=protocol, host=serving.host, port=port, framing=framing)
        placed = Placed(make=self.chosen.make, address="starter", unit=serving.unit)
        name = self.chosen.make.name
        places = self.commands.places
        self.plant = LivePlant(
            Scenario(name=name, seed=wishes.seed, addresses=(address,), starters=(placed,), file=Path(register_map.file or name)),
            {name: self.starter},
            begin_at=self._clock.now(),
            clock=self._clock,
            commands={name: CommandDesk(places, self._ordered, self.commands.shown_by_device)} if places else None,
            writable={node.key: self._taker(node.order) for node in self.commands.nodes},
        )
        self.orders = Orders(self.starter, self.plant.desks["starter"], self._clock, self.plant.now_s, self.stop.set, serving.unit)

    def _ordered(self, order: Order) -> None:
        self.starter.advance_to(self.plant.now_s())
        self.starter.command(_ACTIONS[order])
        self._tell(f"the PLC ordered {order.value}")

    def _taker(self, order: Order) -> Callable[[bool], None]:
        before = False

        def take(after: bool) -> None:
            nonlocal before
            given = order_given(order, before, after)
            before = after
            if given is not None:
                self._ordered(given)

        return take

    @property
    def where(self) -> str:
        """Where a client finds the starter, known when it is served."""
        modbus = self.plant.modbus.get("starter")
        if modbus is None:
            return self.plant.opcua["starter"].endpoint
        kind = "RTU frames over TCP" if self._serving.rtu else "Modbus TCP"
        return f"{kind} at {modbus.host}:{modbus.port}, unit {self._serving.unit}"

    async def run(self) -> None:
        """Serve until `stop` is set, then leave nothing behind. Raises ServeError when a port is taken."""
        try:
            await self.plant.start()
        except ServeError as error:
            raise ServeError(f"{error}; choose another with --port") from error
        try:
            async with contextlib.AsyncExitStack() as stack:
                if self._serving.control_port is not None:
                    control = Control(control_app(self.orders.do), self._serving.control_port)
                    await control.start()
                    stack.push_async_callback(control.stop)
                    self._greet(control.address)
                else:
                    self._greet(None)
                stack.push_async_callback(self.orders.close)
                watch = asyncio.create_task(self._watch(), name="watch of the simulated starter")
                stack.push_async_callback(_ended, watch)
                if self._serving.keyboard:
                    stack.push_async_callback(_keyboard(self._at_the_keyboard, self.stop))
                await self.stop.wait()
        finally:
            await self.plant.stop()
            if self._serving.truth is not None:
                self._write_truth(self._serving.truth)

    def _write_truth(self, path: Path) -> None:
        try:
            count = self.plant.write_truth(path)
        except OSError as error:
            raise StartledgerError(f"cannot write what really happened to {path}: {error.strerror}") from error
        self._tell(f"{count} records of what really happened in {path}")

    def _greet(self, control: str | None) -> None:
        chosen, keys = self.chosen, {signal.key for signal in self.chosen.make.map.signals}
        self._tell(f"a simulated starter with the map {chosen.make.map.name}: {self.where}")
        self._tell(f"  motor    {chosen.motor}")
        self._tell(f"  load     {chosen.load}")
        self._tell(f"  method   {chosen.method}")
        if chosen.assumed:
            self._tell(f"  assumed  {'; '.join(chosen.assumed)}")
        self._tell(f"  a start  {_first_start(chosen)}")
        if not keys & set(STATE_BITS):
            self._tell("  note     the map has no status bits: what the motor does shows in the current alone")
        if self.commands.lines:
            self._tell(f"  the PLC may write  {'; '.join(self.commands.lines)}")
        else:
            self._tell("  the PLC may only read; --accept-commands lets it start and stop the motor")
        if control is not None:
            self._tell(f"  control  {control}  (this machine only: GET /status, POST /orders)")
        self._tell(
            "orders: start, stop, off, trip, reset, fault KIND, clear, set NAME VALUE, free NAME, status, help, quit; Ctrl-C ends it"
        )

    async def _at_the_keyboard(self, line: str) -> None:
        answer: Answer = await self.orders.do(line)
        if answer.text:
            self._tell(answer.text)

    async def _watch(self) -> None:
        """Tell what the motor does by itself."""
        phase, told = self.starter.motor.phase, 0
        while True:
            await self._clock.sleep(_WATCH_S)
            self.starter.advance_to(self.plant.now_s())
            if self.starter.motor.phase is not phase:
                phase = self.starter.motor.phase
                cause = f" ({self.starter.trip_cause.value.replace('_', ' ')})" if self.starter.trip_cause.value != "none" else ""
                self._tell(f"now {phase.value}{cause}")
            for record in self.starter.truth[told:]:
                if isinstance(record, TrueStart):
                    figures = f"{record.duration_s:.2f} s, peak {record.peak_ratio:.2f} x FLC, I2t {record.i2t_flc2s:.1f} FLC2s"
                    self._tell(f"start {record.count}: {record.outcome.replace('_', ' ')}, {figures}")
            told = len(self.starter.truth)


def _first_start(chosen: Chosen) -> str:
    start, flc_a = chosen.first_start, chosen.make.drive.flc_a
    peak = f"peak {start.tally.peak_line_a / flc_a:.2f} x FLC"
    if start.outcome is RunUpOutcome.AT_SPEED:
        return f"lasts {max(start.current_fell_s or 0.0, start.full_s or 0.0):.1f} s to full voltage, {peak}"
    return f"does not reach speed with these settings, {peak}: the starter will trip"


async def _ended(task: asyncio.Task[None]) -> None:
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await task


def _keyboard(do: Callable[[str], Awaitable[None]], stop: asyncio.Event) -> Callable[[], Awaitable[None]]:
    """Read orders from standard input until it ends or `stop` is set; return how to leave off.

    A thread reads, because standard input may be a terminal, a pipe or a file, and an event loop cannot watch every one of them. It waits
    with a time limit, so that it ends with the program and not with the next key.
    """
    loop = asyncio.get_running_loop()
    lines: asyncio.Queue[str] = asyncio.Queue()
    leaving = threading.Event()

    def read() -> None:
        kept = b""
        while not leaving.is_set():
            try:
                ready, _, _ = select.select([0], [], [], 0.2)
                data = os.read(0, 4096) if ready else None
            except OSError:
                # There is no standard input at all: a service without a keyboard.
                return
            if data is None:
                continue
            if not data:
                return
            *whole, kept = (kept + data).split(b"\n")
            for line in whole:
                loop.call_soon_threadsafe(lines.put_nowait, line.decode(errors="replace").strip())

    async def carry_out() -> None:
        while True:
            await do(await lines.get())

    thread = threading.Thread(target=read, name="keyboard", daemon=True)
    thread.start()
    task = asyncio.create_task(carry_out(), name="keyboard")

    async def leave() -> None:
        leaving.set()
        await _ended(task)
        await asyncio.to_thread(thread.join)

    return leave


async def simulate(register_map: RegisterMap, wishes: Wishes, serving: Serving, tell: Tell) -> None:
    """Serve one simulated starter until Ctrl-C, SIGTERM or the order `quit`.

    Raises InputError for a map or wishes that cannot be simulated, ServeError when a port is taken.
    """
    simulation = Simulation(register_map, wishes, serving, tell)
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, simulation.stop.set)
    try:
        await simulation.run()
    finally:
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.remove_signal_handler(number)
    tell("stopped")
