"""One starter, one watch: readings in, events out.

PURE: its state is a fold over readings, and a snapshot with the readings since restores it to the bit. Readings that tell nothing new take
the short way (`steady`), every other the way of `fold`.

Time. A reading not newer than the last one is dropped: a duplicate, or late. Three late ones in a row, each newer than the one before and
the first by more than SET_BACK behind, mean that the wall clock was set back: every instant in the state moves back with it, so that
nothing is negative and nothing comes twice; records already handed out keep their old stamps. A clock set forward looks like a gap and is
treated as one.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from gateway.instants import SECOND, Instant, after
from gateway.motors.budget import budget
from gateway.motors.drift_terms import DriftBreak
from gateway.motors.facts import Starter
from gateway.motors.fold import Fold
from gateway.motors.history import History
from gateway.motors.outlook import with_outlook
from gateway.motors.plain import Plain, from_plain, to_plain
from gateway.motors.reading import Reading
from gateway.motors.records import Budget, Event, Live, Pace, Start
from gateway.motors.starts import AT_REST, IN_START, Phase
from gateway.motors.steady import Steady
from gateway.motors.views import history_of, live_of
from gateway.motors.watch_state import WatchState

SET_BACK: Instant = 2 * SECOND
LATE_IN_A_ROW = 3
VERSION = 2
READ_VERSIONS = (1, VERSION)
"""What version 1 does not have begins as at a first reading: drift is learned anew, settings and phases are looked at from now on."""
_STARTING = IN_START | {Phase.SUSPECTED, Phase.LOST_STARTING}


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
        self._fold = Fold(starter, self._state)
        self._steady = Steady(self._state, starter)
        self.is_steady = False
        """The last reading told nothing new: the motor stands or runs as before, no bit changed, nothing is due."""

    def take(self, reading: Reading) -> tuple[Event, ...]:
        """Fold one reading; return what it made happen, in order."""
        self.is_steady = self._steady.takes(reading)
        if self.is_steady:
            return ()
        if not self._in_time(reading.at):
            return ()
        events = self._fold.take(reading)
        self._state.last = reading
        self._steady.arm(self.starter)
        return tuple(events)

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
        return history_of(self._state, self.starter, self._fold.model, self._fold.learned, at)

    def budget(self, at: Instant) -> Budget:
        """Return what all limits together say at `at` (not before the last reading)."""
        return budget(self.starter, self.history(at), at)

    def explained_budget(self, at: Instant) -> Budget:
        """Return the budget with what stands behind it: how it was decided, the heat to come, what a start would do."""
        return with_outlook(self.starter, self.history(at), self.budget(at))

    def starts_since(self, at: Instant, window_s: float = 3600.0) -> int:
        """Return how many starts began in the hour before `at`, one under way and those counted but not recognised included."""
        return sum(1 for mark in self.history(at).marks if after(at, -window_s) < mark.began_at <= at)

    def note(self, at: Instant, text: str) -> None:
        """Take in that somebody has worked on the machine: drift is learned anew. It counts from the next reading on."""
        self._state.drift.begin_anew(at, text)

    def drift_breaks(self) -> tuple[DriftBreak, ...]:
        """Return where the baselines of drift began anew, oldest first."""
        return tuple(self._state.drift.breaks)

    def live(self) -> Live:
        """Return what is known at the last reading: the row of the motors page. `last_start` comes without its curve."""
        return live_of(self._state, self.starter, self._fold.model)

    @property
    def pace(self) -> Pace:
        """How often the starter should be read now."""
        state, phase = self._state, self._state.recogniser.phase
        if phase in _STARTING or state.course.in_tail() or state.command_until is not None:
            return Pace.STARTING
        return Pace.STANDBY if phase in AT_REST else Pace.RUNNING

    def pending(self) -> tuple[Start, ...]:
        """Return starts that the device counted and that are not entered yet: they may still be recognised, else they will be unseen."""
        return self._state.ledger.pending()

    def heat_trail(self) -> tuple[tuple[Instant, float], ...]:
        """Return (instant, thermal capacity used) of the last hours: one a minute, and at the begin and end of starts."""
        return tuple(self._state.heat.trail)

    def snapshot(self) -> dict[str, Plain]:
        """Return the whole state as JSON-able data."""
        return {"version": VERSION, "state": to_plain(self._state)}

    @classmethod
    def restored(cls, starter: Starter, snapshot: Mapping[str, Any]) -> Watch:
        """Return a watch that goes on from a snapshot, of an earlier version too; ValueError for one of a later one."""
        if snapshot.get("version") not in READ_VERSIONS:
            raise ValueError(f"snapshot of version {snapshot.get('version')}, this program reads version {VERSION} and earlier")
        return cls(starter, from_plain(WatchState, snapshot["state"]))
