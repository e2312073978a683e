"""The weekly job: it comes round, notes how it went, and a fault is told and tried again."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator
from datetime import UTC, datetime

import pytest
import pytest_asyncio
from apscheduler.events import EVENT_JOB_EXECUTED

from gateway.clock import HandClock
from gateway.errors import StartledgerError
from gateway.instants import HOUR, Instant
from gateway.services.weekly import WEEKLY, Weekly

NOW = 1_773_324_720_000_000


class Work:
    """Work that says what it is told to say."""

    def __init__(self) -> None:
        self.asked_at: list[Instant] = []
        self.fault: Exception | None = None

    async def __call__(self, now: Instant) -> str:
        self.asked_at.append(now)
        if self.fault is not None:
            raise self.fault
        return "week written as pdf"


@pytest_asyncio.fixture
async def weekly() -> AsyncIterator[tuple[Weekly, Work, HandClock]]:
    work, clock = Work(), HandClock(NOW)
    made = Weekly(work, clock)
    yield made, work, clock
    made.stop()
    made.stop()
    await asyncio.sleep(0)  # the scheduler lets go of the loop on its next turn
    await asyncio.sleep(0)


async def test_a_turn_is_noted(weekly: tuple[Weekly, Work, HandClock]) -> None:
    made, work, clock = weekly
    await made.turn()
    job = made.jobs[WEEKLY]
    assert (job.last_run_at, job.last_result, job.failed) == (NOW, "week written as pdf", False)
    clock.jump(3600)
    await made.turn()
    assert work.asked_at == [NOW, NOW + HOUR]


@pytest.mark.parametrize("fault", [StartledgerError("/full/week.pdf cannot be written: no space"), OSError("the disk reports a fault")])
async def test_a_fault_is_told_and_tried_again(
    weekly: tuple[Weekly, Work, HandClock], fault: Exception, caplog: pytest.LogCaptureFixture
) -> None:
    made, work, _ = weekly
    caplog.set_level(logging.CRITICAL)
    work.fault = fault
    await made.turn()
    assert (made.jobs[WEEKLY].last_result, made.jobs[WEEKLY].failed) == (str(fault), True)
    work.fault = None
    await made.turn()
    assert made.jobs[WEEKLY].failed is False


async def test_the_scheduler_makes_the_turn_and_comes_round_every_hour(weekly: tuple[Weekly, Work, HandClock]) -> None:
    made, work, _ = weekly
    made.start()
    job = made._scheduler.get_job(WEEKLY)
    assert 0 < (job.next_run_time - datetime.now(UTC)).total_seconds() <= 60
    assert job.trigger.interval.total_seconds() == 3600
    assert (job.coalesce, job.max_instances, job.misfire_grace_time) == (True, 1, None)
    ended = asyncio.Event()
    made._scheduler.add_listener(lambda _: ended.set(), EVENT_JOB_EXECUTED)
    made._scheduler.modify_job(WEEKLY, next_run_time=datetime.now(UTC))
    async with asyncio.timeout(20):
        await ended.wait()
    assert work.asked_at == [NOW]
