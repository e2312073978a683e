"""What is read is what was stored, in any thread, and never holds the writer up."""

from __future__ import annotations

import random
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from gateway.clock import HandClock
from gateway.errors import StoreError
from gateway.motors.reading import Flaw, Quality, Reading
from gateway.store.batch import Batch
from gateway.store.database import Store
from gateway.store.readers import Readers
from gateway.store.samples import Samples
from gateway.store.writer import Writer
from tests.store.records import SECOND, T0, alert, reading, start, stop, store_in


@pytest.fixture
def writer(store: Store) -> Iterator[Writer]:
    writer = Writer(store, HandClock(T0), commit_interval_s=3600.0)
    yield writer
    writer.close()


@pytest.fixture
def readers(store: Store) -> Readers:
    return Readers(store)


def test_an_empty_store_answers_everything_with_nothing(readers: Readers) -> None:
    assert readers.starts("FAN-1") == []
    assert readers.start("FAN-1", 1) is None
    assert readers.stops("FAN-1") == []
    assert readers.alerts() == []
    assert readers.events("FAN-1") == []
    assert readers.snapshot("FAN-1") is None
    assert readers.last_settings_digest("FAN-1") is None
    assert readers.samples("FAN-1", "current", T0, T0 + SECOND) == Samples([], [])
    assert list(readers.readings_after(0)) == []


def test_starts_come_latest_first_in_portions_and_of_one_starter(writer: Writer, readers: Readers) -> None:
    for number in range(1, 8):
        writer.put(Batch(starter="FAN-1", starts=(start(number),)))
        writer.put(Batch(starter="PUMP-2", starts=(start(number + 100),)))
    writer.flush()
    assert [found.number for found in readers.starts("FAN-1", limit=3)] == [7, 6, 5]
    assert [found.number for found in readers.starts("FAN-1", before_number=5, limit=3)] == [4, 3, 2]
    assert all(found.curve is None for found in readers.starts("FAN-1"))
    assert all(found.curve is not None for found in readers.starts("FAN-1", curves=True))
    spanned = readers.starts_between("FAN-1", T0 + 2 * 600 * SECOND, T0 + 4 * 600 * SECOND)
    assert [found.number for found in spanned] == [2, 3, 4]


def test_alerts_and_stops_come_latest_first(writer: Writer, readers: Readers) -> None:
    for at_s in (10, 30, 20):
        writer.put(Batch(starter="FAN-1", alerts=(alert(at_s),), stops=(stop(at_s),)))
    writer.put(Batch(starter="PUMP-2", alerts=(alert(15, "PUMP-2"),)))
    writer.flush()
    assert [found.raised_at for found in readers.alerts()] == [T0 + at_s * SECOND for at_s in (30, 20, 15, 10)]
    assert [found.starter for found in readers.alerts(starter="PUMP-2")] == ["PUMP-2"]
    assert len(readers.alerts(limit=2)) == 2
    assert [found.ended_at for found in readers.stops("FAN-1", limit=2)] == [T0 + 30 * SECOND, T0 + 20 * SECOND]


def test_samples_of_a_span_are_those_of_the_readings_in_it(writer: Writer, readers: Readers) -> None:
    for n in range(600):
        writer.put(Batch(starter="FAN-1", readings=(reading(n, current=n / 7, voltage=400.0),)))
        writer.put(Batch(starter="PUMP-2", readings=(reading(n, current=-1.0),)))
    writer.flush()
    found = readers.samples("FAN-1", "current", T0 + 100 * SECOND, T0 + 400 * SECOND)
    assert found == Samples([T0 + n * SECOND for n in range(100, 401)], [n / 7 for n in range(100, 401)])
    assert readers.samples("FAN-1", "no such signal", T0, T0 + 600 * SECOND) == Samples([], [])
    assert readers.samples("NOBODY", "current", T0, T0 + 600 * SECOND) == Samples([], [])


def test_samples_are_found_whatever_order_the_clock_brought_them_in(writer: Writer, readers: Readers) -> None:
    seed = 4
    draw = random.Random(seed)
    offsets = [draw.randrange(0, 3600) for _ in range(2000)]
    offsets[700:] = [offset - 3600 for offset in offsets[700:]]  # the clock is set back by an hour
    for number, offset in enumerate(offsets):
        writer.put(Batch(starter="FAN-1", readings=(reading(offset, current=float(number)),)))
    writer.flush()
    for _ in range(20):
        from_s, length_s = draw.randrange(-3600, 3600), draw.randrange(1, 600)
        expected = sorted((o, float(n)) for n, o in enumerate(offsets) if from_s <= o <= from_s + length_s)
        found = readers.samples("FAN-1", "current", T0 + from_s * SECOND, T0 + (from_s + length_s) * SECOND)
        assert list(zip(found.at, found.values, strict=True)) == [(T0 + o * SECOND, n) for o, n in expected], f"seed {seed}"


def test_a_value_that_was_bad_is_a_sample_without_a_value_and_one_not_read_is_none(writer: Writer, readers: Readers) -> None:
    bad = Flaw(Quality.BAD, "no answer")
    rows = (
        Reading(T0, {"current": 1.0, "running": True, "count": 7, "model": "X"}),
        Reading(T0 + 1, {}, {"current": bad, "running": bad}),
        Reading(T0 + 2, {"running": False}),
        Reading(T0 + 3, {"current": 2.0}, {"current": Flaw(Quality.UNCERTAIN, "sensor")}),
        Reading(T0 + 4, {"current": 3.0, "count": 2**64}),  # kept as JSON
        Reading(T0 + 5, {"count": 2**64}, {"current": bad}),
        Reading(T0 + 6, {"count": 2**64}),
    )
    writer.put(Batch(starter="FAN-1", readings=rows))
    writer.flush()

    def samples(key: str) -> list[tuple[int, float | None]]:
        found = readers.samples("FAN-1", key, T0, T0 + 10)
        return [(at - T0, value) for at, value in zip(found.at, found.values, strict=True)]

    assert samples("current") == [(0, 1.0), (1, None), (3, 2.0), (4, 3.0), (5, None)]
    assert samples("running") == [(0, 1.0), (1, None), (2, 0.0)]
    assert samples("count") == [(0, 7.0), (4, 2.0**64), (5, 2.0**64), (6, 2.0**64)]
    assert samples("model") == []


def test_many_samples_are_thinned_on_request(writer: Writer, readers: Readers) -> None:
    writer.put(Batch(starter="FAN-1", readings=tuple(reading(n / 10, current=float(n % 50)) for n in range(5000))))
    writer.flush()
    found = readers.samples("FAN-1", "current", T0, T0 + 500 * SECOND, points=100)
    assert 50 <= len(found.at) <= 100
    assert found.at == sorted(found.at)
    assert {0.0, 49.0} <= set(found.values)


def test_readings_are_given_in_portions_without_a_seam(writer: Writer, readers: Readers, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gateway.store.readers.REPLAY_PORTION", 7)
    put = [reading(n, current=float(n)) for n in range(50)]
    for place, each in enumerate(put):
        writer.put(Batch(starter=("FAN-1", "PUMP-2")[place % 2], readings=(each,)))
    writer.flush()
    assert [found for _, _, found in readers.readings_after(0)] == put
    assert [number for _, number, _ in readers.readings_after(45)] == [46, 47, 48, 49, 50]
    assert [found for _, _, found in readers.readings_after(0, ["PUMP-2"])] == put[1::2]
    assert [found for _, _, found in readers.readings_after(0, ["NOBODY"])] == []


def test_reading_from_many_threads_while_it_is_written(store: Store, readers: Readers) -> None:
    writer = Writer(store, HandClock(T0), commit_interval_s=0.001)
    faults: list[str] = []
    ended = threading.Event()

    def look() -> None:
        before = 0
        while not ended.is_set():
            count = len(readers.samples("FAN-1", "current", T0, T0 + 10_000 * SECOND).at)
            if count < before:
                faults.append(f"{count} samples after {before}")
            before = count

    threads = [threading.Thread(target=look) for _ in range(4)]
    for thread in threads:
        thread.start()
    for n in range(500):
        writer.put(Batch(starter="FAN-1", readings=(reading(n),)))
        if n % 50 == 0:
            assert writer.flush()
    assert writer.close()
    ended.set()
    for thread in threads:
        thread.join(20)
    assert faults == []
    assert len(readers.samples("FAN-1", "current", T0, T0 + 10_000 * SECOND).at) == 500


def test_a_store_that_cannot_be_read_says_so(store: Store, readers: Readers) -> None:
    store.close()
    path = Path(str(store.url.database))
    path.write_bytes(b"\x55" * 8192)
    with pytest.raises(StoreError, match="is not a startledger database"):
        readers.starts("FAN-1")


def test_more_readers_at_once_than_there_are_connections_are_told_to_wait(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gateway.store.engines.READERS", 1)
    monkeypatch.setattr("gateway.store.engines.WAIT_FOR_READER_S", 0.01)
    store = store_in(tmp_path)
    with store.reading.begin(), pytest.raises(StoreError, match="too many people read at once; try again"):
        Readers(store).starts("FAN-1")
    store.close()
