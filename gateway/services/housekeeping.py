"""Housekeeping: compacts raw readings, lets old ones go and empties the write-ahead log, by APScheduler in UTC. Nothing that has to be on
time is done here: polling has its own monotonic schedule.

The scheduler goes by the wall clock, so that a clock set back by an hour would stop its jobs for an hour. `watch_clock` compares the two
clocks and, after a jump, counts the jobs' intervals anew. """

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Concatenate, ParamSpec, TypeVar

from apscheduler.events import EVENT_JOB_ERROR, EVENT_JOB_EXECUTED, EVENT_JOB_MAX_INSTANCES, EVENT_JOB_MISSED, JobEvent
from apscheduler.schedulers.asyncio import AsyncIOScheduler
from apscheduler.triggers.interval import IntervalTrigger
from sqlalchemy import Connection

from gateway.clock import Clock
from gateway.instants import HOUR, SECOND, Instant
from gateway.services.health import JobHealth
from gateway.store import compaction, engines
from gateway.store.database import Store
from gateway.store.readers import Readers
from gateway.store.retention import forget_chunks, forget_readings
from gateway.store.writer import Writer

log = logging.getLogger(__name__)

CHECKPOINT = "empty the write-ahead log"
COMPACT = "compact readings"
FORGET = "let old readings go"
CHECKPOINT_INTERVAL_S = 60
COMPACT_INTERVAL_S = 300
FORGET_INTERVAL_S = 3600
FIRST_FORGET_S = 120
GRACE_S = 300
LOOK_INTERVAL_S = 10.0
JUMP_S = 5.0
MOST_PORTIONS = 200
"""Of readings let go at one turn: with an hour of readings each more than a week, and no turn without end."""

P = ParamSpec("P")
T = TypeVar("T")
_DAY = 24 * HOUR


class Housekeeping:
    """The jobs of a running gateway. `jobs` tells how each is doing."""

    def __init__(self, store: Store, writer: Writer, clock: Clock, *, keep_readings_days: int) -> None:
        self._store = store
        self._writer = writer
        self._clock = clock
        # A day at least: recovery needs the readings since the last snapshots, some minutes.
        self._keep = max(1, keep_readings_days) * _DAY
        self._scheduler = AsyncIOScheduler(timezone=UTC, job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": GRACE_S})
        self._watching: asyncio.Task[None] | None = None
        self._readers = Readers(store)
        self._intervals = {CHECKPOINT: CHECKPOINT_INTERVAL_S, COMPACT: COMPACT_INTERVAL_S, FORGET: FORGET_INTERVAL_S}
        self.jobs: dict[str, JobHealth] = {name: JobHealth(name=name) for name in self._intervals}

    def start(self) -> None:
        """Start the jobs; call it in the event loop."""
        works: dict[str, Callable[[], Awaitable[str]]] = {
            CHECKPOINT: self.checkpoint,
            COMPACT: self.compact,
            FORGET: self.forget_old_readings,
        }
        for name, work in works.items():
            self._scheduler.add_job(work, IntervalTrigger(seconds=self._intervals[name], timezone=UTC), id=name, name=name)
        self._scheduler.modify_job(FORGET, next_run_time=datetime.now(UTC) + timedelta(seconds=FIRST_FORGET_S))
        self._scheduler.add_listener(self._note_skipped, EVENT_JOB_MISSED | EVENT_JOB_MAX_INSTANCES)
        self._scheduler.add_listener(self._note_failed, EVENT_JOB_ERROR)
        self._scheduler.add_listener(self._note_done, EVENT_JOB_EXECUTED)
        self._scheduler.start()
        self._watching = asyncio.create_task(self.watch_clock(), name="clock watch")

    def stop(self) -> None:
        """End the jobs; they let go of the event loop on its next turn. A second call does nothing."""
        if self._watching is not None:
            self._watching.cancel()
            self._watching = None
            self._scheduler.shutdown(wait=False)

    async def checkpoint(self) -> str:
        """Empty the write-ahead log; return what happened."""
        return await asyncio.wrap_future(self._writer.run_outside(engines.checkpoint))

    async def compact(self) -> str:
        """Compact the readings that are due; return how many that were.

        Chunks are prepared by a thread that only reads; the writer adds them, a portion a transaction, and its commits of new readings come
        between.
        """
        now, done, after_id = self._clock.now(), 0, 0
        while (window := await self._read(compaction.next_window, now, after_id)) is not None:
            for group in await self._read(compaction.groups, window):
                portion = await self._read(compaction.prepare, window, group)
                done += await self._write(compaction.keep_portion, portion)
            while await self._write(compaction.drop_compacted, window):
                pass
            after_id = window.last_id
        return f"{done} readings compacted"

    async def forget_old_readings(self) -> str:
        """Let readings go that are older than the site file says; return how many went. Starts and their curves stay for ever.

        In portions with commits between them, so that what is read meanwhile is not held up.
        """
        before = self._clock.now() - self._keep
        gone = [await self._forget(forget, before) for forget in (forget_readings, forget_chunks)]
        return f"{gone[0]} readings and {gone[1]} chunks let go"

    async def _forget(self, forget: Callable[[Connection, Instant], int], before: Instant) -> int:
        gone = 0
        for _ in range(MOST_PORTIONS):
            portion = await self._write(forget, before)
            gone += portion
            if not portion:
                break
        return gone

    async def _read(self, work: Callable[Concatenate[Connection, P], T], *args: P.args, **kwargs: P.kwargs) -> T:
        def looked() -> T:
            with self._readers.reading() as connection:
                return work(connection, *args, **kwargs)

        return await asyncio.to_thread(looked)

    async def _write(self, work: Callable[Concatenate[Connection, P], T], *args: P.args, **kwargs: P.kwargs) -> T:
        return await asyncio.wrap_future(self._writer.run(lambda connection: work(connection, *args, **kwargs)))

    async def watch_clock(self) -> None:
        """Look at the clocks for ever; after a jump of the wall clock count the jobs' intervals anew."""
        wall, steady_s = self._clock.now(), self._clock.monotonic()
        while True:
            await self._clock.sleep(LOOK_INTERVAL_S)
            wall_now, steady_now_s = self._clock.now(), self._clock.monotonic()
            jump_s = (wall_now - wall) / SECOND - (steady_now_s - steady_s)
            wall, steady_s = wall_now, steady_now_s
            if abs(jump_s) > JUMP_S:
                log.warning("the clock of this machine jumped by %.1f s", jump_s)
                for name, interval_s in self._intervals.items():
                    self._scheduler.reschedule_job(name, trigger=IntervalTrigger(seconds=interval_s, timezone=UTC))

    def _note_done(self, event: JobEvent) -> None:
        text = f"{event.retval}"
        self.jobs[event.job_id] = replace(self.jobs[event.job_id], last_run_at=self._clock.now(), last_result=text, failed=False)

    def _note_failed(self, event: JobEvent) -> None:
        text = f"{event.exception}"
        log.error("%s: %s", event.job_id, text)
        self.jobs[event.job_id] = replace(self.jobs[event.job_id], last_run_at=self._clock.now(), last_result=text, failed=True)

    def _note_skipped(self, event: JobEvent) -> None:
        log.warning("%s: a turn was skipped", event.job_id)
        self.jobs[event.job_id] = replace(self.jobs[event.job_id], skipped=self.jobs[event.job_id].skipped + 1)
