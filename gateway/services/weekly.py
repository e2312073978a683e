"""The weekly job of the reports, by APScheduler. It comes round every hour and asks for what is due: a week whose report is there already
costs nothing, and one that ended while the gateway was down, or while the clock jumped, is made up for within the hour.
"""

from __future__ import annotations

import logging
from collections.abc import Awaitable, Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from apscheduler.schedulers.asyncio import AsyncIOScheduler
from apscheduler.triggers.interval import IntervalTrigger

from gateway.clock import Clock
from gateway.errors import StartledgerError
from gateway.instants import Instant
from gateway.services.health import JobHealth

log = logging.getLogger(__name__)

WEEKLY = "write the weekly report"
INTERVAL_S = 3600
FIRST_S = 60
Work = Callable[[Instant], Awaitable[str]]
"""Writes what is due at an instant and returns what it did."""


class Weekly:
    """The job of a running gateway; `jobs` tells how it is doing."""

    def __init__(self, work: Work, clock: Clock) -> None:
        self._work = work
        self._clock = clock
        self._scheduler = AsyncIOScheduler(timezone=UTC, job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": None})
        self._started = False
        self.jobs: dict[str, JobHealth] = {WEEKLY: JobHealth(name=WEEKLY)}

    def start(self) -> None:
        """Start the job; call it in the event loop."""
        first = datetime.now(UTC) + timedelta(seconds=FIRST_S)
        trigger = IntervalTrigger(seconds=INTERVAL_S, timezone=UTC)
        self._scheduler.add_job(self.turn, trigger, id=WEEKLY, name=WEEKLY, next_run_time=first)
        self._scheduler.start()
        self._started = True

    def stop(self) -> None:
        """End the job; it lets go of the event loop on its next turn. A second call does nothing."""
        if self._started:
            self._started = False
            self._scheduler.shutdown(wait=False)

    async def turn(self) -> None:
        """Write what is due and note how it went: a folder that cannot be written is told on the health page, and tried again."""
        now = self._clock.now()
        try:
            result, failed = await self._work(now), False
        except (StartledgerError, OSError) as error:
            result, failed = str(error), True
            log.error("%s: %s", WEEKLY, error)
        self.jobs[WEEKLY] = replace(self.jobs[WEEKLY], last_run_at=now, last_result=result, failed=failed)
