"""A live day, stored, and replayed: the same records to the last bit, however it was cut into batches and whenever it was restarted."""

from __future__ import annotations

import json
import random
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import pytest

from gateway.clock import HandClock
from gateway.motors.reading import Reading
from gateway.motors.records import Outcome
from gateway.services.pipeline import Pipeline
from gateway.services.publication import Publication
from gateway.services.recovery import recover, stored_track
from gateway.services.replay import replay
from gateway.services.track import Track
from gateway.store.batch import KeptEvent, Note
from gateway.store.database import Store, open_store
from gateway.store.readers import Readers
from gateway.store.rows import event_row
from gateway.store.writer import Writer
from tests.services.long_day import PUMP, T0, long_day

NAME = PUMP.name


class Live:
    """One run of the gateway over a store, without links."""

    def __init__(self, store: Store) -> None:
        self.clock = HandClock(T0)
        self.writer = Writer(store, self.clock, commit_interval_s=3600.0)
        recovered = recover((PUMP,), Readers(store), self.writer)
        self.track = recovered.tracks[NAME]
        self.pipeline = Pipeline(recovered.tracks, self.writer, Publication([self.track.live()]), self.clock)

    def note(self, text: str) -> None:
        # The wall clock is a little ahead of the readings, and now and then a little behind.
        ahead_s = random.Random(text).uniform(-2.0, 2.0)
        self.clock.jump(((self.track.at or T0) - self.clock.now()) / 1e6 + ahead_s)
        self.pipeline.note(NAME, text, "night shift")

    def end(self, kindly: bool) -> None:
        if kindly:
            self.pipeline.take_snapshots()
        assert self.writer.close()


@dataclass(frozen=True)
class Lived:
    """What a day left behind: readings, notes, records as stored, and the state at its end."""

    readings: list[Reading]
    notes: list[Note]
    starts: list[object]
    stops: list[object]
    events: list[tuple[int, str, str]]
    alerts: list[object]
    state: bytes


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    store = open_store(f"sqlite:///{tmp_path / 'ledger.db'}")
    yield store
    store.close()


def lived(store: Store, readings: Sequence[Reading], seed: int) -> Lived:
    """Live a day in batches and runs drawn from the seed, with notes in between."""
    draw, place = random.Random(seed), 0
    run = Live(store)
    while place < len(readings):
        until = place + draw.choice([1, 1, 2, 5, 40, 300])
        run.pipeline.take_readings(NAME, readings[place:until])
        place = until
        if draw.random() < 0.04:
            run.note(f"worked on it, {place}")
        if draw.random() < 0.03:
            run.end(kindly=draw.random() < 0.5)
            run = Live(store)
    state = run.track.snapshot()
    run.end(kindly=False)
    readers = Readers(store)
    return Lived(
        readings=[reading for _, _, reading in readers.readings_after(0)],
        notes=readers.notes(NAME)[::-1],
        starts=list(readers.starts(NAME, limit=10_000, curves=True)[::-1]),
        stops=list(readers.stops(NAME, limit=10_000)[::-1]),
        events=sorted((event.at, event.kind, json.dumps(event.body)) for event in readers.events(NAME, limit=10_000)),
        alerts=sorted(readers.alerts(starter=NAME, limit=10_000), key=lambda alert: alert.id),
        state=state,
    )


def at_one_go(readings: Sequence[Reading], notes: Sequence[Note]) -> Lived:
    """Fold the same day reading by reading, with no store."""
    track, written = Track(PUMP), list(notes)
    starts, stops, alerts = dict[int, object](), dict[int, object](), dict[str, object]()
    events: dict[tuple[int, str], KeptEvent] = {}
    for reading in readings:
        while written and reading.at > written[0].reading_at:
            note = written.pop(0)
            track.note(note.at, note.text, note.by)
        outcomes = track.fold((reading,))
        starts.update((start.number, start) for start in outcomes.starts)
        stops.update((stop.ended_at, stop) for stop in outcomes.stops)
        alerts.update((alert.id, alert) for alert in outcomes.alerts)
        events.update(((event.at, type(event).__name__), event) for event in outcomes.events)
    for note in written:
        track.note(note.at, note.text, note.by)
    rows = [event_row(1, event) for event in events.values()]
    return Lived(
        readings=list(readings),
        notes=list(notes),
        starts=[starts[number] for number in sorted(starts)],
        stops=[stops[at] for at in sorted(stops)],
        events=sorted((row["at_us"], row["kind"], json.dumps(json.loads(row["body"]))) for row in rows),
        alerts=[alerts[name] for name in sorted(alerts)],
        state=track.snapshot(),
    )


def compared(live: Lived, day: Sequence[Reading]) -> None:
    assert live.readings == list(day), "stored as they came"
    again = at_one_go(live.readings, live.notes)
    for name in ("starts", "stops", "events", "alerts"):
        assert getattr(again, name) == getattr(live, name), name
    assert again.state == live.state


@pytest.mark.parametrize("seed", range(4))
def test_a_day_with_restarts_and_notes_is_replayed_bit_for_bit(store: Store, seed: int) -> None:
    day = long_day(6000, seed)
    compared(lived(store, day, 100 + seed), day)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(10, 16))
def test_whole_days_with_restarts_and_notes(store: Store, seed: int) -> None:
    day = long_day(60_000, seed)
    compared(lived(store, day, 100 + seed), day)


def test_the_day_has_everything_that_could_differ(store: Store) -> None:
    day = long_day(20_000, 3)
    live = lived(store, day, 1)
    kinds = {kind for _, kind, _ in live.events}
    assert {"gap_ended", "phase_lost", "settings_changed", "unseen_starts"} <= kinds
    assert {start.outcome for start in Readers(store).starts(NAME, limit=1000)} >= {
        Outcome.AT_SPEED,
        Outcome.ABORTED,
        Outcome.TRIPPED,
        Outcome.UNSEEN,
    }
    assert live.notes and live.alerts and live.stops


def test_a_drift_is_in_the_stored_day_too(store: Store) -> None:
    # No notes and no changed settings between: long enough for a baseline, and starts that grow longer.
    day = [Reading(r.at, {k: v for k, v in r.values.items() if not k.startswith("set_")}, r.flaws) for r in long_day(40_000, 5)]
    run = Live(store)
    run.pipeline.take_readings(NAME, day)
    run.end(kindly=True)
    found = [event for event in Readers(store).events(NAME, limit=10_000) if event.kind == "drift_found"]
    assert found and found[-1].body["drifts"][0]["figure"] == "duration"
    assert [alert.kind.value for alert in Readers(store).alerts(starter=NAME) if alert.kind.value == "drift"] == ["drift"]
    result = replay(PUMP, day)
    assert result.live.drifts and result.as_json()["drifts"][0]["text"].startswith("starts grow longer")


def test_replay_of_what_is_stored_is_what_was_lived(store: Store) -> None:
    day = long_day(8000, 7)
    live = lived(store, day, 7)
    result = replay(PUMP, live.readings, notes=live.notes)
    stored = {start.number: start for start in Readers(store).starts(NAME, limit=10_000, curves=True)}
    assert {start.number: start for start in result.starts if start.number in stored} == stored
    assert list(result.stops) == live.stops
    told = [json.loads(body) for _, kind, body in live.events if kind == "phase_lost"]
    assert [{"phase": lost.phase, "number": lost.number} for lost in result.phase_losses] == told
    changes = [json.loads(body)["changes"] for _, kind, body in live.events if kind == "settings_changed"]
    assert [[asdict(change) for change in event.changes] for event in result.settings_changes] == changes


def test_looking_from_outside_sees_the_state_as_stored_and_writes_nothing(store: Store) -> None:
    day = long_day(3000, 9)
    run = Live(store)
    run.pipeline.take_readings(NAME, day[:2000])
    run.pipeline.take_snapshots()
    run.pipeline.take_readings(NAME, day[2000:])
    run.writer.flush()
    before = Readers(store).counts()
    assert stored_track(PUMP, Readers(store)).snapshot() == run.track.snapshot()
    assert Readers(store).counts() == before
    run.end(kindly=False)
