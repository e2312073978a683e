"""What the store gives of a span: everything that reaches into it, and nothing else."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from gateway.clock import HandClock
from gateway.motors.records import CounterReset, GapEnded, Outcome, Start
from gateway.store.batch import Batch, Note, SettingsChange
from gateway.store.periods import Periods
from gateway.store.readers import Readers
from gateway.store.writer import Writer
from tests.store.records import SECOND, T0, alert, reading, start, stop, store_in


class Kept:
    """A store with its writer and the periods over it."""

    def __init__(self, folder: Path) -> None:
        self.store = store_in(folder)
        self.writer = Writer(self.store, HandClock(T0), commit_interval_s=3600.0)
        self.periods = Periods(Readers(self.store))

    def put(self, batch: Batch) -> None:
        self.writer.put(batch)
        self.writer.flush()


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[Kept]:
    made = Kept(tmp_path)
    yield made
    made.writer.close()
    made.store.close()


def at(minute: float) -> int:
    return T0 + round(minute * 60 * SECOND)


def unseen(number: int, from_minute: float, to_minute: float) -> Start:
    return Start(number=number, began_at=at(from_minute), ended_at=at(to_minute), outcome=Outcome.UNSEEN)


def test_starts_that_reach_into_the_span(kept: Kept) -> None:
    kept.put(Batch(starter="FAN-1", starts=(start(1), start(2), unseen(3, 25, 45), start(5))))  # they begin every 10 min
    kept.put(Batch(starter="FAN-2", starts=(start(2),)))
    found = kept.periods.starts_touching("FAN-1", at(20), at(50))
    assert [each.number for each in found] == [2, 3]
    assert found[0] == start(2, with_curve=False)
    assert [each.number for each in kept.periods.starts_touching("FAN-1", at(46), at(50) + 1)] == [5]
    assert kept.periods.starts_touching("FAN-3", at(0), at(50)) == []


def test_latest_starts_have_their_curves(kept: Kept) -> None:
    kept.put(Batch(starter="FAN-1", starts=(start(1), start(2), start(3))))
    assert kept.periods.latest_starts("FAN-1", before_number=3, limit=1) == [start(2)]


def test_stops_that_ended_in_the_span(kept: Kept) -> None:
    stops = (stop(60), stop(120), stop(180))
    kept.put(Batch(starter="FAN-1", stops=stops))
    assert kept.periods.stops_between("FAN-1", T0 + 60 * SECOND, T0 + 180 * SECOND) == [*stops[:2]]


def test_alerts_that_stood_in_the_span(kept: Kept) -> None:
    over = alert(0, returned_at=T0 + 30 * SECOND, acknowledged_at=T0 + 1, acknowledged_by="A")
    standing, late = alert(10), alert(100)
    kept.put(Batch(starter="FAN-1", alerts=(over, standing, late)))
    assert kept.periods.alerts_touching("FAN-1", T0 + 60 * SECOND, T0 + 90 * SECOND) == [standing]
    assert kept.periods.alerts_touching("FAN-1", T0, T0 + 90 * SECOND) == [over, standing]
    assert kept.periods.alerts_touching("FAN-2", T0, T0 + 90 * SECOND) == []


def test_gaps_that_reach_into_the_span_and_one_that_ended_after_it(kept: Kept) -> None:
    gaps = [GapEnded(began_at=at(minute), at=at(minute + 5), reason="no answer") for minute in (0, 10, 20, 30)]
    kept.put(Batch(starter="FAN-1", events=(*gaps, CounterReset(at=at(12), before=5, after=0, reason="reset"))))
    assert kept.periods.gaps_touching("FAN-1", at(12), at(22)) == gaps[1:3]
    assert kept.periods.gaps_touching("FAN-1", at(16), at(19)) == []


def test_other_events_and_notes_of_the_span(kept: Kept) -> None:
    reset = CounterReset(at=at(12), before=5, after=0, reason="reset")
    note = Note(at=at(14), text="gland packed", by="AB", reading_at=at(13))
    gap = GapEnded(began_at=at(10), at=at(11), reason="")
    kept.put(Batch(starter="FAN-1", events=(reset, gap), note=note))
    (found,) = kept.periods.happenings("FAN-1", at(0), at(20))
    assert (found.at, found.kind, found.body["before"]) == (at(12), "counter_reset", 5)
    assert kept.periods.notes_between("FAN-1", at(0), at(20)) == [note]
    assert kept.periods.happenings("FAN-1", at(13), at(20)) == kept.periods.notes_between("FAN-1", at(15), at(20)) == []


def test_when_the_site_file_said_something_new(kept: Kept) -> None:
    for minute in (5, 15, 25):
        kept.put(Batch(starter="FAN-1", settings=SettingsChange(at=at(minute), digest=str(minute), settings="{}")))
    assert kept.periods.settings_noted("FAN-1", at(5), at(25)) == [at(5), at(15)]


def test_the_earliest_of_all_that_is_known(kept: Kept) -> None:
    assert kept.periods.first_known("FAN-1") is None
    kept.put(Batch(starter="FAN-1", settings=SettingsChange(at=at(40), digest="a", settings="{}")))
    assert kept.periods.first_known("FAN-1") == at(40)
    kept.put(Batch(starter="FAN-1", starts=(replace(start(1), began_at=at(30)),)))
    assert kept.periods.first_known("FAN-1") == at(30)
    kept.put(Batch(starter="FAN-1", events=(GapEnded(began_at=at(19), at=at(20), reason=""),)))
    assert kept.periods.first_known("FAN-1") == at(20)
    kept.put(Batch(starter="FAN-1", readings=(reading(7), reading(8))))
    assert kept.periods.first_known("FAN-1") == T0 + 7 * SECOND
    assert kept.periods.first_known("FAN-2") is None


def test_samples_of_a_span(kept: Kept) -> None:
    kept.put(Batch(starter="FAN-1", readings=tuple(reading(second, current=second / 2) for second in range(10))))
    found = kept.periods.samples("FAN-1", "current", T0 + 2 * SECOND, T0 + 4 * SECOND)
    assert list(found.at) == [T0 + second * SECOND for second in (2, 3, 4)]
