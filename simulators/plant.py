"""One simulated starter: a motor with the device that starts it, as its wire shows it.

The device renews what it shows every `update_s`. Status, counters and measured values of one moment belong together; the start counter
counts in the device whether anybody reads or not. Asking for a time moves the starter there; asking often or seldom changes nothing of what
happens.
"""

from __future__ import annotations

from array import array
from collections.abc import Mapping
from math import ceil

from gateway.machine.drive import Phase
from gateway.registers.model import Table
from simulators.encoder import Encoder
from simulators.image import Image
from simulators.instruments import Instruments
from simulators.motor import TICK_S, TICKS_PER_S, Motor, tick_at, tick_from
from simulators.protection import USUAL_CODES, Trip
from simulators.timetable import Action, Event, Timetable
from simulators.traits import Make
from simulators.truth import TrueEvent, TrueStart, TrueStop, Truth, start_figures
from simulators.words import Value

_RETRY_RESET_S = 60.0
_FED = (Phase.STARTING, Phase.RUNNING, Phase.STOPPING)
_OFF = (Phase.OFF, Phase.TRIPPED)
_RUNS = frozenset({Action.START, Action.STOP, Action.SWITCH_OFF})


class SimulatedStarter:
    """A starter made from a `Make`; time in seconds from the scenario's begin.

    truth: every start and stop so far, oldest first. events: what else befell the device or its supply.
    """

    def __init__(self, make: Make) -> None:
        self.make = make
        self.name = make.name
        self.map = make.map
        self._update_ticks = max(ceil(make.device.update_s * TICKS_PER_S - 1e-9), 1)
        self.motor = Motor(
            make.drive, make.supply, make.protection, make.drift, self._update_ticks, has_sensor=make.device.temperature_sensor
        )
        self.timetable = Timetable(daily=make.daily, single=make.events, seed=make.seed)
        self.truth: list[Truth] = []
        self.events: list[TrueEvent] = []
        self.reachable = True
        self.frozen = False
        self.trip_cause = Trip.NONE
        self.largest_block = make.map.largest_block
        self.largest_bit_block = make.map.largest_bit_block
        self._image = Image(make.map)
        self._encoder = Encoder(make.map)
        counter = make.map.signal("start_count")
        self._wraps_at = None if counter is None else counter.wraps_at
        self._count = make.device.start_count
        self._commanded = False
        self._on_since: int | None = None
        self._on_ticks = round(make.device.running_hours * 3600 * TICKS_PER_S)
        self._boot_until = 0
        self._start_began = 0
        self._start_seen = False
        self._stop_began: int | None = None
        self._shown = 0
        self._shown_values: dict[str, Value] = {}
        self.held: dict[str, Value] = {}
        """Values that stand on the wire instead of what the device measures, by signal key, until somebody takes them away."""
        self._encoded: dict[str, Value] | None = None
        self._instruments = Instruments(make, self.motor)
        self._show(0)

    # What the wire sees.

    @property
    def now_s(self) -> float:
        """Time of the values shown [s]."""
        return self._shown * TICK_S

    @property
    def answers(self) -> bool:
        """False while the device cannot be reached or boots."""
        return self.reachable and self._shown >= self._boot_until

    @property
    def start_count(self) -> int:
        """The device's own counter."""
        return self._count

    @property
    def is_busy(self) -> bool:
        """True while a start or a soft stop is under way: the time to look closely."""
        return self.motor.is_moving

    def values(self) -> Mapping[str, Value]:
        """Return what the device shows, by signal key, in the unit of the role."""
        return self._shown_values

    def image(self) -> Image:
        """Return the device's registers as they are shown."""
        if self._encoded is not self._shown_values:
            self._encoder.write(self._image, self._shown_values)
            self._encoded = self._shown_values
        return self._image

    def read(self, table: Table, first: int, count: int) -> array[int] | None:
        """Return words of the image, None when the device refuses an address."""
        return self.image().read(table, first, count)

    # Time and commands.

    def advance_to(self, at_s: float) -> None:
        """Move to a time; a time that is past already changes nothing."""
        tick = tick_at(at_s)
        tick -= tick % self._update_ticks
        if tick > self._shown:
            self._run_to(tick)
            self._show(tick)

    def hold(self, key: str, value: Value) -> None:
        """Let a signal stand at a value, whatever the motor does."""
        self.held[key] = value
        self._show(self._shown)

    def let_go(self, key: str) -> None:
        """Let a signal follow the device again."""
        self.held.pop(key, None)
        self._show(self._shown)

    def command(self, action: Action, value: float = 0.0) -> None:
        """Do something at the next cycle of the device."""
        self.timetable.add(Event(max(self._shown, self.motor.tick) * TICK_S, action, value))

    def next_event_at(self) -> float | None:
        """Return when the device next shows something new besides noise and slow change, None when nothing more is planned [s]."""
        if self.motor.is_moving:
            return (self._shown + self._update_ticks) * TICK_S
        event = self.timetable.peek()
        if event is None:
            return None
        cycle = ceil(tick_from(event.at_s) / self._update_ticks) * self._update_ticks
        return max(cycle, self._shown + self._update_ticks) * TICK_S

    def _run_to(self, tick: int) -> None:
        motor = self.motor
        while True:
            event = self.timetable.peek()
            due = tick + 1 if event is None else max(tick_from(event.at_s), motor.tick)
            until = min(tick, due)
            while motor.tick < until:
                step_end = motor.next_tick()
                if step_end > until:
                    if due > tick:
                        break
                    step_end = until
                before = motor.phase
                cause = motor.step_to(step_end)
                if cause is not Trip.NONE:
                    self._trip(cause)
                self._follow(before)
            if due > tick:
                return
            happening = self.timetable.pop()
            if happening.action not in _RUNS:
                at_s = motor.tick * TICK_S
                self.events.append(TrueEvent(starter=self.name, began_s=at_s, what=happening.action.value, value=happening.value))
            self._happen(happening)

    def _happen(self, event: Event) -> None:
        before = self.motor.phase
        match event.action:
            case Action.START:
                self._start()
            case Action.STOP | Action.SWITCH_OFF:
                self._stop(softly=event.action is Action.STOP)
            case Action.TRIP:
                self._trip(Trip.EXTERNAL)
            case Action.RESET:
                self._reset()
            case Action.UNREACHABLE:
                self.reachable = False
            case Action.REACHABLE:
                self.reachable = self._start_seen = True
            case Action.FREEZE | Action.THAW:
                self.frozen = event.action is Action.FREEZE
            case Action.SET_COUNTER:
                self._count = round(event.value)
            case Action.SWAP_WORDS | Action.UNSWAP_WORDS:
                self._encoder.swapped = event.action is Action.SWAP_WORDS
                self._encoded = None
            case Action.OPEN_LINE:
                self.motor.open_line(round(event.value))
            case Action.CLOSE_LINE:
                self.motor.close_line()
            case Action.SAG:
                self.motor.sag(event.value)
            case Action.RESTART:
                self._stop(softly=False)
                self._boot_until = self.motor.tick + round((event.value or self.make.device.boot_s) * TICKS_PER_S)
        self._follow(before)

    def _start(self) -> None:
        self._commanded = True
        if not self.motor.start():
            return
        self._count += 1
        if self._wraps_at is not None:
            self._count %= self._wraps_at
        self._start_began = self.motor.tick
        self._start_seen = self.reachable
        self._stop_began = None

    def _stop(self, *, softly: bool) -> None:
        self._commanded = False
        if self.motor.phase is Phase.RUNNING:
            self._stop_began = self.motor.tick
        self.motor.stop(softly=softly)

    def _trip(self, cause: Trip) -> None:
        if self.motor.phase is Phase.TRIPPED:
            return
        self.trip_cause = cause
        if self.motor.phase is Phase.RUNNING:
            self._stop_began = self.motor.tick
        self.motor.trip()
        if self.make.device.auto_reset_s is not None:
            self.timetable.add(Event(self.motor.tick * TICK_S + self.make.device.auto_reset_s, Action.RESET))

    def _reset(self) -> None:
        if self.motor.phase is not Phase.TRIPPED:
            return
        if self.motor.protection.may_reset(self.trip_cause):
            self.motor.reset()
            self.trip_cause = Trip.NONE
        elif self.make.device.auto_reset_s is not None:
            self.timetable.add(Event(self.motor.tick * TICK_S + _RETRY_RESET_S, Action.RESET))

    # The truth.

    def _follow(self, before: Phase) -> None:
        """Note what the change of phase means."""
        after = self.motor.phase
        if after is before:
            return
        tick = self.motor.tick
        if after in _FED and before in _OFF:
            self._on_since = tick
        elif after in _OFF and before in _FED and self._on_since is not None:
            self._on_ticks += tick - self._on_since
            self._on_since = None
        if before is Phase.STARTING:
            self._note_start(after)
        if after in _OFF and self._stop_began is not None:
            kind = "trip" if after is Phase.TRIPPED else "soft_stop" if before is Phase.STOPPING else "coast"
            stop = TrueStop(
                starter=self.name, began_s=self._stop_began * TICK_S, ended_s=tick * TICK_S, kind=kind, trip=self.trip_cause.value
            )
            self.truth.append(stop)
            self._stop_began = None

    def _note_start(self, after: Phase) -> None:
        state, motor = self.motor.state, self.motor
        reached = after is Phase.RUNNING
        tally = state.tally
        if reached:
            tally = (state.tally_when_current_fell if state.been_above else state.tally_when_full) or tally
        began_s = self._start_began * TICK_S
        outcome = "at_speed" if reached else "tripped" if after is Phase.TRIPPED else "aborted"
        figures = start_figures(tally, motor.drive.flc_a)
        self.truth.append(
            TrueStart(
                starter=self.name,
                number=motor.starts,
                count=self._count,
                began_s=began_s,
                ended_s=began_s + tally.elapsed_s,
                at_speed_s=motor.tick * TICK_S if reached else None,
                outcome=outcome,
                trip=self.trip_cause.value,
                reachable=self._start_seen,
                **figures,
            )
        )

    @property
    def true_starts(self) -> tuple[TrueStart, ...]:
        """Every start that is over."""
        return tuple(record for record in self.truth if isinstance(record, TrueStart))

    @property
    def true_stops(self) -> tuple[TrueStop, ...]:
        """Every run that is over."""
        return tuple(record for record in self.truth if isinstance(record, TrueStop))

    # What the device measures.

    def _show(self, tick: int) -> None:
        """Renew what the device shows."""
        self._shown = tick
        if not self.frozen or not self._shown_values:
            measured = self._instruments.measured(self.motor, tick)
            self._shown_values = {**self.make.constants, **self.make.settings, **self._status(tick), **measured, **self.held}

    def _status(self, tick: int) -> dict[str, Value]:
        phase = self.motor.phase
        codes = self.make.device.trip_codes
        on_ticks = self._on_ticks + (0 if self._on_since is None else tick - self._on_since)
        return {
            "command": self._commanded,
            "starting": phase is Phase.STARTING,
            "at_speed": phase is Phase.RUNNING,
            "running": phase in _FED,
            "stopping": phase is Phase.STOPPING,
            "tripped": phase is Phase.TRIPPED,
            "trip_code": codes.get(self.trip_cause, USUAL_CODES[self.trip_cause]),
            "start_count": self._count,
            "running_hours": on_ticks / (3600.0 * TICKS_PER_S),
        }
