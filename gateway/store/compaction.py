"""Compaction: raw readings that nothing needs whole any more become chunks, a few hundred times smaller.

Raw readings stay whole for `SETTLED` at least, and as long as a snapshot has not passed them: recovery folds them again. Then about an
hour of them, a window, is taken at a time, starter by starter. A portion is one transaction that adds the chunks of some starters; from
that moment the readings up to a chunk's `last_id` are not looked at any more, and a later transaction deletes them, block by block. A
crash between any two leaves the same samples to be read.

Chunks are prepared outside the writer's thread, so that commits go on meanwhile.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, delete, func, select

from gateway.instants import HOUR, MINUTE, SECOND, Instant
from gateway.store import tables as t
from gateway.store.chunks import checksum, pack_chunk
from gateway.store.engines import upsert
from gateway.store.gathering import gathered
from gateway.store.packing import Layout, is_sound
from gateway.store.spans import compacted_up_to, layouts_of

log = logging.getLogger(__name__)

SETTLED: Instant = 10 * MINUTE
WINDOW: Instant = HOUR
"""Of the time that its blocks cover together; a chunk of each starter holds so much."""
MOST_READINGS = 4_000_000
"""In a window: with many starters it is shorter."""
PORTION_READINGS = 100_000
"""Held in memory at a time."""
DELETED_AT_A_TIME = 50_000
BEFORE_START: Instant = 10 * SECOND
AFTER_START: Instant = 30 * SECOND
"""Kept whole around a start or stop."""


@dataclass(frozen=True, slots=True)
class Window:
    """Readings to be compacted together, by number; `blocks` are the first and last numbers of its blocks."""

    first_id: int
    last_id: int
    blocks: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True)
class Portion:
    """Chunks of some starters as rows, and how many readings are in them."""

    chunks: tuple[dict[str, Any], ...]
    readings: int


def next_window(connection: Connection, now: Instant, after_id: int = 0) -> Window | None:
    """Return the oldest readings beyond a number that are due, None when there are too few yet.

    A block from the future was stamped by a clock that was wrong; it counts as settled.
    """
    blocks, span, count = [], 0, 0
    query = select(t.blocks).where(t.blocks.c.first_id > after_id).order_by(t.blocks.c.first_id)
    for row in connection.execute(query):
        if now - SETTLED <= row.to_us <= now + HOUR:
            break
        blocks.append((row.first_id, row.last_id))
        span += row.to_us - row.from_us
        count += row.last_id - row.first_id + 1
        if span >= WINDOW or count >= MOST_READINGS:
            return Window(blocks[0][0], blocks[-1][1], tuple(blocks))
    return None


def groups(connection: Connection, window: Window) -> list[list[int]]:
    """Return the starters that have readings in a window, in groups whose readings fit into memory."""
    counted = select(t.readings.c.starter_id, func.count()).where(_in(window)).group_by(t.readings.c.starter_id)
    found: list[list[int]] = []
    held = 0
    for starter_id, count in connection.execute(counted):
        if not found or held + count > PORTION_READINGS:
            found.append([])
            held = 0
        found[-1].append(starter_id)
        held += count
    return found


def prepare(connection: Connection, window: Window, starter_ids: Sequence[int]) -> Portion:
    """Prepare the chunks of some starters; `connection` only reads. Readings that a snapshot has not passed yet are left out."""
    bounds, layouts = _bounds(connection), layouts_of(connection)
    rows: dict[int, list[Any]] = {starter_id: [] for starter_id in starter_ids}
    query = select(t.readings).where(_in(window), t.readings.c.starter_id.in_(starter_ids)).order_by(t.readings.c.id)
    for row in connection.execute(query):
        own = bounds[row.starter_id]
        if own.done < row.id <= own.passed:
            rows[row.starter_id].append(row)
    chunks = [_chunk_row(connection, starter_id, own, layouts) for starter_id, own in rows.items() if own]
    return Portion(tuple(chunks), sum(len(own) for own in rows.values()))


def keep_portion(connection: Connection, portion: Portion) -> int:
    """Write the chunks of a portion; return how many readings they stand for. The same portion twice changes nothing."""
    upsert(connection, t.chunks, portion.chunks)
    return portion.readings


def drop_compacted(connection: Connection, window: Window) -> int:
    """Delete some of a window's readings that chunks stand for, and blocks that are empty then; return how many, 0 when none is left."""
    bounds = _bounds(connection)
    deleted = 0
    for first_id, last_id in window.blocks:
        in_block = t.readings.c.id.between(first_id, last_id)
        newest = select(t.readings.c.starter_id, func.max(t.readings.c.id).label("last")).where(in_block)
        found = {row.starter_id: row.last for row in connection.execute(newest.group_by(t.readings.c.starter_id))}
        if all(last <= bounds[starter_id].done for starter_id, last in found.items()):
            deleted += connection.execute(delete(t.readings).where(in_block)).rowcount
            connection.execute(delete(t.blocks).where(t.blocks.c.first_id == first_id))
        else:
            for starter_id in found:
                done = in_block & (t.readings.c.starter_id == starter_id) & (t.readings.c.id <= bounds[starter_id].done)
                deleted += connection.execute(delete(t.readings).where(done)).rowcount
        if deleted >= DELETED_AT_A_TIME:
            break
    return deleted


@dataclass(frozen=True, slots=True)
class _Bounds:
    """Of one starter: readings up to `done` are in chunks, those up to `passed` are behind its snapshot."""

    done: int
    passed: int


def _bounds(connection: Connection) -> dict[int, _Bounds]:
    passed = t.snapshots.c.reading_id
    query = select(t.starters.c.id, compacted_up_to(t.starters.c.id), passed).outerjoin(t.snapshots)
    return {starter_id: _Bounds(done or 0, passed or 0) for starter_id, done, passed in connection.execute(query)}


def _in(window: Window) -> Any:
    return t.readings.c.id.between(window.first_id, window.last_id)


def _chunk_row(connection: Connection, starter_id: int, rows: Sequence[Any], layouts: Mapping[int, Layout]) -> dict[str, Any]:
    sound = [row for row in rows if is_sound(row)]
    if len(sound) < len(rows):
        log.error("%d stored readings are damaged and are left out", len(rows) - len(sound))
    from_us, to_us = min(row.at_us for row in rows), max(row.at_us for row in rows)
    body = pack_chunk(gathered(sound, layouts, _whole_spans(connection, starter_id, from_us, to_us))) if sound else b""
    key = (starter_id, rows[0].id, rows[-1].id, from_us, to_us)
    names = ("starter_id", "first_id", "last_id", "from_us", "to_us")
    return dict(zip(names, key, strict=True)) | {"checksum": checksum(body, *key), "body": body}


def _whole_spans(connection: Connection, starter_id: int, from_us: Instant, to_us: Instant) -> list[tuple[Instant, Instant]]:
    """Return the stretches around starts and stops. An unseen start says nothing about its moment."""
    spans = []
    for table, more in ((t.starts, t.starts.c.outcome != "unseen"), (t.stops, t.stops.c.kind != "unseen")):
        touching = table.c.began_at_us <= to_us + BEFORE_START, table.c.ended_at_us >= from_us - AFTER_START
        query = select(table.c.began_at_us, table.c.ended_at_us).where(table.c.starter_id == starter_id, *touching, more)
        spans += [(row.began_at_us - BEFORE_START, row.ended_at_us + AFTER_START) for row in connection.execute(query)]
    return spans
