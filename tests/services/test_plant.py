"""What the pages see: now, the past, and how it all is doing."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from gateway.clock import HandClock
from gateway.instants import Instant
from gateway.motors.records import Budget, MotorState
from gateway.registers.model import Protocol, RegisterMap
from gateway.services.health import JobHealth, LinkLog
from gateway.services.pipeline import Pipeline
from gateway.services.plant import Plant, Watched
from gateway.services.publication import Publication
from gateway.services.track import Track
from gateway.site import LinkAddress, Site, StarterSite, WebSettings
from gateway.store.batch import Batch
from gateway.store.database import open_store
from gateway.store.faults import StoreFault, StoreFaultKind
from gateway.store.writer import Writer
from tests.services.feed import STARTERS, T0, feed
from tests.store.records import start


class Whole:
    """A plant with its pipeline, writer and store, fed by hand."""

    def __init__(self, folder: Path) -> None:
        self.clock = HandClock(T0)
        self.store = open_store(f"sqlite:///{folder / 'ledger.db'}")
        self.writer = Writer(self.store, self.clock, commit_interval_s=3600.0)
        self.tracks = {starter.name: Track(starter) for starter in STARTERS}
        publication = Publication(track.live() for track in self.tracks.values())
        self.pipeline = Pipeline(self.tracks, self.writer, publication, self.clock)
        self.plant = Plant(_site(folder), self.tracks, publication, self.pipeline, self.store, self.writer, self.clock)

    async def feed(self, count: int) -> None:
        for place, (name, reading) in enumerate(feed(count)):
            if place % 50 == 0:
                await self.clock.turn(max(0.0, (reading.at - self.clock.now()) / 1e6))
            self.pipeline.take_readings(name, (reading,))
        self.writer.flush()


def _site(folder: Path) -> Site:
    address = LinkAddress(Protocol.MODBUS, "10.20.0.11", 502)
    register_map = RegisterMap(name="plain", protocol=Protocol.MODBUS, signals=())
    starters = tuple(StarterSite(starter=starter, map=register_map, address=address) for starter in STARTERS)
    return Site(
        name="Tarn Hollow", time_zone=ZoneInfo("Europe/London"), store_url="sqlite:///ledger.db", web=WebSettings(), starters=starters,
        file=folder / "site.yaml",
    )  # fmt: skip


@pytest.fixture
def whole(tmp_path: Path) -> Iterator[Whole]:
    whole = Whole(tmp_path)
    yield whole
    whole.writer.close()
    whole.store.close()


def test_before_the_first_reading_everything_is_known_to_be_unknown(whole: Whole) -> None:
    plant = whole.plant
    assert plant.names == ("FAN-1", "PUMP-2")
    assert [live.state for live in plant.lives()] == [MotorState.UNKNOWN, MotorState.UNKNOWN]
    assert plant.live("FAN-1").at is None
    assert plant.budget("FAN-1").as_of == T0
    assert plant.heat_trail("FAN-1") == ()
    assert plant.standing_alerts() == ()
    assert plant.starts("FAN-1") == []
    with pytest.raises(KeyError):
        plant.live("NOBODY")


async def test_what_was_fed_is_seen_live_and_in_the_store(whole: Whole) -> None:
    await whole.feed(4000)
    plant = whole.plant
    live, starts = plant.live("FAN-1"), plant.starts("FAN-1", limit=500)
    assert live.total_starts == starts[0].number == len(starts)
    assert live.last_start is not None
    assert (live.last_start.number, live.last_start.curve) == (starts[0].number, None)
    number = next(found.number for found in starts if found.samples)
    whole_start = plant.start("FAN-1", number)
    assert whole_start is not None
    assert whole_start.curve is not None
    assert plant.stops("FAN-1")
    assert plant.events("FAN-1")
    assert plant.alerts()
    assert plant.alerts(starter="PUMP-2") == [alert for alert in plant.alerts() if alert.starter == "PUMP-2"]
    assert plant.heat_trail("FAN-1")
    samples = plant.samples("FAN-1", "current", T0, T0 + 1_300_000_000, points=200)
    assert 50 < len(samples.at) <= 300


async def test_a_budget_is_worked_out_once_a_publication_and_at_any_later_instant(whole: Whole, monkeypatch: pytest.MonkeyPatch) -> None:
    await whole.feed(3000)
    plant, watch = whole.plant, whole.tracks["FAN-1"].watch
    asked: list[int] = []
    real = watch.budget

    def noted(at: Instant) -> Budget:
        asked.append(at)
        return real(at)

    monkeypatch.setattr(watch, "budget", noted)
    first = plant.budget("FAN-1")
    assert plant.budget("FAN-1") is first
    assert asked == [plant.live("FAN-1").at]
    later = plant.budget_at("FAN-1", whole.clock.now() + 3600 * 1_000_000)
    assert later.as_of > first.as_of
    whole.pipeline.take_readings("FAN-1", (feed(3200)[-1][1],))
    await whole.clock.turn(2)
    whole.pipeline.take_readings("FAN-1", tuple(reading for name, reading in feed(3300)[3200:] if name == "FAN-1"))
    assert plant.budget("FAN-1") is not first


async def test_changes_are_counted_by_starter(whole: Whole) -> None:
    name, reading = feed(1)[0]
    whole.pipeline.take_readings(name, (reading,))
    assert whole.plant.revision == whole.plant.revision_of(name) == 1
    assert await whole.plant.wait_for_change(0) == 1


async def test_an_alert_is_acknowledged_once_and_that_is_kept(whole: Whole) -> None:
    await whole.feed(4000)
    plant = whole.plant
    standing = plant.standing_alerts()
    assert standing
    assert [alert.priority for alert in standing] == sorted(alert.priority for alert in standing)
    acknowledged = plant.acknowledge(standing[0].id, "night shift")
    assert acknowledged is not None
    assert (acknowledged.acknowledged_at, acknowledged.acknowledged_by) == (whole.clock.now(), "night shift")
    assert plant.acknowledge("nothing:of:the:kind", "night shift") is None
    whole.writer.flush()
    assert next(alert for alert in plant.alerts() if alert.id == standing[0].id) == acknowledged


async def test_health_tells_links_store_and_jobs(whole: Whole) -> None:
    await whole.feed(200)
    log = LinkLog("modbus 10.20.0.11:502", ("FAN-1",))
    log.is_open = True
    whole.plant.watched = Watched(links=(log,), jobs={"tidy": JobHealth(name="tidy")})
    health = whole.plant.health()
    assert (health.at, health.started_at) == (whole.clock.now(), T0)
    assert [link.address for link in health.links] == ["modbus 10.20.0.11:502"]
    assert [job.name for job in health.jobs] == ["tidy"]
    assert health.store.is_storing
    assert health.store.commits == 1
    assert health.store.last_commit_at == whole.clock.now()
    assert health.store.size_bytes > 0
    assert health.store.engine.startswith("SQLite 3.")
    assert health.is_well


def test_health_says_when_nothing_is_stored_and_what_was_given_up(whole: Whole, monkeypatch: pytest.MonkeyPatch) -> None:
    fault = StoreFault(StoreFaultKind.FULL, "the disk is full: free some space")
    whole.writer.put(Batch(starter="FAN-1", starts=(start(1),)))
    failing = replace(whole.writer.state(), fault=fault, dropped_readings=7)
    monkeypatch.setattr(whole.writer, "state", lambda: failing)
    health = whole.plant.health()
    assert not health.is_well
    assert not health.store.is_storing
    assert health.store.queued_records == 1
    assert any("Nothing is being stored: the disk is full" in warning for warning in health.warnings)
    monkeypatch.setattr(type(whole.store), "sizes", lambda _: (10**9, 80 * 2**20))
    assert any("write-ahead log has 80 MiB" in warning for warning in whole.plant.health().warnings)
    assert any("7 raw readings were given up" in warning for warning in health.warnings)


async def test_a_note_is_kept_and_begins_the_drift_anew(whole: Whole) -> None:
    early = whole.plant.note("FAN-1", "commissioned", "A")
    assert (early.at, early.reading_at) == (T0, T0), "before the first reading"
    await whole.feed(600)
    revision = whole.plant.revision
    note = whole.plant.note("FAN-1", "bearings greased", "A. Fitter")
    assert whole.plant.revision > revision, "pages see it at once"
    assert note.reading_at == whole.tracks["FAN-1"].at
    whole.writer.flush()
    assert whole.plant.notes("FAN-1") == [note, early]
    assert whole.plant.notes("PUMP-2") == []
    assert [each.reason for each in whole.plant.drift_breaks("FAN-1")] == ["commissioned", "bearings greased"]
    with pytest.raises(KeyError):
        whole.plant.note("NOBODY", "x", "y")


async def test_the_explained_budget(whole: Whole) -> None:
    await whole.feed(3000)
    now = whole.plant.explained_budget("FAN-1")
    assert now.as_of >= whole.clock.now()
    later = whole.plant.explained_budget("FAN-1", whole.clock.now() + 2_000_000)
    assert later.as_of == whole.clock.now() + 2_000_000
    assert replace(later, outlook=None) == whole.plant.budget_at("FAN-1", later.as_of)
