"""One starter, one watch: readings in, events out.

PURE: its state is a fold over readings, and a snapshot with the readings since restores it to the bit.

The way of one reading that tells something: what it says (`signs`), what that means (`recogniser`, by the table of `starts`), the
device's counter (`ledger`), heat (`heat_account`), records (`course`), events. Readings that tell nothing new take the short way
(`steady`).

Time. A reading not newer than the last one is dropped: a duplicate, or late. Three late ones in a row, each newer than the one before and
the first by more than SET_BACK behind, mean that the wall clock was set back: every instant in the state moves back with it, so that
nothing is negative and nothing comes twice; records already handed out keep their old stamps. A clock set forward looks like a gap and is
treated as one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from gateway.instants import SECOND, Instant, seconds_between
from gateway.motors.budget import budget
from gateway.motors.course import Moment
from gateway.motors.facts import Starter
from gateway.motors.history import History
from gateway.motors.plain import Plain, from_plain, to_plain
from gateway.motors.reading import Reading
from gateway.motors.records import Budget, Event, GapEnded, Live, MotorState, Pace, Start, StartEnded, StateChanged, UnseenStarts
from gateway.motors.signs import Signs, line_current_a, signs_of
from gateway.motors.start_figures import Sample
from gateway.motors.starts import GATHERING, IN_START, STANDING, STATES, Action, Phase
from gateway.motors.steady import Steady
from gateway.motors.thermal import learned_from, thermal_model
from gateway.motors.views import history_of, live_of
from gateway.motors.watch_state import WatchState

SET_BACK: Instant = 2 * SECOND
LATE_IN_A_ROW = 3
COMMAND_HOLDS: Instant = 30 * SECOND
"""A start command keeps the pace fast for so long; own choice."""
_ON_RECORD = frozenset({Action.SUSPECT, Action.BEGIN, Action.FIND, Action.END, Action.END_UNSEEN, Action.ABORT, Action.TRIP_START})
_STARTING = IN_START | {Phase.SUSPECTED, Phase.LOST_STARTING}
_AT_REST = STANDING | {Phase.UNKNOWN, Phase.LOST_STOPPED}


class Watch:
    """Folds the readings of one starter.

    >>> from gateway.motors.facts import MotorData
    >>> watch = Watch(Starter(name="F-101", motor=MotorData(rated_power_kw=45, rated_voltage_v=400, flc_a=80)))
    >>> [event.after.value for event in watch.take(Reading(0, {"current": 0.0}))], watch.pace.value
    (['stopped'], 'standby')
    >>> watch.take(Reading(100_000, {"current": 400.0})), watch.pace.value
    ((), 'starting')
    """

    def __init__(self, starter: Starter, state: WatchState | None = None) -> None:
        self.starter = starter
        self._state = WatchState() if state is None else state
        self._model = thermal_model(starter)
        self._learned = learned_from(starter, self._state.ledger.learned)
        self._steady = Steady(self._state, starter)

    def take(self, reading: Reading) -> tuple[Event, ...]:
        """Fold one reading; return what it made happen, in order."""
        if self._steady.takes(reading):
            return ()
        if not self._in_time(reading.at):
            return ()
        state, last = self._state, self._state.last
        if last is not None:
            state.kept.update((key, (last.at, value)) for key, value in last.values.items())
            state.ledger.counter.stood(last.number("start_count"), last.at)
        if state.first_at is None:
            state.first_at = reading.at
        signs = signs_of(reading, state.kept, self.starter.motor.flc_a)
        if signs.command and not state.command:
            state.command_until = signs.at + COMMAND_HOLDS
        state.command = bool(signs.command)
        if state.command_until is not None and (reading.at >= state.command_until or not signs.command):
            state.command_until = None
        events = self._usable(reading, signs) if signs.usable else self._unusable(reading)
        state.last = reading
        self._steady.arm(self.starter)
        return tuple(events)

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
        was_on = recogniser.phase not in _AT_REST
        actions = recogniser.step(signs, self.starter)
        quiet = self._counted(reading, events) and was_on is (recogniser.phase not in _AT_REST)
        heat_before = heat.used_now(self._model) if actions else 0.0
        self._heated(signs, gap, quiet)
        if actions:
            moment = self._moment(reading, signs, before_at, heat_before, gap)
        course.take_off(signs, before_at, self.starter)
        if gathering:
            course.gather(Sample(at, signs.current_a, reading.values), self.starter)
        for action in actions:
            events += course.act(action, moment)
            if action in _ON_RECORD:
                heat.note(self._model)
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
        before = None if last is None or last.at != before_at else Sample(last.at, line_current_a(last.values), last.values)
        return Moment(
            starter=self.starter,
            ledger=state.ledger,
            signs=signs,
            sample=Sample(reading.at, signs.current_a, reading.values),
            before=before,
            before_at=before_at,
            heat_before=heat_before,
            heat=state.heat.used_now(self._model),
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
        turning = state.recogniser.phase not in _AT_REST
        if state.course.under_way is not None:
            ratio = state.course.under_way.winding_ratio(ratio, self.starter)
        if gap:
            state.heat.gap(signs.at, ratio, turning, quiet, self._model)
        else:
            state.heat.take(signs.at, ratio, turning, self._model)

    def _tell(self, now: MotorState, at: Instant, events: list[Event]) -> None:
        state = self._state
        for event in events:
            if isinstance(event, StartEnded):
                state.last_start = replace(event.start, curve=None)
                self._learned = learned_from(self.starter, state.ledger.learned)
            elif isinstance(event, UnseenStarts):
                state.course.restarted(event.starts[-1].ended_at)
                for _ in event.starts:
                    state.heat.charge(self._learned.heat, self._model)
        if now is not state.told:
            events.append(StateChanged(at=at, before=state.told, after=now))
            state.told, state.told_at = now, at

    def _unusable(self, reading: Reading) -> list[Event]:
        state, usable_at = self._state, self._state.recogniser.usable_at
        events: list[Event] = []
        if usable_at is not None and seconds_between(usable_at, reading.at) > self.starter.thresholds.gap_s:
            state.blind = True
            self._tell(MotorState.UNKNOWN, reading.at, events)
        return events

    def _in_time(self, at: Instant) -> bool:
        state, last = self._state, self._state.last
        if last is None or at > last.at:
            state.late = []
            return True
        if last.at - at < SET_BACK:
            return False
        state.late = [*state.late, at] if state.late and at > state.late[-1] else [at]
        if len(state.late) < LATE_IN_A_ROW:
            self._steady.arm(self.starter)
            return False
        period_us = (state.late[-1] - state.late[0]) // (LATE_IN_A_ROW - 1)
        state.shift(state.late[0] - period_us - last.at)
        state.late = []
        return True

    def history(self, at: Instant | None = None) -> History:
        """Return what limits are told, at `at` or as of the last reading."""
        return history_of(self._state, self.starter, self._model, self._learned, at)

    def budget(self, at: Instant) -> Budget:
        """Return what all limits together say at `at` (not before the last reading)."""
        return budget(self.starter, self.history(at), at)

    def live(self) -> Live:
        """Return what is known at the last reading: the row of the motors page. `last_start` comes without its curve."""
        return live_of(self._state, self.starter, self._model)

    @property
    def pace(self) -> Pace:
        """How often the starter should be read now."""
        state, phase = self._state, self._state.recogniser.phase
        if phase in _STARTING or state.course.in_tail() or state.command_until is not None:
            return Pace.STARTING
        return Pace.STANDBY if phase in _AT_REST else Pace.RUNNING

    def pending(self) -> tuple[Start, ...]:
        """Return starts that the device counted and that are not entered yet: they may still be recognised, else they will be unseen."""
        return self._state.ledger.pending()

    def heat_trail(self) -> tuple[tuple[Instant, float], ...]:
        """Return (instant, thermal capacity used) of the last hours: one a minute, and at the begin and end of starts."""
        return tuple(self._state.heat.trail)

    def snapshot(self) -> dict[str, Plain]:
        """Return the whole state as JSON-able data."""
        return {"version": 1, "state": to_plain(self._state)}

    @classmethod
    def restored(cls, starter: Starter, snapshot: Mapping[str, Any]) -> Watch:
        """Return a watch that goes on from a snapshot; ValueError for one of another version."""
        if snapshot.get("version") != 1:
            raise ValueError(f"snapshot of version {snapshot.get('version')}, this program reads version 1")
        return cls(starter, from_plain(WatchState, snapshot["state"]))
