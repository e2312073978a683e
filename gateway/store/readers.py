"""Reading the store: short transactions on connections that cannot write, from any thread. Each answer is complete before it is given
out, so that no slow client ever holds the write-ahead log."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, func, select
from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError

from gateway.errors import StoreError
from gateway.instants import Instant
from gateway.motors.alerts import Alert
from gateway.motors.reading import Reading
from gateway.motors.records import Start, Stop
from gateway.store.batch import Note
from gateway.store.database import Store
from gateway.store.faults import fault_of
from gateway.store.packing import unpack
from gateway.store.rows import alert_from, note_from, start_from, stop_from
from gateway.store.samples import Samples, thinned
from gateway.store.spans import layouts_of, series_between
from gateway.store.tables import alerts, chunks, events, notes, readings, settings_changes, snapshots, starters, starts, stops

REPLAY_PORTION = 20_000
_FIGURES = [column for column in starts.columns if column.name != "curve"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredSnapshot:
    """A snapshot as stored: state after the readings up to `reading_id`."""

    at: Instant
    reading_id: int
    body: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredEvent:
    """An event worth keeping as stored: its kind and what it said."""

    at: Instant
    kind: str
    body: dict[str, Any]


class Readers:
    """What is stored. Every method raises StoreError in plain words when the store cannot be read."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def starts(self, name: str, *, before_number: int | None = None, limit: int = 50, curves: bool = False) -> list[Start]:
        """Return the starts of a starter, latest first, those below `before_number` only."""
        columns = list(starts.columns) if curves else _FIGURES
        query = select(*columns).join(starters).where(starters.c.name == name).order_by(starts.c.number.desc()).limit(limit)
        if before_number is not None:
            query = query.where(starts.c.number < before_number)
        with self.reading() as connection:
            return [start_from(row) for row in connection.execute(query).mappings()]

    def start(self, name: str, number: int) -> Start | None:
        """Return one start with its curve, None when there is none of that number."""
        query = select(starts).join(starters).where(starters.c.name == name, starts.c.number == number)
        with self.reading() as connection:
            row = connection.execute(query).mappings().one_or_none()
        return start_from(row) if row else None

    def starts_between(self, name: str, from_at: Instant, to_at: Instant) -> list[Start]:
        """Return the starts that began in a span, earliest first, without curves."""
        span = starts.c.began_at_us.between(from_at, to_at)
        query = select(*_FIGURES).join(starters).where(starters.c.name == name, span).order_by(starts.c.number)
        with self.reading() as connection:
            return [start_from(row) for row in connection.execute(query).mappings()]

    def stops(self, name: str, *, limit: int = 50) -> list[Stop]:
        """Return the stops of a starter, latest first."""
        query = select(stops).join(starters).where(starters.c.name == name).order_by(stops.c.ended_at_us.desc()).limit(limit)
        with self.reading() as connection:
            return [stop_from(row) for row in connection.execute(query).mappings()]

    def alerts(self, *, starter: str | None = None, limit: int = 100) -> list[Alert]:
        """Return alerts, past and standing, latest first."""
        query = select(alerts, starters.c.name.label("starter")).join(starters)
        query = query.order_by(alerts.c.raised_at_us.desc(), alerts.c.id).limit(limit)
        if starter is not None:
            query = query.where(starters.c.name == starter)
        with self.reading() as connection:
            return [alert_from(row) for row in connection.execute(query).mappings()]

    def events(self, name: str, *, limit: int = 100) -> list[StoredEvent]:
        """Return the kept events of a starter (gaps, unseen starts, counter resets), latest first."""
        query = select(events).join(starters).where(starters.c.name == name).order_by(events.c.at_us.desc(), events.c.kind).limit(limit)
        with self.reading() as connection:
            return [StoredEvent(at=row.at_us, kind=row.kind, body=json.loads(row.body)) for row in connection.execute(query)]

    def notes(self, name: str, *, limit: int = 100) -> list[Note]:
        """Return what was written of a starter's machine, latest first in the order in which it counts."""
        in_order = notes.c.reading_at_us.desc(), notes.c.at_us.desc()
        query = select(notes).join(starters).where(starters.c.name == name).order_by(*in_order).limit(limit)
        with self.reading() as connection:
            return [note_from(row) for row in connection.execute(query).mappings()]

    def samples(self, name: str, key: str, from_at: Instant, to_at: Instant, *, points: int | None = None) -> Samples:
        """Return the samples of one signal in a span, both ends included, in time order. What is older than an hour or two is kept by
        exception (see `keeping`).

        points: about how many samples are wanted at most; more are thinned to the lowest and highest of each stretch. None: all.
        """
        with self.reading() as connection:
            found = series_between(connection, name, key, from_at, to_at)
        return (found if points is None else thinned(found, from_at, to_at, points)).samples()

    def snapshot(self, name: str) -> StoredSnapshot | None:
        """Return the last snapshot of a starter."""
        query = select(snapshots).join(starters).where(starters.c.name == name)
        with self.reading() as connection:
            row = connection.execute(query).one_or_none()
        return StoredSnapshot(at=row.at_us, reading_id=row.reading_id, body=row.body) if row else None

    def last_settings_digest(self, name: str) -> str | None:
        """Return the digest of the settings that were last noted for a starter."""
        query = select(settings_changes.c.digest).join(starters).where(starters.c.name == name)
        with self.reading() as connection:
            return connection.scalar(query.order_by(settings_changes.c.at_us.desc()).limit(1))

    def readings_after(self, reading_id: int, names: Sequence[str] | None = None) -> Iterator[tuple[str, int, Reading]]:
        """Give the stored readings after one, in the order in which they came: starter, number and reading. `names`: of these starters
        only."""
        with self.reading() as connection:
            owners = {row.id: row.name for row in connection.execute(select(starters)) if names is None or row.name in names}
            known = layouts_of(connection)
        while True:
            query = select(readings).where(readings.c.id > reading_id).order_by(readings.c.id).limit(REPLAY_PORTION)
            if names is not None:
                query = query.where(readings.c.starter_id.in_(owners))
            with self.reading() as connection:
                portion = connection.execute(query).all()
            for row in portion:
                reading_id = row.id
                yield owners[row.starter_id], row.id, unpack(known[row.layout_id], row.at_us, row.time_source, row.packed, row.extra)
            if len(portion) < REPLAY_PORTION:
                return

    def counts(self) -> dict[str, int]:
        """Return how many rows the large tables have."""
        large = (readings, chunks, starts, stops, alerts)
        with self.reading() as connection:
            return {table.name: connection.scalar(select(func.count()).select_from(table)) or 0 for table in large}

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Yield a connection that cannot write, for one short transaction; faults come out as StoreError."""
        try:
            with self._store.reading.begin() as connection:
                yield connection
        except DBAPIError as error:
            raise StoreError(fault_of(error, self._store.url).text) from error
        except PoolTimeoutError as error:
            raise StoreError(f"{self._store.place}: too many people read at once; try again") from error
