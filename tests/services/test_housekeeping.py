"""Old readings go, the log is emptied, and a jump of the clock stops no job."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace

import pytest
import pytest_asyncio
from apscheduler.events import EVENT_JOB_ERROR, EVENT_JOB_EXECUTED

from gateway.clock import HandClock
from gateway.services.housekeeping import CHECKPOINT, FORGET, Housekeeping
from gateway.store.batch import Batch
from gateway.store.database import Store, open_store
from gateway.store.readers import Readers
from gateway.store.writer import Writer
from tests.store.records import SECOND, T0, reading, start

DAY_S = 86_400


class Kept:
    """A store with its writer, and the housekeeping over them."""

    def __init__(self, folder: Path) -> None:
        self.clock = HandClock(T0 + 10 * DAY_S * SECOND)
        self.store: Store = open_store(f"sqlite:///{folder / 'ledger.db'}")
        self.writer = Writer(self.store, self.clock, commit_interval_s=3600.0)
        self.housekeeping = Housekeeping(self.store, self.writer, self.clock, keep_readings_days=3)


@pytest_asyncio.fixture
async def kept(tmp_path: Path) -> AsyncIterator[Kept]:
    kept = Kept(tmp_path)
    yield kept
    kept.housekeeping.stop()
    kept.housekeeping.stop()
    await asyncio.sleep(0)  # the scheduler lets go of the loop on its next turn
    await asyncio.sleep(0)
    kept.writer.close()
    kept.store.close()


async def test_readings_older_than_the_site_file_says_go_and_starts_stay(kept: Kept) -> None:
    kept.writer.put(Batch(starter="FAN-1", readings=tuple(reading(day * DAY_S / 2) for day in range(20)), starts=(start(1),)))
    assert await kept.housekeeping.forget_old_readings() == "14 readings and 0 chunks let go"
    assert await kept.housekeeping.forget_old_readings() == "0 readings and 0 chunks let go"
    readers = Readers(kept.store)
    assert min(found.at for _, _, found in readers.readings_after(0)) == T0 + 7 * DAY_S * SECOND
    assert readers.start("FAN-1", 1) == start(1)


async def test_the_log_is_emptied(kept: Kept) -> None:
    kept.writer.put(Batch(starter="FAN-1", readings=(reading(1),)))
    kept.writer.flush()
    assert kept.store.sizes()[1] > 0
    assert await kept.housekeeping.checkpoint() == "log emptied"
    assert kept.store.sizes()[1] == 0


async def test_jobs_run_by_the_scheduler_and_their_results_are_noted(kept: Kept) -> None:
    kept.housekeeping.start()
    await _run_now(kept, CHECKPOINT)
    job = kept.housekeeping.jobs[CHECKPOINT]
    assert (job.last_result, job.failed, job.last_run_at) == ("log emptied", False, kept.clock.now())
    assert kept.housekeeping.jobs[FORGET].last_run_at is None


async def test_a_job_that_fails_is_noted_and_comes_again(
    kept: Kept, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    async def broken() -> str:
        raise OSError("the disk reports a fault")

    monkeypatch.setattr(kept.housekeeping, "checkpoint", broken)
    kept.housekeeping.start()
    caplog.set_level(logging.CRITICAL, logger="apscheduler")
    await _run_now(kept, CHECKPOINT)
    job = kept.housekeeping.jobs[CHECKPOINT]
    assert (job.last_result, job.failed) == ("the disk reports a fault", True)
    assert kept.housekeeping._scheduler.get_job(CHECKPOINT) is not None


async def test_jobs_are_in_utc_come_once_after_a_delay_and_are_not_dropped_for_being_late(kept: Kept) -> None:
    kept.housekeeping.start()
    for job in kept.housekeeping._scheduler.get_jobs():
        assert job.next_run_time.tzinfo is UTC
        assert (job.coalesce, job.max_instances, job.misfire_grace_time) == (True, 1, 300)


async def test_a_skipped_turn_is_counted(kept: Kept) -> None:
    kept.housekeeping._note_skipped(SimpleNamespace(job_id=FORGET))
    assert kept.housekeeping.jobs[FORGET].skipped == 1


@pytest.mark.parametrize("jump_s", [-3600.0, 3600.0])
async def test_after_a_jump_of_the_clock_the_intervals_are_counted_anew(
    kept: Kept, jump_s: float, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.WARNING)
    kept.housekeeping.start()
    scheduler = kept.housekeeping._scheduler
    far = datetime.now(UTC) + timedelta(hours=1)
    scheduler.modify_job(CHECKPOINT, next_run_time=far)  # where a clock set back leaves it
    await kept.clock.turn(60)
    assert scheduler.get_job(CHECKPOINT).next_run_time == far
    kept.clock.jump(jump_s)
    await kept.clock.turn(10)
    assert scheduler.get_job(CHECKPOINT).next_run_time < far - timedelta(minutes=50)
    assert f"jumped by {jump_s:.1f} s" in caplog.text
    await kept.clock.turn(60)
    assert caplog.text.count("jumped by") == 1


async def _run_now(kept: Kept, name: str) -> None:
    """Have the scheduler run a job now and wait until its end is noted."""
    ended = asyncio.Event()
    kept.housekeeping._scheduler.add_listener(lambda _: ended.set(), EVENT_JOB_EXECUTED | EVENT_JOB_ERROR)
    kept.housekeeping._scheduler.modify_job(name, next_run_time=datetime.now(UTC))
    async with asyncio.timeout(20):
        await ended.wait()
