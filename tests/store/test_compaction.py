"""Compaction loses nothing that matters, at no moment, and never takes what recovery needs."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from functools import partial

import pytest
from sqlalchemy import Connection, func, select, update

from gateway.clock import HandClock
from gateway.motors.reading import Flaw, Quality, Reading
from gateway.motors.records import GapEnded
from gateway.store import compaction
from gateway.store.batch import Batch, Snapshot
from gateway.store.chunks import is_sound, pack_chunk, unpack_chunk
from gateway.store.compaction import Portion, Window, drop_compacted, groups, keep_portion, next_window, prepare
from gateway.store.database import Store
from gateway.store.keeping import KEEPING
from gateway.store.readers import Readers
from gateway.store.samples import Samples
from gateway.store.tables import blocks, chunks, readings
from gateway.store.writer import Writer
from tests.store.records import SECOND, T0, start, stop

HOUR_S = 3600
NAMES = ("FAN-1", "PUMP-2")


def _reading(at_s: float, draw: random.Random) -> Reading:
    """A reading of a motor that runs with a little noise, stands now and then, and is not always there."""
    is_running = (at_s // 900) % 3 != 1
    current_a = round(60 + draw.gauss(0, 0.2), 1) if is_running else 0.0
    at = T0 + round(at_s * SECOND) + draw.randrange(2000)
    if draw.random() < 0.003:
        lost = Flaw(Quality.BAD, draw.choice(("no answer", "implausible: 812 A")))
        return Reading(at, {}, {"current": lost, "running": lost, "mode": lost})
    flaws = {"current": Flaw(Quality.UNCERTAIN, "held by the device")} if draw.random() < 0.01 else {}
    mode = "ramp" if draw.random() < 0.02 else "bypass"
    return Reading(at, {"current": current_a, "running": is_running, "start_count": int(at_s // 900), "mode": mode}, flaws)


def _feed(writer: Writer, hours: float, seed: int, *, snapshots: bool = True) -> dict[str, list[Reading]]:
    draw = random.Random(seed)
    fed: dict[str, list[Reading]] = {name: [] for name in NAMES}
    for second in range(0, round(hours * HOUR_S), 2):
        for name in NAMES:
            found = _reading(second, draw)
            fed[name].append(found)
            snapshot = Snapshot(at=found.at, body=b"state") if snapshots and second % 60 == 0 else None
            writer.put(Batch(starter=name, readings=(found,), snapshot=snapshot))
    assert writer.flush()
    return fed


@pytest.fixture
def writer(store: Store) -> Iterator[Writer]:
    writer = Writer(store, HandClock(T0), commit_interval_s=3600.0)
    yield writer
    writer.close()


def _window(store: Store, after_id: int = 0, *, hours: float = 100) -> Window | None:
    with store.reading.begin() as connection:
        return next_window(connection, T0 + round(hours * HOUR_S) * SECOND, after_id)


def _keep(portion: Portion, connection: Connection) -> int:
    return keep_portion(connection, portion)


def _drop(window: Window, connection: Connection) -> int:
    return drop_compacted(connection, window)


def _compact(store: Store, writer: Writer, *, hours: float = 100, until: Callable[[str], None] = lambda step: None) -> int:
    """Compact all that is due as housekeeping does; `until` is told each step and may raise."""
    done, after_id = 0, 0
    while (window := _window(store, after_id, hours=hours)) is not None:
        with store.reading.begin() as connection:
            found = groups(connection, window)
        for group in found:
            with store.reading.begin() as connection:
                portion = prepare(connection, window, group)
            until("keep")
            done += writer.run(partial(_keep, portion)).result(20)
        until("drop")
        while writer.run(partial(_drop, window)).result(20):
            until("drop")
        after_id = window.last_id
    return done


def _exact(name: str, key: str, fed: dict[str, list[Reading]]) -> dict[int, float | None]:
    return {found.at: found.number(key) for found in fed[name] if key in found.values or key in found.flaws}


def _assert_shown(found: Samples, exact: dict[int, float | None], deadband: float) -> None:
    """Every sample shown was there, and each that is not shown is told by the one before it."""
    assert found.at == sorted(set(found.at))
    shown = dict(zip(found.at, found.values, strict=True))
    assert all(exact[at] == value for at, value in shown.items())
    last: float | None = None
    for at in sorted(exact):
        if at in shown:
            last = shown[at]
        elif last is None:
            assert exact[at] is None
        else:
            value = exact[at]
            assert value is not None and abs(value - last) <= deadband


def test_samples_before_and_after_tell_the_same_and_starts_are_whole(store: Store, writer: Writer) -> None:
    fed = _feed(writer, 4.2, seed=11)
    writer.put(Batch(starter="FAN-1", starts=(start(2, began_s=1800.0),), stops=(stop(8000),)))
    writer.flush()
    readers = Readers(store)
    assert _compact(store, writer) > 10_000
    assert readers.counts()["chunks"] == 8
    for name in NAMES:
        _assert_shown(readers.samples(name, "current", 0, 2**60), _exact(name, "current", fed), 0.7)
        _assert_shown(readers.samples(name, "running", 0, 2**60), _exact(name, "running", fed), 0.0)
        _assert_shown(readers.samples(name, "start_count", 0, 2**60), _exact(name, "start_count", fed), 0.0)
    exact = _exact("FAN-1", "current", fed)
    for begin_s, end_s in ((1790, 1834), (7930, 8030)):
        span = [T0 + begin_s * SECOND, T0 + end_s * SECOND]
        whole = readers.samples("FAN-1", "current", *span)
        assert dict(zip(whole.at, whole.values, strict=True)) == {at: exact[at] for at in exact if span[0] <= at <= span[1]}
    with store.reading.begin() as connection:
        left = connection.scalar(select(func.count()).select_from(readings))
    assert left is not None and left < 3000


def test_extremes_and_flaws_of_a_span_are_never_thinned_away(store: Store, writer: Writer) -> None:
    fed = _feed(writer, 3.5, seed=12)
    _compact(store, writer)
    few = Readers(store).samples("PUMP-2", "current", T0, T0 + 4 * HOUR_S * SECOND, points=40)
    exact = [value for value in _exact("PUMP-2", "current", fed).values() if value is not None]
    usable = [value for value in few.values if value is not None]
    assert (min(usable), max(usable)) == (min(exact), max(exact))
    assert None in few.values
    assert len(few.at) <= 60


def test_texts_and_reasons_are_kept(store: Store, writer: Writer) -> None:
    fed = _feed(writer, 1.5, seed=13)
    _compact(store, writer)
    with store.reading.begin() as connection:
        chunk = unpack_chunk(connection.execute(select(chunks.c.body).order_by(chunks.c.starter_id)).scalars().first() or b"")
    assert set(chunk.texts) == {"ramp", "bypass"}
    by_at = {found.at: found for found in fed["FAN-1"]}
    mode = chunk.signals["mode"]
    for at, word, flaw in zip(chunk.at[mode.places].tolist(), mode.words.tolist(), mode.flaws.tolist(), strict=True):
        assert by_at[at].values.get("mode") == (chunk.texts[word - 1] if word else None)
        assert by_at[at].flaws.get("mode") == (chunk.flaws[flaw - 1] if flaw else None)
    assert unpack_chunk(pack_chunk(chunk)).samples == chunk.samples


def test_a_crash_between_any_two_transactions_changes_nothing_that_is_read(
    store: Store, writer: Writer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(compaction, "PORTION_READINGS", 1)
    monkeypatch.setattr(compaction, "DELETED_AT_A_TIME", 500)
    fed = _feed(writer, 2.5, seed=14)

    class CrashError(Exception):
        pass

    crashes, draw = 0, random.Random(14)
    while True:
        steps = draw.randrange(1, 9)

        def crash(_step: str) -> None:
            nonlocal steps
            steps -= 1
            if not steps:
                raise CrashError

        try:
            _compact(store, writer, until=crash)
        except CrashError:
            crashes += 1
        else:
            break
        for name in NAMES:
            _assert_shown(Readers(store).samples(name, "current", 0, 2**60), _exact(name, "current", fed), 0.7)
    assert crashes > 5
    assert Readers(store).counts()["chunks"] >= 4


def test_what_a_snapshot_has_not_passed_stays(store: Store, writer: Writer) -> None:
    fed = _feed(writer, 2.2, seed=15, snapshots=False)
    with store.reading.begin() as connection:
        before = connection.scalar(select(func.count()).select_from(readings))
    assert _compact(store, writer) == 0
    assert Readers(store).counts()["readings"] == before
    # One starter's snapshot passes everything: its readings may go, those of the other stay, and nothing is taken twice.
    writer.put(Batch(starter="FAN-1", snapshot=Snapshot(at=T0, body=b"state")))
    writer.flush()
    assert 0 < _compact(store, writer) <= len(fed["FAN-1"])
    assert _compact(store, writer) == 0
    again = [(name, found) for name, _, found in Readers(store).readings_after(0) if name == "PUMP-2"]
    assert again == [("PUMP-2", found) for found in fed["PUMP-2"]]


def test_only_settled_readings_are_taken_and_those_of_a_wrong_clock(store: Store, writer: Writer) -> None:
    _feed(writer, 1.5, seed=16)
    assert _window(store, hours=1.05) is None  # the first hour is not ten minutes old
    assert _window(store, hours=1.25) is not None
    assert _window(store, hours=-30) is not None  # stamped more than an hour ahead of what the clock says now


def test_numbers_go_on_after_everything_was_compacted(store: Store) -> None:
    writer = Writer(store, HandClock(T0), commit_interval_s=3600.0)
    far = tuple(Reading(T0 + n * 1800 * SECOND, {"current": 1.0}) for n in range(6))
    writer.put(Batch(starter="FAN-1", readings=far, snapshot=Snapshot(at=T0, body=b"state")))
    writer.flush()
    assert _compact(store, writer) > 0
    writer.close()
    with store.reading.begin() as connection:
        last = max(connection.scalars(select(chunks.c.last_id)))
    writer = Writer(store, HandClock(T0), commit_interval_s=3600.0)
    writer.put(Batch(starter="FAN-1", readings=(Reading(T0 + 99_999 * SECOND, {"current": 2.0}),)))
    writer.close()
    with store.reading.begin() as connection:
        assert connection.scalar(select(func.max(readings.c.id))) == 7 > last


def test_a_gap_without_readings_breaks_the_line(store: Store, writer: Writer) -> None:
    for second in (*range(0, 600), *range(5000, 12_000, 2)):
        writer.put(Batch(starter="FAN-1", readings=(Reading(T0 + second * SECOND, {"current": 60.0}),)))
    gap = GapEnded(began_at=T0 + 599 * SECOND, at=T0 + 5000 * SECOND, reason="no data")
    writer.put(Batch(starter="FAN-1", events=(gap,), snapshot=Snapshot(at=T0, body=b"state")))
    writer.flush()
    for _ in range(2):
        found = Readers(store).samples("FAN-1", "current", T0, T0 + 12_000 * SECOND)
        place = found.values.index(None)
        assert found.values.count(None) == 1
        assert (found.at[place - 1], found.at[place + 1]) == (T0 + 599 * SECOND, T0 + 5000 * SECOND)
        _compact(store, writer)


def test_places_of_blocks_lead_to_the_same_rows_as_looking_through_them(store: Store, writer: Writer) -> None:
    fed = _feed(writer, 0.2, seed=17)
    readers = Readers(store)
    span = T0 + 100 * SECOND, T0 + 500 * SECOND
    by_places = readers.samples("FAN-1", "current", *span)
    with store.reading.begin() as connection:
        assert None not in connection.scalars(select(blocks.c.places)).all()
    writer.run(lambda connection: connection.execute(update(blocks).values(places=None)).rowcount).result(10)
    assert readers.samples("FAN-1", "current", *span) == by_places
    exact = _exact("FAN-1", "current", fed)
    assert dict(zip(by_places.at, by_places.values, strict=True)) == {at: exact[at] for at in exact if span[0] <= at <= span[1]}


def _flip(connection: Connection, table: str, column: str, bit: int) -> None:
    raw = connection.connection.cursor()
    rowid, body = raw.execute(f"SELECT rowid, {column} FROM {table} ORDER BY rowid LIMIT 1").fetchone()
    changed = bytearray(body)
    changed[bit // 8 % len(changed)] ^= 1 << bit % 8
    raw.execute(f"UPDATE {table} SET {column} = ? WHERE rowid = ?", (bytes(changed), rowid))


@pytest.mark.parametrize("seed", range(12))
def test_a_flipped_bit_of_a_chunk_or_a_reading_is_seen_and_never_shown(store: Store, writer: Writer, seed: int) -> None:
    draw = random.Random(seed)
    fed = _feed(writer, 1.4, seed=18)
    exact = _exact("FAN-1", "current", fed)
    writer.run(lambda connection: _flip(connection, "readings", "packed", draw.randrange(10**6))).result(10)
    _assert_shown(Readers(store).samples("FAN-1", "current", 0, 2**60), {at: exact[at] for at in list(exact)[1:]}, 0.0)
    _compact(store, writer)
    assert _sound_chunks(store) == [True, True]
    writer.run(lambda connection: _flip(connection, "chunks", "body", draw.randrange(10**6))).result(10)
    assert _sound_chunks(store) == [False, True]
    for key in ("current", "running", "start_count"):
        found = Readers(store).samples("FAN-1", key, 0, 2**60)
        exact = _exact("FAN-1", key, fed)
        is_lost = found.values[0] is None and found.at[1] > T0 + HOUR_S * SECOND
        shown = list(zip(found.at, found.values, strict=True))[is_lost:]
        assert all(exact[at] == value for at, value in shown)


def _sound_chunks(store: Store) -> list[bool]:
    c = chunks.c
    with store.reading.begin() as connection:
        query = select(c.body, c.checksum, c.starter_id, c.first_id, c.last_id, c.from_us, c.to_us)
        return [is_sound(*row) for row in connection.execute(query.order_by(c.starter_id))]


def test_a_role_with_a_deadband_is_kept_by_it(store: Store, writer: Writer) -> None:
    _feed(writer, 1.4, seed=19)
    _compact(store, writer)
    kept = len(Readers(store).samples("FAN-1", "current", T0, T0 + HOUR_S * SECOND).at)
    assert KEEPING["current"].share > 0
    assert kept < 600
