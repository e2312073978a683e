"""The course of one motor: from what the recogniser says happened (`Action`) to records of starts and stops."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from statistics import median

from gateway.instants import SECOND, Instant, seconds_between
from gateway.motors.facts import Starter
from gateway.motors.ledger import Ledger
from gateway.motors.recogniser import Ramp
from gateway.motors.records import Event, Outcome, StartBegan, StartEnded, Stop, StopEnded, StopKind, UnseenStarts
from gateway.motors.signs import Signs
from gateway.motors.start_figures import Sample, begin_edge
from gateway.motors.start_supply import CommandEdge
from gateway.motors.starts import Action
from gateway.motors.under_way import TAIL_S, UnderWay, found, suspected

LEVELS = 40
"""So many currents of the run, one a second at most, are looked at to tell a soft stop by its rise."""
MOST_RUNS = 10
"""So many runs are kept, to know the present duty."""
EASE_RISE = 1.25
EASED_FROM_S = 30.0
"""A soft stop shows as a current that, so long before off at most, rises to `EASE_RISE` times what it was and is still up; own choice."""


@dataclass(frozen=True, slots=True)
class Moment:
    """One reading that means something: what it says, the reading before, and what else the records need."""

    starter: Starter
    ledger: Ledger
    signs: Signs
    sample: Sample
    before: Sample
    """Last usable reading before this one, the same where there is none."""
    before_at: Instant | None
    heat_before: float
    heat: float
    trip_code: int | None
    ramp: Ramp
    gap: bool
    volts: float | None = None
    """Supply voltage as last read before this reading."""
    command_edge: CommandEdge | None = None


@dataclass(slots=True)
class Course:
    """The start under way, the run, the stop under way.

    off_at: first reading of the present standstill, None while the motor is on.
    off_edge: where between two readings the motor went off.
    levels: (instant, current x FLC) of the run, for telling a soft stop.
    runs: (length from the begin of the start [s], current x FLC) of the last runs.
    """

    under_way: UnderWay | None = None
    run_began_at: Instant | None = None
    running: bool = False
    ease_at: Instant | None = None
    off_at: Instant | None = None
    off_edge: Instant | None = None
    levels: list[tuple[Instant, float]] = field(default_factory=list)
    runs: list[tuple[float, float]] = field(default_factory=list)

    def take_off(self, signs: Signs, before_at: Instant | None, starter: Starter) -> None:
        """Note when the motor went off."""
        off = signs.running is False or (not signs.running and signs.ratio is not None and signs.ratio < starter.thresholds.off_ratio)
        if not off:
            if signs.running or signs.ratio is not None:
                self.off_at = self.off_edge = None
        elif self.off_at is None:
            self.off_at = signs.at
            self.off_edge = signs.at if before_at is None else (before_at + signs.at) // 2

    def open_start(self) -> UnderWay:
        """Return the start under way; ValueError when there is none, which the table rules out where this is asked."""
        if self.under_way is None:
            raise ValueError("no start is under way")
        return self.under_way

    def gather(self, sample: Sample, starter: Starter) -> None:
        """Keep the sample of a start under way."""
        self.open_start().add(sample, starter)

    def restarted(self, at: Instant) -> None:
        """Note that the motor was started unseen, at `at` at the latest: if it is off, it went off no earlier."""
        if self.off_at is not None and self.off_at < at:
            self.off_at = self.off_edge = at

    def act(self, action: Action, moment: Moment) -> list[Event]:
        """Carry out one action; return the events that it makes."""
        return _DEEDS[action](self, moment)

    def tail(self, at: Instant, starter: Starter, ledger: Ledger) -> list[Event]:
        """Return the finished start once more when its tail is complete."""
        start = self.under_way
        if start is None or start.ended is None or start.tail_told or seconds_between(start.ended.at, at) <= TAIL_S:
            return []
        start.tail_told = True
        return self._told(at, starter, ledger)

    def in_tail(self) -> bool:
        """Return True while a start that reached speed is still sampled fast."""
        return self.under_way is not None and self.under_way.ended is not None and not self.under_way.tail_told

    def level(self, at: Instant, ratio: float) -> None:
        """Keep a current of the run, one a second at most."""
        if at >= self.level_due_at():
            self.levels.append((at, ratio))
            if len(self.levels) > 2 * LEVELS:
                del self.levels[:LEVELS]

    def level_due_at(self) -> Instant:
        """Return when the next current of the run is wanted."""
        return self.levels[-1][0] + SECOND if self.levels else 0

    def _told(self, at: Instant, starter: Starter, ledger: Ledger) -> list[Event]:
        record = self.open_start().record(starter, at)
        ledger.end(record)
        return [StartEnded(at=at, start=record)]

    def suspect(self, moment: Moment) -> list[Event]:
        self.under_way = suspected(moment.before, moment.sample, moment.signs.exact, moment.starter)
        self.under_way.heat_before = moment.heat_before
        self.under_way.volts_before = moment.volts
        return []

    def dismiss(self, moment: Moment) -> list[Event]:
        self.under_way = None
        return []

    def begin(self, moment: Moment) -> list[Event]:
        start = self.open_start()
        start.number = moment.ledger.begin(start.began.at)
        start.command_edge = moment.command_edge
        return [StartBegan(at=start.began.at, number=start.number)]

    def find(self, moment: Moment) -> list[Event]:
        self.under_way = found(moment.before_at, moment.sample, moment.starter)
        return self.begin(moment)

    def bridge(self, moment: Moment) -> list[Event]:
        """Nothing to do: the sample of the gap has marked the change-over."""
        return []

    def resume(self, moment: Moment) -> list[Event]:
        self.open_start().missing = True
        return []

    def end(self, moment: Moment) -> list[Event]:
        start = self.open_start()
        start.outcome, start.ended = Outcome.AT_SPEED, start.end_edge(moment.ramp, moment.starter)
        self._run_from(start.began.at)
        return self._closed(moment)

    def end_unseen(self, moment: Moment) -> list[Event]:
        self.resume(moment)
        return self.end(moment)

    def _closed(self, moment: Moment) -> list[Event]:
        self.open_start().heat_after = moment.heat
        return self._told(moment.signs.at, moment.starter, moment.ledger)

    def reopen(self, moment: Moment) -> list[Event]:
        start = self.open_start()
        start.ended, start.tail_told = None, False
        self.running = False
        return []

    def stall(self, moment: Moment) -> list[Event]:
        start = self.open_start()
        if start.stalled:
            return []
        start.stalled, start.outcome = True, Outcome.STALLED
        return self._closed(moment)

    def abort(self, moment: Moment) -> list[Event]:
        return self._broken_off(Outcome.ABORTED, moment)

    def abort_unseen(self, moment: Moment) -> list[Event]:
        self.resume(moment)
        return self._broken_off(Outcome.ABORTED, moment)

    def trip_start(self, moment: Moment) -> list[Event]:
        start = self.open_start()
        start.trip_code = moment.trip_code
        start.missing = start.missing or moment.gap
        return self._broken_off(Outcome.TRIPPED, moment)

    def _broken_off(self, outcome: Outcome, moment: Moment) -> list[Event]:
        start = self.open_start()
        off_at = self.off_at if self.off_at is not None else moment.signs.at
        last_on_at = max((sample.at for sample in start.samples if sample.at < off_at), default=start.began.at)
        start.outcome = outcome
        start.ended = begin_edge(last_on_at, off_at, False, moment.starter.signals.update_time_s)
        events = self._closed(moment)
        self.under_way = None
        return events

    def file(self, moment: Moment) -> list[Event]:
        events = [] if not self.in_tail() else self._told(moment.signs.at, moment.starter, moment.ledger)
        self.under_way = None
        return events

    def _run_from(self, began_at: Instant | None) -> None:
        self.running, self.run_began_at, self.ease_at = True, began_at, None
        self.levels = []

    def run_found(self, moment: Moment) -> list[Event]:
        self._run_from(None)
        return []

    def miss(self, moment: Moment) -> list[Event]:
        from_at = moment.signs.at if moment.before_at is None else moment.before_at
        return [UnseenStarts(at=moment.signs.at, starts=(moment.ledger.miss(from_at, moment.signs.at),))]

    def ease(self, moment: Moment) -> list[Event]:
        before_at = moment.signs.at if moment.before_at is None else moment.before_at
        self.ease_at = (before_at + moment.signs.at) // 2
        return []

    def stay(self, moment: Moment) -> list[Event]:
        self.ease_at = None
        return []

    def stop(self, moment: Moment) -> list[Event]:
        eased_at = self._eased_at()
        return self._stopped(StopKind.COAST if eased_at is None else StopKind.SOFT_STOP, eased_at, moment)

    def stop_eased(self, moment: Moment) -> list[Event]:
        return self._stopped(StopKind.SOFT_STOP, self.ease_at, moment)

    def stop_tripped(self, moment: Moment) -> list[Event]:
        return self._stopped(StopKind.TRIP, None, moment)

    def stop_unseen(self, moment: Moment) -> list[Event]:
        return self._stopped(StopKind.UNSEEN, None, moment)

    def _stopped(self, kind: StopKind, eased_at: Instant | None, moment: Moment) -> list[Event]:
        events = self.file(moment)
        if self.running:
            at, before_at = moment.signs.at, moment.before_at
            off_at = self.off_edge if self.off_edge is not None else at if before_at is None else (before_at + at) // 2
            stop = Stop(
                began_at=off_at if eased_at is None else min(eased_at, off_at),
                ended_at=off_at,
                kind=kind,
                run_began_at=self.run_began_at,
                trip_code=moment.trip_code if kind is StopKind.TRIP else None,
            )
            events.append(StopEnded(at=at, stop=stop))
            if kind is not StopKind.UNSEEN and self.run_began_at is not None and self.levels:
                run = seconds_between(self.run_began_at, off_at), median(ratio for _, ratio in self.levels)
                self.runs = [*self.runs, run][-MOST_RUNS:]
        self.running, self.run_began_at, self.ease_at = False, None, None
        self.levels = []
        return events

    def _eased_at(self) -> Instant | None:
        """Return where the current began to rise before it went off, None when it did not: a soft stop that no bit tells of."""
        levels = self.levels[-LEVELS:]
        if len(levels) < 4:
            return None
        last_at, last = levels[-1]
        base = median(ratio for _, ratio in levels[: max(1, len(levels) // 4)])
        rising = [at for at, ratio in levels if ratio > 1.05 * base and seconds_between(at, last_at) <= EASED_FROM_S]
        highest = max(ratio for _, ratio in levels)
        if highest < EASE_RISE * base or last < 0.5 * (1.0 + EASE_RISE) * base or len(rising) < 2:
            return None
        return rising[0]

    def shift(self, by_us: int) -> None:
        """Move every instant, after the wall clock was set."""
        for name in ("run_began_at", "ease_at", "off_at", "off_edge"):
            at = getattr(self, name)
            if at is not None:
                setattr(self, name, at + by_us)
        self.levels = [(at + by_us, ratio) for at, ratio in self.levels]
        if self.under_way is not None:
            self.under_way.shift(by_us)


Deed = Callable[[Course, Moment], list[Event]]

_DEEDS: dict[Action, Deed] = {
    Action.SUSPECT: Course.suspect,
    Action.DISMISS: Course.dismiss,
    Action.BEGIN: Course.begin,
    Action.BRIDGE: Course.bridge,
    Action.FIND: Course.find,
    Action.RESUME: Course.resume,
    Action.END: Course.end,
    Action.END_UNSEEN: Course.end_unseen,
    Action.REOPEN: Course.reopen,
    Action.STALL: Course.stall,
    Action.ABORT: Course.abort,
    Action.ABORT_UNSEEN: Course.abort_unseen,
    Action.TRIP_START: Course.trip_start,
    Action.FILE: Course.file,
    Action.RUN_FOUND: Course.run_found,
    Action.MISS: Course.miss,
    Action.EASE: Course.ease,
    Action.STAY: Course.stay,
    Action.STOP: Course.stop,
    Action.STOP_EASED: Course.stop_eased,
    Action.STOP_TRIPPED: Course.stop_tripped,
    Action.STOP_UNSEEN: Course.stop_unseen,
}
