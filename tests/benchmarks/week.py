"""A store that holds a week of one starter, read each second: steady running by exception, starts whole, the last hour as it came.

The current carries the noise of an instrument's last digits, a load that wanders, and sixty starts; the figures are invented.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory

from sqlalchemy import Connection

from gateway.clock import HandClock
from gateway.instants import SECOND, Instant
from gateway.motors.reading import Reading
from gateway.motors.records import Outcome, Start, Stop, StopKind
from gateway.store import compaction
from gateway.store.batch import Batch, Snapshot
from gateway.store.database import Store, open_store
from gateway.store.readers import Readers
from gateway.store.writer import Writer
from tests.web.tarn_hollow import NOW, FakePlant, Trace, tarn_hollow

WEEK_S = 7 * 24 * 3600
STARTER = "DC-01"
_CYCLE_S = WEEK_S // 60
_AT_A_TIME = 600
_FLC_A = 81.0


@dataclass
class WeekPlant(FakePlant):
    """The invented plant, whose samples come from a store on disk."""

    readers: Readers | None = None

    def samples(self, name: str, key: str, from_at: Instant, to_at: Instant, *, points: int | None = None) -> Trace:
        assert self.readers is not None
        found = self.readers.samples(STARTER, key, from_at, to_at, points=points)
        return Trace(found.at, found.values)


def _current_a(second: int, draw: random.Random) -> float:
    """Return the current of a motor that is started each cycle, runs for most of it under a wandering load, and stands."""
    phase = second % _CYCLE_S
    if phase < 12:
        return round(_FLC_A * (3.4 + draw.gauss(0.0, 0.02)), 1)
    if phase > 0.8 * _CYCLE_S:
        return 0.0
    load = 0.82 + 0.06 * math.sin(second / 1900.0) + 0.02 * math.sin(second / 47.0)
    return round(_FLC_A * load + draw.gauss(0.0, 0.25), 1)


def _batches() -> Iterator[Batch]:
    draw, begin = random.Random(7), NOW - WEEK_S * SECOND
    for portion in range(0, WEEK_S, _AT_A_TIME):
        found = []
        for second in range(portion, portion + _AT_A_TIME):
            current_a = _current_a(second, draw)
            values = {"current": current_a, "voltage": round(400.0 + draw.gauss(0.0, 0.6), 1), "running": current_a > 0.0}
            found.append(Reading(begin + second * SECOND + draw.randrange(3000), values, {}))
        yield Batch(starter=STARTER, readings=tuple(found), snapshot=Snapshot(at=found[-1].at, body=b"state"))


def _moves() -> Batch:
    """Return the starts and stops of the week: what lies around them is kept whole."""
    begin = NOW - WEEK_S * SECOND
    starts, stops = [], []
    for number in range(WEEK_S // _CYCLE_S):
        at = begin + number * _CYCLE_S * SECOND
        starts.append(Start(number=number + 1, began_at=at, ended_at=at + 12 * SECOND, outcome=Outcome.AT_SPEED, duration_s=12.0))
        off_at = at + round(0.8 * _CYCLE_S) * SECOND
        stops.append(Stop(began_at=off_at, ended_at=off_at, kind=StopKind.COAST))
    return Batch(starter=STARTER, starts=tuple(starts), stops=tuple(stops))


def _compact(store: Store, writer: Writer) -> None:
    """Compact all that is due, as housekeeping does."""
    after_id = 0
    while True:
        with store.reading.begin() as connection:
            window = compaction.next_window(connection, NOW, after_id)
            if window is None:
                return
            found = compaction.groups(connection, window)
        for group in found:
            with store.reading.begin() as connection:
                portion = compaction.prepare(connection, window, group)
            writer.run(partial(_keep, portion)).result(60)
        while writer.run(partial(_drop, window)).result(60):
            pass
        after_id = window.last_id


def _keep(portion: compaction.Portion, connection: Connection) -> int:
    return compaction.keep_portion(connection, portion)


def _drop(window: compaction.Window, connection: Connection) -> int:
    return compaction.drop_compacted(connection, window)


@contextmanager
def week_store() -> Iterator[Readers]:
    """Yield readers of the store; it takes about half a minute to write."""
    with TemporaryDirectory() as folder:
        store = open_store(f"sqlite:///{Path(folder) / 'week.db'}", HandClock(NOW))
        writer = Writer(store, HandClock(NOW), commit_interval_s=3600.0)
        try:
            writer.put(_moves())
            for place, batch in enumerate(_batches()):
                writer.put(batch)
                if place % 20 == 0:
                    writer.flush()
            writer.flush()
            _compact(store, writer)
            yield Readers(store)
        finally:
            writer.close()
            store.close()


def week_plant(readers: Readers) -> WeekPlant:
    """Return the invented plant over that store."""
    model = tarn_hollow()
    return WeekPlant(model.motors, model.standing, model.past_alerts, model.connections, clock=model.clock, readers=readers)
