"""What the store holds of one starter in a span of time: for reports and exports. Short transactions that cannot write."""

from __future__ import annotations

import json

from sqlalchemy import func, or_, select

from gateway.instants import Instant
from gateway.motors.alerts import Alert
from gateway.motors.records import GapEnded, Start, Stop
from gateway.store.batch import Note
from gateway.store.readers import Readers, StoredEvent
from gateway.store.rows import alert_from, note_from, start_from, stop_from
from gateway.store.samples import Samples
from gateway.store.tables import alerts, events, notes, readings, settings_changes, starters, starts, stops

NEAR_THE_BEGIN = 100_000
"""So many of the oldest stored readings are looked through for the first one of a starter: its readings have no index of their own."""
_FIGURES = [column for column in starts.columns if column.name != "curve"]


class Periods:
    """The records of a span. Every method raises StoreError in plain words when the store cannot be read."""

    def __init__(self, readers: Readers) -> None:
        self._readers = readers

    def latest_starts(self, name: str, *, before_number: int, limit: int) -> list[Start]:
        """Return the starts below a number with their curves, latest first."""
        return self._readers.starts(name, before_number=before_number, limit=limit, curves=True)

    def samples(self, name: str, key: str, from_at: Instant, to_at: Instant) -> Samples:
        """Return the stored samples of one signal in a span, both ends included."""
        return self._readers.samples(name, key, from_at, to_at)

    def starts_touching(self, name: str, from_at: Instant, to_at: Instant) -> list[Start]:
        """Return the starts that began, ended or lasted in a span (of an unseen one: its gap), by number, without curves."""
        span = starts.c.began_at_us < to_at, starts.c.ended_at_us >= from_at
        query = select(*_FIGURES).join(starters).where(starters.c.name == name, *span).order_by(starts.c.number)
        with self._readers.reading() as connection:
            return [start_from(row) for row in connection.execute(query).mappings()]

    def stops_between(self, name: str, from_at: Instant, to_at: Instant) -> list[Stop]:
        """Return the stops that ended in a span, earliest first."""
        span = stops.c.ended_at_us >= from_at, stops.c.ended_at_us < to_at
        query = select(stops).join(starters).where(starters.c.name == name, *span).order_by(stops.c.ended_at_us)
        with self._readers.reading() as connection:
            return [stop_from(row) for row in connection.execute(query).mappings()]

    def alerts_touching(self, name: str, from_at: Instant, to_at: Instant) -> list[Alert]:
        """Return the alerts that stood in a span, earliest first."""
        stood = alerts.c.raised_at_us < to_at, or_(alerts.c.returned_at_us.is_(None), alerts.c.returned_at_us >= from_at)
        query = select(alerts, starters.c.name.label("starter")).join(starters).where(starters.c.name == name, *stood)
        with self._readers.reading() as connection:
            return [alert_from(row) for row in connection.execute(query.order_by(alerts.c.raised_at_us, alerts.c.id)).mappings()]

    def gaps_touching(self, name: str, from_at: Instant, to_at: Instant) -> list[GapEnded]:
        """Return the gaps without readings that reach into a span, earliest first; one that has not ended yet is not among them."""
        gaps = starters.c.name == name, events.c.kind == "gap_ended"
        query = select(events.c.at_us, events.c.body).join(starters).where(*gaps).order_by(events.c.at_us)
        inside = query.where(events.c.at_us >= from_at, events.c.at_us < to_at)
        # The first gap that ended later may have begun in the span.
        later = query.where(events.c.at_us >= to_at).limit(1)
        with self._readers.reading() as connection:
            rows = [*connection.execute(inside), *connection.execute(later)]
        found = [(row.at_us, json.loads(row.body)) for row in rows]
        return [GapEnded(began_at=body["began_at"], at=at, reason=body["reason"]) for at, body in found if body["began_at"] < to_at]

    def happenings(self, name: str, from_at: Instant, to_at: Instant) -> list[StoredEvent]:
        """Return the kept events of a span but gaps and unseen starts, earliest first."""
        told = starters.c.name == name, events.c.kind.not_in(("gap_ended", "unseen_starts"))
        span = events.c.at_us >= from_at, events.c.at_us < to_at
        query = (
            select(events.c.at_us, events.c.kind, events.c.body).join(starters).where(*told, *span).order_by(events.c.at_us, events.c.kind)
        )
        with self._readers.reading() as connection:
            return [StoredEvent(at=row.at_us, kind=row.kind, body=json.loads(row.body)) for row in connection.execute(query)]

    def notes_between(self, name: str, from_at: Instant, to_at: Instant) -> list[Note]:
        """Return the notes of a span, earliest first."""
        query = select(notes).join(starters).where(starters.c.name == name, notes.c.at_us >= from_at, notes.c.at_us < to_at)
        with self._readers.reading() as connection:
            return [note_from(row) for row in connection.execute(query.order_by(notes.c.at_us)).mappings()]

    def settings_noted(self, name: str, from_at: Instant, to_at: Instant) -> list[Instant]:
        """Return when the site file said something new of a starter in a span, earliest first."""
        changes = settings_changes.c.at_us
        query = select(changes).join(starters).where(starters.c.name == name, changes >= from_at, changes < to_at).order_by(changes)
        with self._readers.reading() as connection:
            return list(connection.scalars(query))

    def first_known(self, name: str) -> Instant | None:
        """Return the earliest instant of which anything is stored of a starter, None when there is nothing."""
        with self._readers.reading() as connection:
            starter_id = connection.scalar(select(starters.c.id).where(starters.c.name == name))
            if starter_id is None:
                return None
            oldest = connection.scalar(select(func.min(readings.c.id))) or 0
            near = readings.c.id < oldest + NEAR_THE_BEGIN, readings.c.starter_id == starter_id
            found = [
                connection.scalar(select(func.min(starts.c.began_at_us)).where(starts.c.starter_id == starter_id)),
                connection.scalar(select(func.min(events.c.at_us)).where(events.c.starter_id == starter_id)),
                connection.scalar(select(func.min(settings_changes.c.at_us)).where(settings_changes.c.starter_id == starter_id)),
                connection.scalar(select(readings.c.at_us).where(*near).order_by(readings.c.id).limit(1)),
            ]
        return min((at for at in found if at is not None), default=None)
