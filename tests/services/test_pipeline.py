"""What one turn brings is stored whole and made known, at bounded cost."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from gateway.clock import HandClock
from gateway.drivers.base import Poll
from gateway.motors.alerts import AlertChange
from gateway.motors.reading import Reading
from gateway.motors.records import Event, Live, Pace
from gateway.services.pipeline import Pipeline
from gateway.services.publication import Publication
from gateway.services.track import Track
from gateway.store.batch import Batch
from tests.services.feed import STARTERS, T0, feed


class ListSink:
    """Takes batches into a list; says that it wants snapshots of those it was told to."""

    def __init__(self) -> None:
        self.batches: list[Batch] = []
        self.wanted: set[str] = set()

    def put(self, batch: Batch) -> int:
        self.batches.append(batch)
        return len(self.batches)

    def wants_snapshot(self, starter: str) -> bool:
        return starter in self.wanted


class Bench:
    """A pipeline with everything round it."""

    def __init__(self) -> None:
        self.clock = HandClock(T0)
        self.sink = ListSink()
        self.tracks = {starter.name: Track(starter) for starter in STARTERS}
        self.publication = Publication(track.live() for track in self.tracks.values())
        self.pipeline = Pipeline(self.tracks, self.sink, self.publication, self.clock)

    def take(self, at_s: float, current_a: float = 0.0, name: str = "FAN-1") -> Pace:
        reading = Reading(T0 + round(at_s * 1_000_000), {"current": current_a})
        return self.pipeline.take(name, Poll(readings=(reading,)))


@pytest.fixture
def bench() -> Bench:
    return Bench()


def test_every_reading_goes_into_one_batch_with_what_followed_from_it(bench: Bench) -> None:
    fed = feed(4000)
    for name, reading in fed:
        bench.pipeline.take(name, Poll(readings=(reading,)))
    assert [(batch.starter, *batch.readings) for batch in bench.sink.batches] == fed
    starts = [start for batch in bench.sink.batches for start in batch.starts]
    assert len({(start.number, start.began_at) for start in starts}) >= 8
    assert any(batch.stops for batch in bench.sink.batches)
    assert any(batch.alerts for batch in bench.sink.batches)
    assert any(batch.events for batch in bench.sink.batches)


def test_notifications_of_one_poll_are_one_batch(bench: Bench) -> None:
    readings = tuple(Reading(T0 + n * 100_000, {"current": 0.0}) for n in range(5))
    bench.pipeline.take("FAN-1", Poll(readings=readings))
    assert [batch.readings for batch in bench.sink.batches] == [readings]


def test_the_pace_is_told_back(bench: Bench) -> None:
    assert bench.take(0) is Pace.STANDBY
    assert bench.take(1, 300.0) is Pace.STARTING
    assert bench.pipeline.pace("FAN-1") is Pace.STARTING
    assert bench.pipeline.pace("PUMP-2") is Pace.STANDBY


def test_a_snapshot_is_kept_every_three_minutes_of_reading_time_and_not_of_all_at_once(bench: Bench) -> None:
    for n in range(600):
        bench.take(n, name="FAN-1")
        bench.take(n, name="PUMP-2")
    moments = {
        name: [(batch.snapshot.at - T0) // 1_000_000 for batch in bench.sink.batches if batch.snapshot and batch.starter == name]
        for name in ("FAN-1", "PUMP-2")
    }
    assert moments == {"FAN-1": [180, 360, 540], "PUMP-2": [90, 270, 450]}


def test_a_clock_set_back_takes_a_snapshot_rather_than_none_for_an_hour(bench: Bench) -> None:
    bench.take(0)
    bench.take(5)
    bench.take(-3600)
    assert bench.sink.batches[-1].snapshot is not None


def test_a_writer_that_dropped_readings_gets_a_snapshot_with_the_next(bench: Bench) -> None:
    bench.take(0)
    bench.take(1)
    assert bench.sink.batches[-1].snapshot is None
    bench.sink.wanted = {"FAN-1"}
    bench.take(2)
    assert bench.sink.batches[-1].snapshot is not None


async def test_what_happens_is_published_at_once_and_the_rest_once_a_second(bench: Bench) -> None:
    for n in range(20):
        bench.take(n / 10)
        await bench.clock.turn(0.1)
    quiet = bench.publication.revision
    assert quiet <= 4
    bench.take(2.0, 300.0)
    for n in range(21, 26):
        bench.take(n / 10, 300.0)
    live = bench.publication.lives["FAN-1"]
    assert bench.publication.revision > quiet
    assert live.state.value == "starting"


def test_a_snapshot_of_a_starter_never_read_is_not_taken(bench: Bench) -> None:
    bench.take(0)
    before = len(bench.sink.batches)
    bench.pipeline.take_snapshots()
    assert [batch.starter for batch in bench.sink.batches[before:]] == ["FAN-1"]


def test_alerts_are_asked_by_reading_time_seldom_while_nothing_changes_and_whenever_something_happens(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[float] = []
    track = bench.tracks["FAN-1"]
    real = track.board.take

    def noted(live: Live, events: Sequence[Event]) -> tuple[AlertChange, ...]:
        asked.append(((live.at or 0) - T0) / 1e6)
        return real(live, events)

    monkeypatch.setattr(track.board, "take", noted)
    for n in range(121):
        bench.take(n / 10)
    assert asked == [0.0, 5.0, 10.0]
    bench.take(12.1, 300.0)
    bench.take(12.2, 300.0)
    assert bench.tracks["FAN-1"].watch.live().state.value == "starting"
    assert asked[-1] in (12.1, 12.2)
    asked.clear()
    for n in range(123, 160):
        bench.take(n / 10, 300.0)
    assert [round(b - a, 1) for a, b in zip(asked, asked[1:], strict=False)] == [1.0] * (len(asked) - 1)
    asked.clear()
    bench.take(-100)
    bench.take(-99.9)
    bench.take(-99.8)
    assert asked
