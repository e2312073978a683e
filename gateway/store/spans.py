"""One signal of one starter over a span of time, out of chunks and of the raw readings that are in none yet."""

from __future__ import annotations

import json
import logging
from typing import Any

import numpy as np
from sqlalchemy import ColumnElement, Connection, ScalarSelect, func, select

from gateway.instants import Instant
from gateway.store import tables as t
from gateway.store.chunks import checksum, samples_in
from gateway.store.engines import rows_of_numbers
from gateway.store.packing import Layout, is_sound
from gateway.store.places import places_of
from gateway.store.samples import Series, joined, series_of, within

log = logging.getLogger(__name__)


def series_between(connection: Connection, name: str, key: str, from_at: Instant, to_at: Instant) -> Series:
    """Return the samples of a span, both ends included. A gap without readings and what is damaged begin with a NaN."""
    starter_id = connection.scalar(select(t.starters.c.id).where(t.starters.c.name == name))
    if starter_id is None:
        return joined([])
    parts = _from_chunks(connection, starter_id, key, from_at, to_at)
    rows = _raw_rows(connection, starter_id, from_at, to_at)
    if rows:
        parts.append(within(series_of(key, rows, layouts_of(connection, starter_id)), from_at, to_at))
    found = joined(parts)
    gaps = _gaps(connection, starter_id, from_at, to_at) if len(found.at) else []
    return joined([found, _breaks(gaps)]) if gaps else found


def layouts_of(connection: Connection, starter_id: int | None = None) -> dict[int, Layout]:
    """Return the layouts of stored readings by number, of one starter or of all."""
    query = select(t.layouts)
    if starter_id is not None:
        query = query.where(t.layouts.c.starter_id == starter_id)
    return {row.id: Layout(tuple(json.loads(row.keys)), row.kinds) for row in connection.execute(query)}


def compacted_up_to(starter_id: ColumnElement[int] | int) -> ScalarSelect[int]:
    """Return the query for the number of the last reading of a starter that is in a chunk: readings up to it count no more."""
    latest = select(t.chunks.c.last_id).where(t.chunks.c.starter_id == starter_id).order_by(t.chunks.c.first_id.desc())
    return latest.limit(1).scalar_subquery()


def _breaks(instants: list[Instant]) -> Series:
    return Series(np.array(instants, np.int64), np.full(len(instants), np.nan))


def _from_chunks(connection: Connection, starter_id: int, key: str, from_at: Instant, to_at: Instant) -> list[Series]:
    c = t.chunks.c
    span = c.starter_id == starter_id, c.to_us >= from_at, c.from_us <= to_at
    query = select(c.first_id, c.last_id, c.from_us, c.to_us, c.checksum, c.body).where(*span).order_by(c.to_us)
    parts = []
    for first_id, last_id, from_us, to_us, sum_then, body in connection.execute(query):
        try:
            if checksum(body, starter_id, first_id, last_id, from_us, to_us) != sum_then:
                raise ValueError("the head of a chunk is damaged")
            found = samples_in(body, key) if body else None
        except ValueError as error:
            log.error("%s (readings %d to %d); its samples are left out", error, first_id, last_id)
            parts.append(_breaks([max(from_us, from_at)]))
            continue
        if found is not None:
            series = Series(*found)
            parts.append(series if from_at <= from_us and to_us <= to_at else within(series, from_at, to_at))
    return parts


def _raw_rows(connection: Connection, starter_id: int, from_at: Instant, to_at: Instant) -> list[Any]:
    """Return the readings of a span that are in no chunk. Damaged ones are left out: what cannot be true is not shown."""
    b = t.blocks.c
    numbers_now = select(
        compacted_up_to(starter_id), select(func.max(t.readings.c.id)).scalar_subquery(), select(func.max(b.last_id)).scalar_subquery()
    )
    beyond, newest, in_blocks = (number or 0 for number in connection.execute(numbers_now).one())
    touching = connection.execute(
        select(b.first_id, b.last_id, b.places).where(b.to_us >= from_at, b.from_us <= to_at, b.last_id > beyond).order_by(b.first_id)
    ).all()
    numbers: list[int] = []
    runs: list[tuple[int, int]] = []
    for first_id, last_id, places in touching:
        if places is not None:
            numbers += places_of(places, starter_id).tolist()
        elif runs and runs[-1][1] + 1 == first_id:
            runs[-1] = runs[-1][0], last_id
        else:
            runs.append((first_id, last_id))
    if newest > in_blocks:
        runs.append((in_blocks + 1, newest))
    rows = rows_of_numbers(connection, t.readings, [number for number in numbers if number > beyond]) if numbers else []
    for first_id, last_id in runs:
        own = t.readings.c.id.between(max(first_id, beyond + 1), last_id), t.readings.c.starter_id == starter_id
        rows += connection.execute(select(t.readings).where(*own)).all()
    sound = [row for row in rows if row.starter_id == starter_id and is_sound(row)]
    if len(sound) < len(rows):
        log.error("%d stored readings are damaged and are left out", len(rows) - len(sound))
    return sorted(sound, key=_number)


def _number(row: Any) -> int:
    return int(row.id)


def _gaps(connection: Connection, starter_id: int, from_at: Instant, to_at: Instant) -> list[Instant]:
    """Return the instants just after which gaps began that reach into a span."""
    e = t.events.c
    gaps = e.starter_id == starter_id, e.kind == "gap_ended", e.at_us >= from_at
    bodies = connection.scalars(select(e.body).where(*gaps))
    begins = [int(json.loads(body)["began_at"]) + 1 for body in bodies]
    return [begin for begin in begins if from_at <= begin <= to_at]
