"""What one reading makes of the state: the long way of a reading that tells something.

What it says (`signs`), what that means (`recogniser`, by the table of `starts`), the device's counter (`ledger`), heat (`heat_account`),
records of starts and stops (`course`), and the events of it all in order.
"""

from __future__ import annotations

import math
from dataclasses import replace

from gateway.instants import SECOND, Instant, seconds_between
from gateway.motors.course import Moment
from gateway.motors.facts import Starter
from gateway.motors.phase_loss import lost_phase, phases_of, told_by_device
from gateway.motors.reading import Reading, Scalar
from gateway.motors.records import DriftFound, Event, GapEnded, MotorState, PhaseLost, StartEnded, StateChanged, UnseenStarts
from gateway.motors.signs import Signs, line_current_a, signs_of
from gateway.motors.start_figures import Sample
from gateway.motors.starts import AT_REST, GATHERING, STATES, Action, Phase
from gateway.motors.temperature import SETTLED_S
from gateway.motors.thermal import learned_from, thermal_model
from gateway.motors.unbalance import heating_square, k_for
from gateway.motors.watch_state import WatchState

COMMAND_HOLDS: Instant = 30 * SECOND
"""A start command keeps the pace fast for so long; own choice."""
_ON_TRAIL = frozenset({Action.SUSPECT, Action.BEGIN, Action.FIND, Action.END, Action.END_UNSEEN, Action.ABORT, Action.TRIP_START})


class Fold:
    """Folds readings into one state. model: the thermal model; learned: what a start costs, from the last good ones."""

    def __init__(self, starter: Starter, state: WatchState) -> None:
        self.starter = starter
        self.model = thermal_model(starter)
        self.learned = learned_from(starter, state.ledger.learned)
        self._state = state
        self._k = k_for(starter.motor)
        self._on_a = starter.thresholds.on_ratio * starter.motor.flc_a

    def take(self, reading: Reading) -> list[Event]:
        """Fold one reading, newer than the last; return what it made happen, in order."""
        state, last = self._state, self._state.last
        if last is not None:
            state.keep(last)
            state.ledger.counter.stood(last.number("start_count"), last.at)
        if state.first_at is None:
            state.first_at = reading.at
        signs = signs_of(reading, state.kept, self.starter.motor.flc_a, self.starter.thresholds.on_ratio)
        if signs.command and not state.command:
            state.command_until = signs.at + COMMAND_HOLDS
            state.command_edge = None if last is None else (last.at, signs.at)
        state.command = bool(signs.command)
        if state.command_until is not None and (reading.at >= state.command_until or not signs.command):
            state.command_until = None
        events = self._usable(reading, signs) if signs.usable else self._unusable(reading)
        changed = state.settings.take(reading.at, reading.values)
        if changed is not None:
            events.append(changed)
            keys = ", ".join(f"{change.key} {change.before} to {change.after}" for change in changed.changes)
            state.drift.begin_anew(changed.at, keys)
        return events

    def _usable(self, reading: Reading, signs: Signs) -> list[Event]:
        state, at = self._state, reading.at
        recogniser, course, ledger, heat = state.recogniser, state.course, state.ledger, state.heat
        before_at, gathering = recogniser.usable_at, recogniser.phase in GATHERING
        gap = before_at is not None and seconds_between(before_at, at) > self.starter.thresholds.gap_s
        events: list[Event] = []
        if gap and before_at is not None:
            ledger.gap(before_at, at)
            reason = "no usable readings" if state.blind else "no readings"
            events.append(GapEnded(began_at=before_at, at=at, reason=reason))
        was_on = recogniser.phase not in AT_REST
        actions = recogniser.step(signs, self.starter)
        quiet = self._counted(reading, events) and was_on is (recogniser.phase not in AT_REST)
        heat_before = heat.used_now(self.model) if actions else 0.0
        self._heated(reading, signs, gap, quiet)
        if actions:
            moment = self._moment(reading, signs, before_at, heat_before, gap)
        self._phases(reading, events)
        course.take_off(signs, before_at, self.starter)
        if gathering:
            course.gather(Sample(at, signs.current_a, reading.values), self.starter)
        for action in actions:
            events += course.act(action, moment)
            if action in _ON_TRAIL:
                heat.note(self.model)
            if action is Action.BEGIN:
                state.command_edge = None
        events += course.tail(at, self.starter, ledger)
        if recogniser.phase is Phase.RUNNING and signs.ratio is not None:
            course.level(at, signs.ratio)
        unseen = ledger.settle(at)
        if unseen is not None:
            events.append(unseen)
        state.blind = False
        ledger.forget(at)
        self._drifts(at, events)
        self._tell(STATES[recogniser.phase], at, events)
        return events

    def _phases(self, reading: Reading, events: list[Event]) -> None:
        """Look for a lost phase; a start under way keeps it in its record."""
        state, values = self._state, reading.values
        phases, under_way = phases_of(values), state.course.under_way
        seen = None if phases is None else lost_phase(phases, self._on_a)
        lost = state.phases.take(reading.at, seen, told_by_device(self.starter, values, self._trip_code(reading)))
        in_start = under_way is not None and under_way.ended is None
        if under_way is not None and in_start and state.phases.lost:
            under_way.lost_phase = state.phases.lost
        if lost is not None:
            events.append(
                PhaseLost(at=reading.at, phase=lost, number=under_way.number or None if under_way is not None and in_start else None)
            )

    def _drifts(self, at: Instant, events: list[Event]) -> None:
        drift = self._state.drift
        new = drift.settle(at, self.starter)
        for event in tuple(events):
            new += drift.take(event, self.starter)
        if new:
            events.append(DriftFound(at=at, drifts=new))

    def _trip_code(self, reading: Reading) -> Scalar | None:
        code = reading.values.get("trip_code")
        return self._state.kept["trip_code"][1] if code is None and "trip_code" in self._state.kept else code

    def _moment(self, reading: Reading, signs: Signs, before_at: Instant | None, heat_before: float, gap: bool) -> Moment:
        state, last = self._state, self._state.last
        code, volts = self._trip_code(reading), state.kept.get("voltage")
        told = last if last is not None and last.at == before_at else state.usable or reading
        return Moment(
            starter=self.starter,
            ledger=state.ledger,
            signs=signs,
            sample=Sample(reading.at, signs.current_a, reading.values),
            before=Sample(told.at, line_current_a(told.values), told.values),
            before_at=before_at,
            heat_before=heat_before,
            heat=state.heat.used_now(self.model),
            trip_code=None if code is None or isinstance(code, str) else int(code),
            ramp=state.recogniser.ramp,
            gap=gap,
            volts=None if volts is None or isinstance(volts[1], str) else float(volts[1]),
            command_edge=state.command_edge,
        )

    def _counted(self, reading: Reading, events: list[Event]) -> bool:
        """Fold the device's counter; return True when it says that nothing was counted since its last value."""
        value, ledger = reading.number("start_count"), self._state.ledger
        if value is None or value < 0 or value != int(value):
            return False
        before = ledger.counter.value
        events += ledger.count(int(value), reading.at, self.starter.signals.start_count_wraps_at)
        return before == int(value)

    def _heated(self, reading: Reading, signs: Signs, gap: bool, quiet: bool) -> None:
        state, ratio = self._state, signs.ratio
        turning = state.recogniser.phase not in AT_REST
        phases = phases_of(reading.values)
        if phases is not None:
            ratio = math.sqrt(heating_square(*phases, self._k)) / self.starter.motor.flc_a
        if state.course.under_way is not None:
            ratio = state.course.under_way.winding_ratio(ratio, self.starter)
        if gap:
            state.heat.gap(signs.at, ratio, turning, quiet, self.model)
        else:
            state.heat.take(signs.at, ratio, turning, self.model)
        off_at = state.course.off_at
        at_rest = not turning and off_at is not None and seconds_between(off_at, signs.at) >= SETTLED_S
        state.heat.measure(reading.number("ambient_temperature"), reading.number("winding_temperature"), at_rest, self.model)

    def _tell(self, now: MotorState, at: Instant, events: list[Event]) -> None:
        state = self._state
        for event in events:
            if isinstance(event, StartEnded):
                state.last_start = replace(event.start, curve=None)
                self.learned = learned_from(self.starter, state.ledger.learned)
            elif isinstance(event, UnseenStarts):
                state.course.restarted(event.starts[-1].ended_at)
                for _ in event.starts:
                    state.heat.charge(self.learned.heat, self.model)
        if now is not state.told:
            events.append(StateChanged(at=at, before=state.told, after=now))
            state.told, state.told_at = now, at

    def _unusable(self, reading: Reading) -> list[Event]:
        state, usable_at = self._state, self._state.recogniser.usable_at
        if state.last is not None and state.last.at == usable_at:
            state.usable = state.last
        events: list[Event] = []
        if usable_at is not None and seconds_between(usable_at, reading.at) > self.starter.thresholds.gap_s:
            state.blind = True
            self._tell(MotorState.UNKNOWN, reading.at, events)
        return events
