"""A restart loses nothing that was committed, counts nothing twice, and ends with the ledger of a run that was never interrupted."""

from __future__ import annotations

import json
import random
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import zstandard

from gateway.clock import HandClock
from gateway.errors import StoreError
from gateway.motors.alerts import Alert
from gateway.motors.facts import Starter
from gateway.motors.reading import Reading
from gateway.motors.records import Start, Stop
from gateway.services.pipeline import Pipeline
from gateway.services.publication import Publication
from gateway.services.recovery import note_settings, recover
from gateway.services.track import Track
from gateway.store.batch import Batch, Snapshot
from gateway.store.database import Store, open_store
from gateway.store.readers import Readers
from gateway.store.writer import Writer
from tests.services.feed import STARTERS, T0, feed

Ledger = dict[str, tuple[list[Start], list[Stop], list[Alert], list[tuple[int, str]]]]


def _uninterrupted(fed: list[tuple[str, Reading]]) -> Ledger:
    """Fold a feed at one go, with no store: the ledger as it must be."""
    ledger: Ledger = {}
    for starter in STARTERS:
        starts: dict[int, Start] = {}
        stops: dict[int, Stop] = {}
        alerts: dict[str, Alert] = {}
        events: set[tuple[int, str]] = set()
        track = Track(starter)
        for name, reading in fed:
            if name == starter.name:
                outcomes = track.fold((reading,))
                starts.update((start.number, start) for start in outcomes.starts)
                stops.update((stop.ended_at, stop) for stop in outcomes.stops)
                alerts.update((alert.id, alert) for alert in outcomes.alerts)
                events.update((event.at, type(event).__name__) for event in outcomes.events)
        in_order = sorted(alerts.values(), key=lambda alert: (-alert.raised_at, alert.id))
        ledger[starter.name] = (
            [starts[number] for number in sorted(starts)], [stops[at] for at in sorted(stops)], in_order, sorted(events),
        )  # fmt: skip
    return ledger


_EVENT_NAMES = {
    "gap_ended": "GapEnded",
    "counter_reset": "CounterReset",
    "unseen_starts": "UnseenStarts",
    "drift_found": "DriftFound",
}


def _stored(readers: Readers) -> Ledger:
    ledger: Ledger = {}
    for starter in STARTERS:
        name = starter.name
        events = sorted((event.at, _EVENT_NAMES[event.kind]) for event in readers.events(name, limit=10_000))
        alerts = sorted(readers.alerts(starter=name, limit=10_000), key=lambda alert: (-alert.raised_at, alert.id))
        starts = readers.starts(name, limit=10_000, curves=True)[::-1]
        ledger[name] = (starts, readers.stops(name, limit=10_000)[::-1], alerts, events)
    return ledger


class _Run:
    """One run of the gateway without its links: recovery, pipeline, writer; ended as it likes."""

    def __init__(self, store: Store) -> None:
        self.readers = Readers(store)
        self.writer = Writer(store, HandClock(T0), commit_interval_s=3600.0)
        recovered = recover(STARTERS, self.readers, self.writer)
        self.replayed, self.tracks = recovered.replayed, recovered.tracks
        self.publication = Publication(track.live() for track in self.tracks.values())
        self.pipeline = Pipeline(self.tracks, self.writer, self.publication, HandClock(T0))

    def take(self, fed: list[tuple[str, Reading]]) -> None:
        for name, reading in fed:
            self.pipeline.take_readings(name, (reading,))


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    store = open_store(f"sqlite:///{tmp_path / 'ledger.db'}")
    yield store
    store.close()


def test_a_run_that_is_restarted_anywhere_ends_with_the_same_ledger(store: Store) -> None:
    fed = feed(6000)
    draw, begin = random.Random(20), 0
    while begin < len(fed):
        end = begin + draw.randrange(1, 900)
        run = _Run(store)
        run.take(fed[begin:end])
        assert run.writer.close()
        begin = end
    readers = Readers(store)
    assert _stored(readers) == _uninterrupted(fed)
    assert [(name, reading) for name, _, reading in readers.readings_after(0)] == fed


def test_recovery_replays_only_what_came_after_the_snapshots(store: Store) -> None:
    fed = feed(3000)
    first = _Run(store)
    first.take(fed)
    first.pipeline.take_snapshots()
    first.writer.close()
    second = _Run(store)
    assert second.replayed == 0
    assert [track.snapshot() for track in second.tracks.values()] == [track.snapshot() for track in first.tracks.values()]
    second.writer.close()


def test_state_after_recovery_is_the_state_before_to_the_last_bit(store: Store) -> None:
    first = _Run(store)
    first.take(feed(2500))
    first.writer.close()
    second = _Run(store)
    assert second.replayed > 0
    assert [track.snapshot() for track in second.tracks.values()] == [track.snapshot() for track in first.tracks.values()]
    assert [track.live() for track in second.tracks.values()] == [track.live() for track in first.tracks.values()]
    second.writer.close()
    third = _Run(store)
    assert third.replayed == 0  # recovery left a snapshot of where it ended
    third.writer.close()


def test_a_store_without_snapshots_is_recovered_from_its_readings(store: Store) -> None:
    fed = feed(2000)
    writer = Writer(store, HandClock(T0), commit_interval_s=3600.0)
    for name, reading in fed:
        writer.put(Batch(starter=name, readings=(reading,)))
    writer.close()
    told: list[int] = []
    writer = Writer(store, HandClock(T0), commit_interval_s=3600.0)
    assert recover(STARTERS, Readers(store), writer, told.append).replayed == len(fed)
    writer.close()
    assert told == [500, 1000, 1500, 2000]
    assert _stored(Readers(store)) == _uninterrupted(fed)


def test_readings_of_starters_that_left_the_site_are_passed_over(store: Store) -> None:
    run = _Run(store)
    run.take(feed(500))
    run.writer.close()
    writer = Writer(store, HandClock(T0), commit_interval_s=3600.0)
    recovered = recover(STARTERS[:1], Readers(store), writer)
    assert list(recovered.tracks) == ["FAN-1"]
    writer.close()


def test_an_acknowledgement_outlives_a_restart_that_replays_the_alert(store: Store) -> None:
    fed = feed(8000)
    run = _Run(store)
    done = 0
    while not any(track.board.standing() for track in run.tracks.values()):
        run.take(fed[done : done + 1])
        done += 1
    name, alert = next((name, track.board.standing()[0]) for name, track in run.tracks.items() if track.board.standing())
    acknowledged = run.pipeline.acknowledge(name, alert.id, "night shift")
    assert acknowledged is not None
    assert run.pipeline.acknowledge(name, alert.id, "night shift") is None
    run.take(fed[done : done + 3])
    run.writer.close()
    again = _Run(store)
    assert again.writer.close()
    found = next(found for found in Readers(store).alerts() if found.id == alert.id)
    assert found.acknowledged_by == "night shift"


def test_a_snapshot_of_another_version_is_refused_in_words(store: Store) -> None:
    writer = Writer(store, HandClock(T0), commit_interval_s=3600.0)
    writer.put(Batch(starter="FAN-1", snapshot=Snapshot(at=T0, body=b"from the future")))
    writer.flush()
    with pytest.raises(StoreError, match="the stored state of FAN-1 cannot be read"):
        recover(STARTERS, Readers(store), writer)
    later = zstandard.ZstdCompressor().compress(b'{"format": 99}')
    writer.put(Batch(starter="FAN-1", snapshot=Snapshot(at=T0, body=later)))
    writer.flush()
    with pytest.raises(StoreError, match=r"\(format 99, this version knows 2 and earlier\): run the version that wrote it"):
        recover(STARTERS, Readers(store), writer)
    writer.close()


def test_settings_are_kept_when_they_say_something_new(store: Store) -> None:
    writer, readers = Writer(store, HandClock(T0), commit_interval_s=3600.0), Readers(store)

    def noted(starters: tuple[Starter, ...], at: int) -> tuple[str, ...]:
        changed = note_settings(starters, readers, writer, at)
        writer.flush()
        return changed

    assert noted(STARTERS, T0) == ("FAN-1", "PUMP-2")
    assert noted(STARTERS, T0 + 1) == ()
    fan = STARTERS[0]
    moved = Starter(name=fan.name, title="the fan", motor=fan.motor, limits=fan.limits, signals=fan.signals)
    assert noted((moved, STARTERS[1]), T0 + 2) == ("FAN-1",)
    assert noted(STARTERS, T0 + 3) == ("FAN-1",)
    writer.close()


def _killed(folder: Path, seed: int, kills: int, count: int) -> list[dict[str, Any]]:
    command = [sys.executable, "-m", "tests.services.killing", str(folder), str(seed), str(kills), str(count)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=600, check=False)
    assert done.returncode == 0, done.stderr
    lives: list[dict[str, Any]] = json.loads(done.stdout)
    return lives


def _check_kills(folder: Path, seed: int, kills: int, count: int) -> None:
    lives = _killed(folder, seed, kills, count)
    what = f"seed {seed}: {lives}"
    acknowledged = 0
    for number, each in enumerate(lives):
        assert each["status"] == 0, what
        # What was acknowledged before a kill is there after it; what was not acknowledged may be.
        if each["found"] >= 0:
            assert each["found"] >= acknowledged, (number, what)
        acknowledged = max(acknowledged, each["committed"])
    assert sum(each["signal"] == 9 for each in lives) == kills, what
    fed = feed(count, seed)
    with closing(sqlite3.connect(folder / "ledger.db")) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)], what
    store = open_store(f"sqlite:///{folder / 'ledger.db'}")
    readers = Readers(store)
    assert [(name, reading) for name, _, reading in readers.readings_after(0)] == fed, what
    assert _stored(readers) == _uninterrupted(fed), what
    store.close()


def test_fifty_kills_lose_nothing_committed_and_count_nothing_twice(tmp_path: Path) -> None:
    _check_kills(tmp_path, seed=7, kills=50, count=12_000)


@pytest.mark.slow
@pytest.mark.timeout(600)
@pytest.mark.parametrize("seed", range(100, 110))
def test_fifty_kills_of_other_seeds(tmp_path: Path, seed: int) -> None:
    _check_kills(tmp_path, seed=seed, kills=50, count=12_000)


def test_a_state_of_the_format_before_goes_on(store: Store) -> None:
    fed = feed(1500)
    first = _Run(store)
    first.take(fed)
    first.writer.close()
    name = STARTERS[0].name
    track = first.tracks[name]
    state = json.loads(zstandard.ZstdDecompressor().decompress(track.snapshot()))
    state["format"], state["watch"]["version"] = 1, 1
    for key in ("phases", "settings", "drift", "command_edge"):
        del state["watch"]["state"][key]
    older = Track.restored(STARTERS[0], zstandard.ZstdCompressor().compress(json.dumps(state).encode()))
    assert older.live() == replace(track.live(), drifts=(), lost_phase="")
    assert older.watch.history() == track.watch.history()
