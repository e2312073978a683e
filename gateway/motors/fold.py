"""What one reading makes of the state: the long way of a reading that tells something.

What it says (`signs`), what that means (`recogniser`, by the table of `starts`), the device's counter (`ledger`), heat (`heat_account`),
records of starts and stops (`course`), and the events of it all in order.
"""

from __future__ import annotations

from dataclasses import replace

from gateway.instants import SECOND, Instant, seconds_between
from gateway.motors.course import Moment
from gateway.motors.facts import Starter
from gateway.motors.reading import Reading
from gateway.motors.records import Event, GapEnded, MotorState, StartEnded, StateChanged, UnseenStarts
from gateway.motors.signs import Signs, line_current_a, signs_of
from gateway.motors.start_figures import Sample
from gateway.motors.starts import AT_REST, GATHERING, STATES, Action, Phase
from gateway.motors.thermal import learned_from, thermal_model
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
        state.command = bool(signs.command)
        if state.command_until is not None and (reading.at >= state.command_until or not signs.command):
            state.command_until = None
        return self._usable(reading, signs) if signs.usable else self._unusable(reading)

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
        self._heated(signs, gap, quiet)
        if actions:
            moment = self._moment(reading, signs, before_at, heat_before, gap)
        course.take_off(signs, before_at, self.starter)
        if gathering:
            course.gather(Sample(at, signs.current_a, reading.values), self.starter)
        for action in actions:
            events += course.act(action, moment)
            if action in _ON_TRAIL:
                heat.note(self.model)
        events += course.tail(at, self.starter, ledger)
        if recogniser.phase is Phase.RUNNING and signs.ratio is not None:
            course.level(at, signs.ratio)
        unseen = ledger.settle(at)
        if unseen is not None:
            events.append(unseen)
        state.blind = False
        ledger.forget(at)
        self._tell(STATES[recogniser.phase], at, events)
        return events

    def _moment(self, reading: Reading, signs: Signs, before_at: Instant | None, heat_before: float, gap: bool) -> Moment:
        state, last = self._state, self._state.last
        code = reading.number("trip_code")
        if code is None and "trip_code" in state.kept and not isinstance(state.kept["trip_code"][1], str):
            code = float(state.kept["trip_code"][1])
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
            trip_code=None if code is None else int(code),
            ramp=state.recogniser.ramp,
            gap=gap,
        )

    def _counted(self, reading: Reading, events: list[Event]) -> bool:
        """Fold the device's counter; return True when it says that nothing was counted since its last value."""
        value, ledger = reading.number("start_count"), self._state.ledger
        if value is None or value < 0 or value != int(value):
            return False
        before = ledger.counter.value
        events += ledger.count(int(value), reading.at, self.starter.signals.start_count_wraps_at)
        return before == int(value)

    def _heated(self, signs: Signs, gap: bool, quiet: bool) -> None:
        state, ratio = self._state, signs.ratio
        turning = state.recogniser.phase not in AT_REST
        if state.course.under_way is not None:
            ratio = state.course.under_way.winding_ratio(ratio, self.starter)
        if gap:
            state.heat.gap(signs.at, ratio, turning, quiet, self.model)
        else:
            state.heat.take(signs.at, ratio, turning, self.model)

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
