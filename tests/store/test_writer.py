"""The writer stores what it is given, outlives every fault of the store without a restart, and never stores twice."""

from __future__ import annotations

import logging
import sqlite3
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Connection, event, func, select
from sqlalchemy.exc import OperationalError

from gateway.clock import HandClock
from gateway.motors.records import CounterReset, GapEnded, UnseenStarts
from gateway.store import engines
from gateway.store.batch import Batch, SettingsChange, Snapshot
from gateway.store.database import Store
from gateway.store.faults import StoreFaultKind
from gateway.store.readers import Readers
from gateway.store.tables import blocks, readings, snapshots
from gateway.store.writer import Writer
from tests.store.records import SECOND, T0, alert, reading, start, stop


@pytest.fixture
def make_writer(store: Store) -> Iterator[Callable[..., Writer]]:
    made: list[Writer] = []

    def make(**settings: Any) -> Writer:
        # Nothing is committed but on `flush`, so that the tests do not depend on time.
        made.append(Writer(store, HandClock(T0), **({"commit_interval_s": 3600.0} | settings)))
        return made[-1]

    yield make
    for writer in made:
        writer.close()


def _count(store: Store) -> int:
    with store.reading.begin() as connection:
        return connection.scalar(select(func.count()).select_from(readings)) or 0


def test_what_is_put_is_stored_with_the_next_commit_and_comes_back_equal(store: Store, make_writer: Callable[..., Writer]) -> None:
    writer, read = make_writer(), Readers(store)
    put = [reading(n, current=n / 3) for n in range(3)]
    batch = Batch(
        starter="FAN-1", readings=tuple(put), starts=(start(1), start(2)), stops=(stop(30),), alerts=(alert(20),),
        events=(GapEnded(began_at=T0, at=T0 + 9, reason="no answer"), CounterReset(at=T0 + 8, before=40_000, after=0, reason="back to 0")),
        snapshot=Snapshot(at=T0 + 2 * SECOND, body=b'{"a":1}'), settings=SettingsChange(at=T0, digest="d1", settings="{}"),
    )  # fmt: skip
    assert writer.put(batch) == 1
    assert writer.committed == 0
    assert writer.flush()
    assert writer.committed == 1
    assert [found for _, _, found in read.readings_after(0)] == put
    assert read.starts("FAN-1", curves=True) == [start(2), start(1)]
    assert read.start("FAN-1", 1) == start(1)
    assert read.start("FAN-1", 3) is None
    assert read.stops("FAN-1") == [stop(30)]
    assert read.alerts() == [alert(20)]
    assert [(found.kind, found.at) for found in read.events("FAN-1")] == [("gap_ended", T0 + 9), ("counter_reset", T0 + 8)]
    snapshot = read.snapshot("FAN-1")
    assert snapshot is not None
    assert (snapshot.body, snapshot.at, snapshot.reading_id) == (b'{"a":1}', T0 + 2 * SECOND, 3)
    assert read.last_settings_digest("FAN-1") == "d1"


def test_writing_the_same_again_changes_nothing(store: Store, make_writer: Callable[..., Writer]) -> None:
    writer, read = make_writer(), Readers(store)
    unseen = UnseenStarts(at=T0, starts=(start(2),))
    batch = Batch(starter="FAN-1", starts=(start(1),), stops=(stop(30),), alerts=(alert(20),), events=(unseen,))
    for _ in range(2):
        writer.put(batch)
        writer.put(batch)
        assert writer.flush()
    assert read.counts() == {"readings": 0, "chunks": 0, "starts": 1, "stops": 1, "alerts": 1}
    assert len(read.events("FAN-1")) == 1


def test_a_start_that_comes_again_stands_as_it_last_came_and_keeps_its_curve(store: Store, make_writer: Callable[..., Writer]) -> None:
    writer, read = make_writer(), Readers(store)
    writer.put(Batch(starter="FAN-1", starts=(start(1),)))
    writer.put(Batch(starter="FAN-1", starts=(start(1, began_s=601, with_curve=False),)))
    writer.flush()
    found = read.start("FAN-1", 1)
    assert found is not None
    assert (found.began_at, found.curve) == (T0 + 601 * SECOND, start(1).curve)
    writer.put(Batch(starter="FAN-1", starts=(start(1, began_s=602, with_curve=False),)))
    writer.flush()
    found = read.start("FAN-1", 1)
    assert found is not None
    assert (found.began_at, found.curve) == (T0 + 602 * SECOND, start(1).curve)


def test_an_alert_takes_its_later_state(store: Store, make_writer: Callable[..., Writer]) -> None:
    writer, read = make_writer(), Readers(store)
    later = alert(20, acknowledged_at=T0 + 25 * SECOND, acknowledged_by="night shift", returned_at=T0 + 26 * SECOND)
    writer.put(Batch(starter="FAN-1", alerts=(alert(20),)))
    writer.put(Batch(starter="FAN-1", alerts=(later,)))
    writer.flush()
    assert read.alerts() == [later]


def test_a_snapshot_names_the_last_reading_before_it(store: Store, make_writer: Callable[..., Writer]) -> None:
    writer = make_writer()
    writer.put(Batch(starter="FAN-1", readings=(reading(1), reading(2)), snapshot=Snapshot(at=T0, body=b"{}")))
    writer.put(Batch(starter="PUMP-2", readings=(reading(3),)))
    writer.put(Batch(starter="PUMP-2", snapshot=Snapshot(at=T0, body=b"{}")))
    writer.put(Batch(starter="FAN-1", readings=(reading(4),)))
    writer.flush()
    with store.reading.begin() as connection:
        assert [row.reading_id for row in connection.execute(select(snapshots).order_by(snapshots.c.starter_id))] == [2, 3]


def test_commits_come_by_themselves(store: Store, make_writer: Callable[..., Writer]) -> None:
    stored = threading.Event()
    writer = make_writer(commit_interval_s=0.01, on_commit=lambda number: stored.set() if number == 1 else None)
    writer.put(Batch(starter="FAN-1", readings=(reading(1),)))
    assert stored.wait(20)
    assert writer.state().last_commit_at == T0


def test_closing_stores_what_waits_and_may_be_done_twice(store: Store, make_writer: Callable[..., Writer]) -> None:
    writer = make_writer()
    writer.put(Batch(starter="FAN-1", readings=(reading(1),)))
    assert writer.close()
    assert writer.close()
    assert _count(store) == 1
    assert writer.run(lambda _: 1).cancelled()
    writer.put(Batch(starter="FAN-1", readings=(reading(2),)))
    assert not writer.flush()


def test_a_second_writer_goes_on_with_numbers_layouts_and_the_open_block(store: Store, make_writer: Callable[..., Writer]) -> None:
    for run in range(3):
        writer = make_writer()
        writer.put(Batch(starter="FAN-1", readings=tuple(reading(run * 25 + n) for n in range(25))))
        writer.close()
    with store.reading.begin() as connection:
        assert [row.id for row in connection.execute(select(readings.c.id))] == list(range(1, 76))
        assert {row.layout_id for row in connection.execute(select(readings.c.layout_id))} == {1}
        # The block is full with the first reading that is a minute after its first: 0 s to 60 s.
        assert [tuple(row) for row in connection.execute(select(blocks))] == [(1, 61, T0, T0 + 60 * SECOND, None)]


def test_a_full_disk_is_said_held_in_memory_and_made_good_without_a_restart(
    store: Store, make_writer: Callable[..., Writer], caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.WARNING)
    pages = [10_000]

    def shrink(connection: sqlite3.Connection, _record: object) -> None:
        connection.execute(f"PRAGMA max_page_count = {pages[0]}")

    event.listen(store.writing, "connect", shrink)
    writer, read = make_writer(), Readers(store)
    writer.put(Batch(starter="FAN-1", readings=(reading(1),)))
    assert writer.flush()
    pages[0] = 1  # no page more than there is
    writer.run_outside(lambda connection: connection.connection.cursor().execute("PRAGMA max_page_count = 1")).result(10)
    many = tuple(reading(n / 10) for n in range(20, 2020))
    writer.put(Batch(starter="FAN-1", readings=many, starts=(start(1),)))
    assert not writer.flush()
    assert not writer.flush()
    state = writer.state()
    assert state.fault is not None
    assert state.fault.kind is StoreFaultKind.FULL
    assert "the disk is full: free some space" in state.fault.text
    assert (state.queued_readings, state.queued_records, state.dropped_readings) == (2000, 1, 0)
    assert read.starts("FAN-1") == []  # reading goes on
    pages[0] = 10_000
    assert writer.flush()
    assert writer.state().fault is None
    assert _count(store) == 2001
    assert read.start("FAN-1", 1) == start(1)
    assert [record.message for record in caplog.records if record.levelno == logging.WARNING] == ["storing again"]
    assert sum("not storing" in record.message for record in caplog.records) == 1


def test_a_locked_database_is_said_and_made_good(store: Store, make_writer: Callable[..., Writer]) -> None:
    writer = make_writer()
    other = sqlite3.connect(str(store.url.database), isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    writer.put(Batch(starter="FAN-1", readings=(reading(1),)))
    assert not writer.flush()
    fault = writer.state().fault
    assert fault is not None
    assert fault.kind is StoreFaultKind.LOCKED
    other.execute("ROLLBACK")
    other.close()
    assert writer.flush()
    assert _count(store) == 1


def test_a_file_that_was_moved_away_is_said_and_made_good_when_it_is_back(store: Store, make_writer: Callable[..., Writer]) -> None:
    writer, path = make_writer(), Path(str(store.url.database))
    writer.put(Batch(starter="FAN-1", readings=(reading(1),)))
    writer.flush()
    writer.run_outside(engines.checkpoint).result(10)
    aside = path.rename(path.with_name("aside.db"))
    writer.put(Batch(starter="FAN-1", readings=(reading(2),)))
    assert not writer.flush()
    fault = writer.state().fault
    assert fault is not None
    assert fault.kind is StoreFaultKind.CANNOT_OPEN
    assert "ledger.db is gone: put it back" in fault.text
    assert not path.exists()
    aside.rename(path)
    assert writer.flush()
    assert _count(store) == 2


def test_while_nothing_can_be_stored_readings_are_dropped_and_starts_are_not(store: Store, make_writer: Callable[..., Writer]) -> None:
    writer = make_writer(limit_bytes=50_000)
    other = sqlite3.connect(str(store.url.database), isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    for number in range(1, 11):
        readings_of_it = tuple(reading(number * 100 + n) for n in range(100))
        writer.put(Batch(starter="FAN-1", readings=readings_of_it, starts=(start(number),)))
        writer.flush()
    state = writer.state()
    assert state.queued_bytes <= 50_000
    assert state.dropped_readings > 0
    assert state.queued_readings + state.dropped_readings == 1000
    assert writer.wants_snapshot("FAN-1")
    writer.put(Batch(starter="FAN-1", snapshot=Snapshot(at=T0, body=b"{}")))
    assert not writer.wants_snapshot("FAN-1")
    other.close()
    assert writer.flush()
    assert len(Readers(store).starts("FAN-1")) == 10
    assert _count(store) == state.queued_readings


def test_a_commit_that_failed_after_it_was_made_is_not_made_twice(
    store: Store, make_writer: Callable[..., Writer], monkeypatch: pytest.MonkeyPatch
) -> None:
    writer = make_writer()
    writer.put(Batch(starter="FAN-1", readings=(reading(1),)))
    writer.flush()
    broken = [True]
    real_commit = store.writing.dialect.do_commit

    def commit_and_fail(dbapi_connection: Any) -> None:
        real_commit(dbapi_connection)
        if broken[0]:
            raise sqlite3.OperationalError("disk I/O error")

    monkeypatch.setattr(store.writing.dialect, "do_commit", commit_and_fail)
    writer.put(Batch(starter="FAN-1", readings=(reading(2), reading(3))))
    assert not writer.flush()
    broken[0] = False
    writer.put(Batch(starter="FAN-1", readings=(reading(4),)))
    assert writer.flush()
    assert [found.at for _, _, found in Readers(store).readings_after(0)] == [T0 + n * SECOND for n in (1, 2, 3, 4)]


def test_one_record_that_cannot_be_stored_costs_itself_only(store: Store, make_writer: Callable[..., Writer]) -> None:
    writer, read = make_writer(), Readers(store)
    for number in range(1, 6):
        trip_code = 2**70 if number == 3 else number
        bad = start(number)
        object.__setattr__(bad, "trip_code", trip_code)
        writer.put(Batch(starter="FAN-1", readings=(reading(number),), starts=(bad,)))
    assert writer.flush()
    assert [found.number for found in read.starts("FAN-1")] == [5, 4, 2, 1]
    assert _count(store) == 4
    assert writer.state().lost_batches == 1
    assert writer.state().fault is None


def test_a_fault_of_the_program_costs_its_record_only(
    store: Store, make_writer: Callable[..., Writer], caplog: pytest.LogCaptureFixture
) -> None:
    writer = make_writer()
    bad = start(1)
    object.__setattr__(bad, "curve", "no curve at all")
    writer.put(Batch(starter="FAN-1", starts=(bad,)))
    writer.put(Batch(starter="FAN-1", starts=(start(2),)))
    assert writer.flush()
    assert [found.number for found in Readers(store).starts("FAN-1")] == [2]
    assert "a record cannot be stored" in caplog.text


def test_jobs_run_on_the_writers_connection_and_bring_results_or_errors(store: Store, make_writer: Callable[..., Writer]) -> None:
    writer = make_writer()

    def broken(connection: Connection) -> int:
        connection.exec_driver_sql("SELECT nothing FROM nowhere")
        return 0

    assert writer.run(lambda connection: connection.scalar(select(func.count()).select_from(readings))).result(10) == 0
    with pytest.raises(OperationalError, match="nowhere"):
        writer.run(broken).result(10)
    assert writer.run_outside(engines.checkpoint).result(10) == "log emptied"
    assert store.sizes()[1] == 0


def test_a_reader_at_work_holds_the_checkpoint_back_and_not_the_writer(store: Store, make_writer: Callable[..., Writer]) -> None:
    writer = make_writer()
    with store.reading.begin() as connection:
        connection.scalar(select(func.count()).select_from(readings))
        writer.put(Batch(starter="FAN-1", readings=(reading(1),)))
        assert writer.flush()
        assert "held back by a reader" in writer.run_outside(engines.checkpoint).result(10)
    assert writer.run_outside(engines.checkpoint).result(10) == "log emptied"
