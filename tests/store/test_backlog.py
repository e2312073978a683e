"""What waits is bounded: the oldest raw readings go, nothing else does."""

from __future__ import annotations

from collections.abc import Sequence

from gateway.store.backlog import AFTER_DROP, Backlog, Waiting
from gateway.store.batch import Batch, Snapshot
from gateway.store.packing import PackedReading, Packer
from tests.store.records import T0, alert, reading, start


def _waiting(number: int, *, starter: str = "FAN-1", readings: int = 1, batch: Batch | None = None) -> Waiting:
    packer = Packer()
    packed: Sequence[PackedReading] = [packer.pack(reading(number + n / 10)) for n in range(readings)]
    batch = batch or Batch(starter=starter)
    return Waiting(number, batch, packed, 100 * len(packed), batch.snapshot)


def test_what_is_taken_is_everything_in_order() -> None:
    backlog = Backlog(10_000)
    for number in (1, 2, 3):
        backlog.add(_waiting(number))
    assert [waiting.number for waiting in backlog.take()] == [1, 2, 3]
    assert (len(backlog), backlog.bytes, backlog.readings) == (0, 0, 0)


def test_what_is_given_back_stands_before_what_came_since() -> None:
    backlog = Backlog(10_000)
    backlog.add(_waiting(1))
    taken = backlog.take()
    backlog.add(_waiting(2))
    backlog.give_back(taken)
    assert backlog.bytes == 200
    assert [waiting.number for waiting in backlog.take()] == [1, 2]


def test_too_many_readings_drop_the_oldest_and_count_them() -> None:
    backlog = Backlog(1000)
    for number in range(1, 12):
        backlog.add(_waiting(number))
    assert backlog.bytes <= 1000 * AFTER_DROP
    assert backlog.dropped == 2
    assert backlog.readings == 9
    assert [waiting.number for waiting in backlog.take()] == list(range(3, 12))


def test_records_outlive_any_number_of_readings() -> None:
    backlog = Backlog(1000)
    backlog.add(_waiting(1, batch=Batch(starter="FAN-1", starts=(start(1),), alerts=(alert(1),))))
    for number in range(2, 200):
        backlog.add(_waiting(number))
    assert backlog.records == 2
    taken = backlog.take()
    assert taken[0].batch.starts == (start(1),)
    assert not taken[0].readings


def test_a_return_of_too_much_drops_too() -> None:
    backlog = Backlog(1000)
    backlog.give_back([_waiting(number) for number in range(1, 21)])
    assert (backlog.dropped, backlog.readings) == (11, 9)


def test_a_starter_that_lost_readings_is_torn_until_a_snapshot_waits() -> None:
    backlog = Backlog(1000)
    for number in range(1, 12):
        backlog.add(_waiting(number, starter="FAN-1" if number < 3 else "PUMP-2"))
    assert backlog.is_torn("FAN-1")
    assert not backlog.is_torn("PUMP-2")
    backlog.mend("FAN-1")
    assert not backlog.is_torn("FAN-1")


def test_of_waiting_snapshots_the_last_of_each_starter_is_enough() -> None:
    backlog = Backlog(1000)
    for number in range(1, 6):
        backlog.add(_waiting(number, readings=0, batch=Batch(starter="FAN-1", snapshot=Snapshot(at=T0 + number, body=b"{}"))))
    for number in range(6, 18):
        backlog.add(_waiting(number))
    snapshots = [waiting.snapshot for waiting in backlog.take() if waiting.snapshot]
    assert snapshots == [Snapshot(at=T0 + 5, body=b"{}")]
