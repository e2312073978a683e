"""Letting readings go when they are old, raw ones and chunks of them. Starts, stops, alerts and events are kept for ever."""

from __future__ import annotations

from sqlalchemy import Connection, delete, select

from gateway.instants import Instant
from gateway.store.tables import blocks, chunks, readings

BLOCKS_AT_A_TIME = 60
"""About an hour of readings: a transaction short enough that the next commit is not late."""
CHUNKS_AT_A_TIME = 2000


def forget_readings(connection: Connection, before: Instant) -> int:
    """Delete some of the readings that are older than `before`; return how many, 0 when none is left.

    Only whole blocks go, oldest first. Their pages are used again by new readings. Snapshots are minutes apart, so that nothing as old
    as a day is needed to recover.
    """
    old = select(blocks.c.first_id, blocks.c.last_id).where(blocks.c.to_us < before)
    deleted = 0
    for row in connection.execute(old.order_by(blocks.c.first_id).limit(BLOCKS_AT_A_TIME)).all():
        deleted += connection.execute(delete(readings).where(readings.c.id.between(row.first_id, row.last_id))).rowcount
        connection.execute(delete(blocks).where(blocks.c.first_id == row.first_id))
    return deleted


def forget_chunks(connection: Connection, before: Instant) -> int:
    """Delete some of the chunks that are older than `before`; return how many, 0 when none is left."""
    old = select(chunks.c.starter_id, chunks.c.first_id).where(chunks.c.to_us < before).limit(CHUNKS_AT_A_TIME)
    keys = connection.execute(old).all()
    for starter_id, first_id in keys:
        connection.execute(delete(chunks).where(chunks.c.starter_id == starter_id, chunks.c.first_id == first_id))
    return len(keys)
