"""The poller: one worker a link, a supervisor over each. A worker owns its link, keeps it open, gives the starters behind it their turns
and hands on what they bring. No link waits for another.

While a link is closed the starters behind it still have their turns at their standby pace: each brings a reading that says why there is
nothing, so that time and quality go on and one state, no data, follows from it.
"""

from __future__ import annotations

import asyncio
import logging
import random
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Protocol

from gateway.clock import Clock
from gateway.drivers.backoff import next_delay_s
from gateway.drivers.base import Link, Poll
from gateway.motors.records import Pace
from gateway.services.health import LinkLog
from gateway.services.turns import Turn, Turns, next_deadline, phase
from gateway.services.wakes import EARLY_S, Wakes, on_grid
from gateway.site import Paces

log = logging.getLogger(__name__)

RESTART_DELAY_S = 1.0
CLOSE_TIMEOUT_S = 3.0


class Taker(Protocol):
    """Where polls go: the pipeline."""

    def take(self, starter: str, poll: Poll) -> Pace:
        """Take what a turn brought; return the pace at which the starter should now be read."""
        ...

    def pace(self, starter: str) -> Pace:
        """Return the pace at which a starter should be read."""
        ...


@dataclass(frozen=True, slots=True)
class Polled:
    """One starter to be polled, and its paces. is_watched: its map marks signals `pace: watch`, which are looked at while it stands."""

    starter: str
    paces: Paces
    is_watched: bool = False


class Worker:
    """Polls the starters behind one link, for ever."""

    def __init__(
        self,
        link: Link,
        polled: Sequence[Polled],
        taker: Taker,
        clock: Clock,
        wakes: Wakes,
        *,
        first_place: int = 0,
        jitter: Callable[[], float],
    ) -> None:
        self.link = link
        self.log = LinkLog(link.address, tuple(each.starter for each in polled))
        self._taker = taker
        self._clock = clock
        self._wakes = wakes
        self._jitter = jitter
        self._paces = {each.starter: each.paces for each in polled}
        self._watched = {each.starter for each in polled if each.is_watched and each.paces.watch_s < each.paces.standby_s}
        now_s = clock.monotonic()
        first = [(each, on_grid(now_s + phase(first_place + place) * each.paces.standby_s)) for place, each in enumerate(polled)]
        # The first turn reads the slow signals too: from then on every signal has a value or a reason.
        self._turns = Turns(Turn(each.starter, due_s, due_s) for each, due_s in first)
        self._open_due_s = now_s
        self._has_brought = False
        self._was_open = False
        self.is_ending = False
        """Set before the cancellation: a library may swallow that when a reply comes in at the same moment."""

    async def run(self) -> None:
        """Take turn after turn until `is_ending`, a cancellation or a fault of the program."""
        while not self.is_ending:
            turn = self._turns.next(self._clock.monotonic())
            await self._wait_for(turn)
            if not self.link.is_open and self._clock.monotonic() + EARLY_S >= self._open_due_s:
                self._note_loss()
                await self._open()
            now_s = self._clock.monotonic()
            turn = self._turns.next(now_s + EARLY_S)
            if turn.due_s <= now_s + EARLY_S:
                await self._take(turn, now_s)

    async def _wait_for(self, turn: Turn) -> None:
        """Wait for a deadline, or for the moment to open the link when that comes first."""
        while True:
            until_s = turn.due_s if self.link.is_open else min(turn.due_s, self._open_due_s)
            if until_s - self._clock.monotonic() <= EARLY_S:
                return
            await self._wakes.until(until_s)

    def _note_loss(self) -> None:
        """Note a connection that was closed between two turns: no poll tells of it."""
        if self._was_open:
            self.log.note_loss()

    async def _open(self) -> None:
        self._has_brought = False
        fault = await self.link.open()
        self._was_open = self.log.is_open = self.link.is_open
        self.log.note_opening(fault)
        if fault is not None:
            self._note_failure()

    async def _take(self, turn: Turn, began_s: float) -> None:
        is_slow = began_s + EARLY_S >= turn.slow_due_s
        was_open = self.link.is_open
        pace = self._taker.pace(turn.name)
        is_look = (
            bool(self._watched)
            and was_open
            and turn.name in self._watched
            and pace is Pace.STANDBY
            and not is_slow
            and began_s + EARLY_S < turn.full_due_s
        )
        try:
            poll = await self.link.poll(turn.name, Pace.SLOW if is_slow else Pace.WATCH if is_look else pace)
            if poll.faults and self.link.is_open and any(fault.breaks_link for fault in poll.faults):
                await self.link.close()
            self._note_link(poll, was_open)
            self.log.note_poll(turn.name, poll, max(0.0, began_s - turn.due_s), self._clock.now(), was_open=was_open)
            self.log.notes = self.link.notes
            if not poll.is_unchanged:
                pace = self._taker.take(turn.name, poll)
                turn.full_due_s = began_s + self._paces[turn.name].standby_s
        finally:
            # Also after a fault of the program, or its starter would be the first in line for ever.
            self._set_next(turn, pace, is_slow=is_slow and was_open)

    def _set_next(self, turn: Turn, pace: Pace, *, is_slow: bool) -> None:
        paces, now_s = self._paces[turn.name], self._clock.monotonic()
        is_open = self.link.is_open
        if not is_open:
            pace = Pace.STANDBY
        if is_slow:
            turn.slow_due_s, _ = next_deadline(turn.slow_due_s, now_s, paces.slow_s)
        standby_s = paces.watch_s if is_open and turn.name in self._watched else paces.standby_s
        interval_s = paces.running_s if pace is Pace.RUNNING else paces.starting_s if pace is Pace.STARTING else standby_s
        self.log.missed += self._turns.done(turn, now_s, interval_s=interval_s, is_urgent=pace is Pace.STARTING)

    def _note_link(self, poll: Poll, was_open: bool) -> None:
        if poll.readings[-1].has_data or any(reading.has_data for reading in poll.readings):
            self._has_brought = True
            self.log.failures = 0
        self._was_open = self.log.is_open = is_open = self.link.is_open
        if was_open and not is_open:
            if self._has_brought:
                self._open_due_s = self._clock.monotonic()
            else:
                self._note_failure()

    def _note_failure(self) -> None:
        """Count an attempt that brought nothing, be it that the link did not open or that nobody behind it answered, and set the next."""
        self.log.failures += 1
        self._open_due_s = self._clock.monotonic() + next_delay_s(self.log.failures, self._jitter())


class Poller:
    """All workers of a site, started and stopped together."""

    def __init__(
        self,
        links: Sequence[tuple[Link, Sequence[Polled]]],
        taker: Taker,
        clock: Clock,
        jitter: Callable[[], float] = random.random,
    ) -> None:
        self._clock = clock
        self._wakes = Wakes(clock)
        self._workers: list[Worker] = []
        place = 0
        for link, polled in links:
            self._workers.append(Worker(link, polled, taker, clock, self._wakes, first_place=place, jitter=jitter))
            place += len(polled)
        self._tasks: list[asyncio.Task[None]] = []

    @property
    def logs(self) -> tuple[LinkLog, ...]:
        """Return what each worker notes about its link."""
        return tuple(worker.log for worker in self._workers)

    def start(self) -> None:
        """Start polling; call it in the event loop."""
        self._tasks = [asyncio.create_task(self._supervise(worker), name=f"poll {worker.link.address}") for worker in self._workers]

    async def stop(self) -> None:
        """Stop polling and close every link, within seconds. A second call does nothing."""
        tasks, self._tasks = self._tasks, []
        for worker in self._workers:
            worker.is_ending = True
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        await self._wakes.stop()
        await asyncio.gather(*(self._close(worker) for worker in self._workers))

    async def _supervise(self, worker: Worker) -> None:
        while not worker.is_ending:
            try:
                await worker.run()
            except Exception:  # one fault of the program must not end the reading of a link without a trace
                worker.log.restarts += 1
                log.exception("%s: the worker failed and is started again", worker.link.address)
            await self._close(worker)
            if not worker.is_ending:
                await self._clock.sleep(RESTART_DELAY_S)

    @staticmethod
    async def _close(worker: Worker) -> None:
        with suppress(TimeoutError):
            await asyncio.wait_for(worker.link.close(), CLOSE_TIMEOUT_S)
        worker.log.is_open = False
