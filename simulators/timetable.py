"""When what happens to a simulated starter: daily patterns with jitter, single events, and the same again for every run with the same seed.

Time is in seconds from the scenario's begin, which is midnight of its day 1.
"""

from __future__ import annotations

import heapq
import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from simulators.meter import uniform

DAY_S = 86400.0


class Action(StrEnum):
    """What can happen to a starter."""

    START = "start"
    STOP = "stop"
    """As the starter is set: a soft stop where it has one, else switching off."""
    SWITCH_OFF = "switch_off"
    TRIP = "trip"
    RESET = "reset"
    UNREACHABLE = "unreachable"
    REACHABLE = "reachable"
    FREEZE = "freeze"
    """The device's values stand still on the wire; the motor does not."""
    THAW = "thaw"
    SET_COUNTER = "set_counter"
    SWAP_WORDS = "swap_words"
    UNSWAP_WORDS = "unswap_words"
    OPEN_LINE = "open_line"
    """Line 1, 2 or 3 (the event's value) of the supply opens; a second one does not open as well."""
    CLOSE_LINE = "close_line"
    SAG = "sag"
    """The supply falls to the event's value x what it would be; 1 ends it."""
    RESTART = "restart"
    """The device boots: it answers nothing for a while, and a running motor is switched off."""


@dataclass(frozen=True, slots=True, order=True)
class Event:
    """One thing that happens."""

    at_s: float
    action: Action
    value: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DailyRuns:
    """Runs that come every day: the first at `first_s` after midnight, again every `every_s` until `last_s`, each `run_s` long.

    every_s None: one run a day. jitter_s: each start comes up to this much later, by the seed. days: days of each week of the scenario,
    1 to 7; empty for all.
    """

    first_s: float
    run_s: float
    every_s: float | None = None
    last_s: float = DAY_S
    jitter_s: float = 0.0
    days: frozenset[int] = frozenset()

    def runs(self, seed: int) -> Iterator[tuple[float, float, float]]:
        """Yield planned begin, begin and end of each run for ever [s]; nothing when no day of the week has one."""
        if self.first_s > min(self.last_s, DAY_S - 1.0) or (self.days and not self.days & set(range(1, 8))):
            return
        for day in itertools.count():
            if self.days and day % 7 + 1 not in self.days:
                continue
            for number in itertools.count():
                planned = self.first_s + number * (self.every_s or 0.0)
                if planned > self.last_s or planned >= DAY_S or (number and self.every_s is None):
                    break
                begin = day * DAY_S + planned
                late = self.jitter_s * uniform(seed, number, day)
                yield begin, begin + late, begin + late + self.run_s


class Timetable:
    """All events of one starter in order, made as time gets there.

    >>> table = Timetable(daily=(DailyRuns(first_s=3600.0, run_s=600.0),), seed=1)
    >>> [(event.at_s, event.action.value) for event in (table.pop(), table.pop(), table.pop())]
    [(3600.0, 'start'), (4200.0, 'stop'), (90000.0, 'start')]
    """

    def __init__(self, *, daily: tuple[DailyRuns, ...] = (), single: tuple[Event, ...] = (), seed: int = 0) -> None:
        self._queue = list(single)
        heapq.heapify(self._queue)
        # One run of each pattern lies ready, planned begin first; the next is made when this one's begin is taken.
        self._runs = [pattern.runs(seed * 1009 + index) for index, pattern in enumerate(daily)]
        self._ready: list[tuple[float, int, float, float]] = []
        for index in range(len(self._runs)):
            self._make_ready(index)

    def peek(self) -> Event | None:
        """Return the next event, None when nothing more will happen."""
        # Jitter only delays, so no run made later begins before the planned begin of one that lies ready.
        while self._ready and (not self._queue or self._ready[0][0] <= self._queue[0].at_s):
            _, index, begin_s, end_s = heapq.heappop(self._ready)
            heapq.heappush(self._queue, Event(begin_s, Action.START))
            heapq.heappush(self._queue, Event(end_s, Action.STOP))
            self._make_ready(index)
        return self._queue[0] if self._queue else None

    def pop(self) -> Event:
        """Take the next event; IndexError when there is none."""
        event = self.peek()
        if event is None:
            raise IndexError("no more events")
        return heapq.heappop(self._queue)

    def add(self, event: Event) -> None:
        """Let something more happen."""
        heapq.heappush(self._queue, event)

    def _make_ready(self, index: int) -> None:
        run = next(self._runs[index], None)
        if run is not None:
            planned_s, begin_s, end_s = run
            heapq.heappush(self._ready, (planned_s, index, begin_s, end_s))
