"""Orders to one simulated starter in words, from the keyboard or over the control: `start`, `fault late for 10 s`, `status`."""

from __future__ import annotations

import asyncio
import contextlib
import shlex
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from gateway.clock import Clock
from gateway.errors import StartledgerError
from gateway.registers.findings import nearest
from gateway.registers.model import Signal
from simulators.fault_desk import FaultDesk
from simulators.fault_words import FAULT_WORDS, DeviceTrouble, device_events, is_device_fault, read_fault, wire_fault
from simulators.link_faults import AT_ONCE, Fault
from simulators.plant import SimulatedStarter
from simulators.status import status_of, status_text
from simulators.timetable import Action
from simulators.typed_values import value_of

HELP = """start                 start the motor, as the starter is set
stop                  stop it: a soft stop where the starter has one, else switch off
off                   switch off at once
trip | reset          trip as from an outside input | reset a trip
fault KIND ...        begin a fault; it lasts until `clear`, or `for 30 s`. `help fault` lists them
clear [KIND]          end one fault, or all
set NAME VALUE        let a signal stand at a value; `set` alone lists the signals
free NAME             let a signal follow the motor again
status                what the motor does and what the starter shows
help | quit"""
_PLAIN = {
    "start": (Action.START, "start ordered"),
    "stop": (Action.STOP, "stop ordered"),
    "off": (Action.SWITCH_OFF, "switched off"),
    "trip": (Action.TRIP, "tripped from outside"),
    "reset": (Action.RESET, "reset ordered"),
}


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of an order: whether it was understood and done, in words, and as data where there are some."""

    ok: bool
    text: str
    data: Mapping[str, Any] = field(default_factory=dict)


class _RefusedError(ValueError):
    """An order that cannot be carried out; its text is for the user."""


class Orders:
    """Carries out orders. now: called before each to move the starter to the present.

    on_quit: called by `quit`. unit: whose replies go wrong on Modbus.
    """

    def __init__(
        self, starter: SimulatedStarter, desk: FaultDesk, clock: Clock, now: Callable[[], float], on_quit: Callable[[], None], unit: int = 1
    ) -> None:
        self._starter, self._desk, self._clock = starter, desk, clock
        self._now, self._on_quit, self._unit = now, on_quit, unit
        self._standing: dict[str, Fault | DeviceTrouble] = {}
        self._ends: dict[str, asyncio.Task[None]] = {}
        self._words: dict[str, Callable[[list[str]], Awaitable[Answer]]] = {
            "fault": self._fault,
            "clear": self._clear,
            "set": self._set,
            "free": self._free,
            "status": self._status,
            "help": self._help,
            "quit": self._quit,
        }

    async def do(self, line: str) -> Answer:
        """Carry out one order and say what became of it."""
        try:
            words = shlex.split(line)
        except ValueError:
            return Answer(False, "a quotation mark is not closed")
        if not words:
            return Answer(True, "")
        word, rest = words[0].lower(), words[1:]
        self._starter.advance_to(self._now())
        if word in _PLAIN:
            action, text = _PLAIN[word]
            if rest:
                return Answer(False, f"`{word}` takes nothing behind it")
            return self._plain(action, text)
        act = self._words.get(word)
        if act is None:
            hint = nearest(word, [*_PLAIN, *self._words])
            return Answer(False, f"`{word}` is not an order{': ' + hint if hint else ''}; `help` lists them")
        try:
            return await act(rest)
        except (ValueError, StartledgerError) as error:
            return Answer(False, str(error))

    async def close(self) -> None:
        """Forget what was still to come."""
        for task in tuple(self._ends.values()):
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task
        self._ends.clear()

    def _plain(self, action: Action, text: str) -> Answer:
        phase, starter = self._starter.motor.phase.value, self._starter
        if action is Action.START and phase in ("starting", "running", "tripped"):
            why = "`reset` it first" if phase == "tripped" else "`stop` it first"
            return Answer(False, f"the starter takes no start while it is {phase}: {why}")
        if action is Action.RESET and phase != "tripped":
            return Answer(False, "there is no trip to reset")
        if action is Action.RESET and not starter.motor.protection.may_reset(starter.trip_cause):
            used, below = starter.motor.protection.thermal.used_pct, starter.motor.protection.settings.reset_below_pct
            return Answer(False, f"the overload resets below {below:.0f} % of thermal capacity; it stands at {used:.0f} %")
        self._starter.command(action)
        return Answer(True, text)

    # Faults.

    async def _fault(self, words: list[str]) -> Answer:
        if not words:
            raise _RefusedError("which fault? `help fault` lists them")
        order = read_fault(words)
        name, fault = order.name, order.fault
        if name in self._standing:
            await self._end(name)
        if isinstance(fault, DeviceTrouble):
            for action, value in device_events(fault).begin:
                self._starter.command(action, value)
            lasts = fault.lasts
        else:
            if fault.signal and self._starter.map.signal(fault.signal) is None:
                raise _RefusedError(self._no_signal(fault.signal))
            await self._desk.begin(fault, self._unit)
            lasts = fault.kind not in AT_ONCE and fault.replies is None
        if not lasts:
            return Answer(True, f"{name}: done" if not isinstance(fault, Fault) or fault.replies is None else f"{name}: armed")
        self._standing[name] = fault
        if order.for_s is None:
            return Answer(True, f"{name}: until `clear {name}`")
        self._ends[name] = asyncio.create_task(self._end_later(name, order.for_s), name=f"end of {name}")
        return Answer(True, f"{name}: for {order.for_s:g} s")

    async def _end_later(self, name: str, after_s: float) -> None:
        await self._clock.sleep(after_s)
        self._ends.pop(name, None)
        await self._end(name)

    async def _end(self, name: str) -> None:
        task = self._ends.pop(name, None)
        if task is not None:
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task
        fault = self._standing.pop(name)
        if isinstance(fault, DeviceTrouble):
            self._starter.advance_to(self._now())
            for action, value in device_events(fault).end:
                self._starter.command(action, value)
        else:
            await self._desk.end(fault, self._unit)

    async def _clear(self, words: list[str]) -> Answer:
        if len(words) > 1:
            raise _RefusedError("name one fault, or none for all")
        if words and words[0] not in self._standing:
            raise _RefusedError(f"{words[0]} does not stand; standing: {', '.join(self._standing) or 'none'}")
        names = words or list(self._standing)
        for name in names:
            await self._end(name)
        return Answer(True, f"ended: {', '.join(names) or 'nothing stood'}")

    # Signals.

    async def _set(self, words: list[str]) -> Answer:
        if not words:
            shown = self._starter.values()
            values = {signal.name: shown.get(signal.key) for signal in self._signals}
            held = {signal.name for signal in self._signals if signal.key in self._starter.held}
            lines = [f"{name} = {value}{' (held)' if name in held else ''}" for name, value in values.items()]
            return Answer(True, "\n".join(lines), {"signals": values})
        if len(words) < 2:
            raise _RefusedError("write `set NAME VALUE`")
        signal = self._signal(words[0])
        value = value_of(signal, " ".join(words[1:]))
        self._starter.hold(signal.key, value)
        unit = signal.unit if signal.role is None else ""
        then = f"; `free {signal.name}` lets it follow the motor again" if signal.role is not None else ""
        return Answer(True, f"{signal.name} stands at {value} {unit}".rstrip() + then)

    async def _free(self, words: list[str]) -> Answer:
        if len(words) != 1:
            raise _RefusedError("write `free NAME`")
        signal = self._signal(words[0])
        if signal.key not in self._starter.held:
            raise _RefusedError(f"{signal.name} is not held")
        self._starter.let_go(signal.key)
        return Answer(True, f"{signal.name} is free")

    @property
    def _signals(self) -> tuple[Signal, ...]:
        return self._starter.map.signals

    def _signal(self, name: str) -> Signal:
        found = next((signal for signal in self._signals if name in (signal.name, signal.key)), None)
        if found is None:
            raise _RefusedError(self._no_signal(name))
        return found

    def _no_signal(self, name: str) -> str:
        hint = nearest(name, [signal.name for signal in self._signals])
        return f"the map has no signal {name}" + (f": {hint}" if hint else "; `set` alone lists them")

    # The rest.

    async def _status(self, words: list[str]) -> Answer:
        status = status_of(self._starter, tuple(self._standing))
        return Answer(True, status_text(status), status)

    async def _help(self, words: list[str]) -> Answer:
        if words == ["fault"]:
            possible = [name for name in FAULT_WORDS if is_device_fault(name) or self._desk.knows(wire_fault(name))]
            return Answer(True, "\n".join(f"{name:<20}{FAULT_WORDS[name]}" for name in possible))
        return Answer(True, HELP)

    async def _quit(self, words: list[str]) -> Answer:
        self._on_quit()
        return Answer(True, "ending")
