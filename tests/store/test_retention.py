"""Old raw readings go; everything else stays, and no number is used twice."""

from __future__ import annotations

from collections.abc import Callable

from sqlalchemy import Connection, func, select

from gateway.clock import HandClock
from gateway.store.batch import Batch, Snapshot
from gateway.store.database import Store
from gateway.store.readers import Readers
from gateway.store.retention import forget_readings
from gateway.store.tables import readings
from gateway.store.writer import Writer
from tests.store.records import SECOND, T0, alert, reading, start


def _all_before(at: int) -> Callable[[Connection], int]:
    def job(connection: Connection) -> int:
        gone = 0
        while portion := forget_readings(connection, at):
            gone += portion
        return gone

    return job


def test_whole_blocks_older_than_the_limit_go_and_the_rest_stays(store: Store) -> None:
    writer, readers = Writer(store, HandClock(T0), commit_interval_s=3600.0), Readers(store)
    for n in range(300):
        writer.put(Batch(starter="FAN-1", readings=(reading(n),)))
    writer.put(Batch(starter="FAN-1", starts=(start(1),), alerts=(alert(5),)))
    assert writer.run(_all_before(T0 + 150 * SECOND)).result(10) == 122  # two blocks of 61 s
    assert [found.at for _, _, found in readers.readings_after(0)] == [T0 + n * SECOND for n in range(122, 300)]
    assert readers.start("FAN-1", 1) == start(1)
    assert readers.alerts() == [alert(5)]
    writer.close()


def test_little_goes_at_a_time(store: Store) -> None:
    writer = Writer(store, HandClock(T0), commit_interval_s=3600.0)
    writer.put(Batch(starter="FAN-1", readings=tuple(reading(n * 60) for n in range(300))))
    portions = [writer.run(lambda connection: forget_readings(connection, T0 + 10**12)).result(10) for _ in range(4)]
    assert portions == [120, 120, 60, 0]
    writer.close()


def test_numbers_go_on_after_everything_has_gone(store: Store) -> None:
    writer = Writer(store, HandClock(T0), commit_interval_s=3600.0)
    writer.put(Batch(starter="FAN-1", readings=(reading(0), reading(61)), snapshot=Snapshot(at=T0, body=b"{}")))
    assert writer.run(_all_before(T0 + 10**12)).result(10) == 2
    writer.close()
    writer = Writer(store, HandClock(T0), commit_interval_s=3600.0)
    writer.put(Batch(starter="FAN-1", readings=(reading(99),)))
    writer.close()
    with store.reading.begin() as connection:
        assert connection.scalar(select(func.min(readings.c.id))) == 3


def test_freed_pages_are_used_again(store: Store) -> None:
    writer = Writer(store, HandClock(T0), commit_interval_s=3600.0)
    sizes = []
    for turn in range(4):
        writer.put(Batch(starter="FAN-1", readings=tuple(reading(turn * 4000 + n) for n in range(4000))))
        writer.flush()
        writer.run(_all_before(T0 + (turn + 1) * 4000 * SECOND)).result(10)
        sizes.append(store.sizes()[0])
    writer.close()
    assert max(sizes[1:]) <= sizes[0] * 1.3
