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

    def runs_of_day(self, day: int, seed: int) -> Iterator[tuple[float, float]]:
        """Yield begin and end of the runs of a day (0 the first) [s]."""
        if self.days and day % 7 + 1 not in self.days:
            return
        for number in itertools.count():
            planned = self.first_s + number * (self.every_s or 0.0)
            if planned > self.last_s or planned >= DAY_S:
                return
            begin = day * DAY_S + planned + self.jitter_s * uniform(seed, number, day)
            yield begin, begin + self.run_s
            if self.every_s is None:
                return


class Timetable:
    """All events of one starter in order, made day by day as time gets there.

    >>> table = Timetable(daily=(DailyRuns(first_s=3600.0, run_s=600.0),), seed=1)
    >>> [(event.at_s, event.action.value) for event in (table.pop(), table.pop(), table.pop())]
    [(3600.0, 'start'), (4200.0, 'stop'), (90000.0, 'start')]
    """

    def __init__(self, *, daily: tuple[DailyRuns, ...] = (), single: tuple[Event, ...] = (), seed: int = 0) -> None:
        self._daily = daily
        self._seed = seed
        self._queue = list(single)
        heapq.heapify(self._queue)
        self._next_day = 0

    def peek(self) -> Event | None:
        """Return the next event, None when nothing more will happen."""
        if self._daily:
            while not self._queue or self._queue[0].at_s >= self._next_day * DAY_S:
                self._fill(self._next_day)
                self._next_day += 1
                if self._next_day > 3660 and not self._queue:
                    return None
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

    def _fill(self, day: int) -> None:
        for index, pattern in enumerate(self._daily):
            for begin_s, end_s in pattern.runs_of_day(day, self._seed * 1009 + index):
                heapq.heappush(self._queue, Event(begin_s, Action.START))
                heapq.heappush(self._queue, Event(end_s, Action.STOP))
