"""Batches to rows, inside one transaction. Keeps the numbers that the rows need; after any failure it is thrown away and loaded anew."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, Table, func, insert, select

from gateway.instants import MINUTE, Instant
from gateway.store import tables
from gateway.store.backlog import Waiting
from gateway.store.engines import append, upsert
from gateway.store.packing import Layout, checksum_of
from gateway.store.places import pack_places
from gateway.store.rows import alert_row, event_row, note_row, start_row, stop_row

BLOCK_SPAN = MINUTE
BLOCK_READINGS = 20_000

_Row = dict[str, Any]


class Book:
    """The numbers of starters, layouts and readings as the database has them, and the run of readings that is in no block yet.

    reading_id: number of the last reading; the next one gets the number after it. A number is never used twice, not even after old
    readings were deleted, because snapshots name the reading after which they were taken.
    """

    def __init__(self, connection: Connection) -> None:
        t = tables
        self._starters: dict[str, int] = {row.name: row.id for row in connection.execute(select(t.starters))}
        self._stored_layouts: dict[tuple[int, str, str], int] = {
            (row.starter_id, row.kinds, row.keys): row.id for row in connection.execute(select(t.layouts))
        }
        self._layouts: dict[Layout, int] = {}
        numbers = (
            func.max(t.readings.c.id),
            func.max(t.blocks.c.last_id),
            func.max(t.chunks.c.last_id),
            func.max(t.snapshots.c.reading_id),
        )
        self.reading_id: int = max(connection.scalar(select(number)) or 0 for number in numbers)
        in_blocks = connection.scalar(select(func.max(t.blocks.c.last_id))) or 0
        tail = select(func.min(t.readings.c.id), func.count(), func.min(t.readings.c.at_us), func.max(t.readings.c.at_us))
        first, count, earliest, latest = connection.execute(tail.where(t.readings.c.id > in_blocks)).one()
        self._block = _OpenBlock(first, count, earliest or 0, latest or 0)

    def write(self, connection: Connection, waiting: Sequence[Waiting]) -> None:
        """Write batches in their order."""
        readings: list[tuple[Any, ...]] = []
        blocks: list[tuple[Any, ...]] = []
        records = _Records()
        for entry in waiting:
            starter_id = self._starter_id(connection, entry.batch.starter)
            for reading in entry.readings:
                self.reading_id += 1
                layout_id = self._layout_id(connection, starter_id, reading.layout)
                check = checksum_of(self.reading_id, starter_id, layout_id, *reading[1:])
                readings.append((self.reading_id, starter_id, layout_id, *reading[1:], check))
                closed = self._block.take(self.reading_id, starter_id, reading.at)
                if closed:
                    blocks.append(closed)
            records.take(starter_id, entry, self.reading_id)
        append(connection, tables.readings, readings)
        append(connection, tables.blocks, blocks)
        records.write(connection)

    def _starter_id(self, connection: Connection, name: str) -> int:
        starter_id = self._starters.get(name)
        if starter_id is None:
            starter_id = max(self._starters.values(), default=0) + 1
            connection.execute(insert(tables.starters).values(id=starter_id, name=name))
            self._starters[name] = starter_id
        return starter_id

    def _layout_id(self, connection: Connection, starter_id: int, layout: Layout) -> int:
        layout_id = self._layouts.get(layout)
        if layout_id is None:
            keys = json.dumps(layout.keys)
            stored = (starter_id, layout.kinds, keys)
            layout_id = self._stored_layouts.get(stored)
            if layout_id is None:
                layout_id = max(self._stored_layouts.values(), default=0) + 1
                connection.execute(insert(tables.layouts).values(id=layout_id, starter_id=starter_id, kinds=layout.kinds, keys=keys))
                self._stored_layouts[stored] = layout_id
            self._layouts[layout] = layout_id
        return layout_id


class _OpenBlock:
    """The run of readings that is in no block yet. (What an earlier connection wrote of it is counted; whose it was is not known.)"""

    def __init__(self, first_id: int | None, count: int, earliest: Instant, latest: Instant) -> None:
        self._is_whole = not count
        self._ids: dict[int, list[int]] = {}
        self._first_id = first_id
        self._count = count
        self._earliest = earliest
        self._latest = latest

    def take(self, reading_id: int, starter_id: int, at: Instant) -> tuple[int, int, Instant, Instant, bytes | None] | None:
        """Add a reading; return the block as a row when it is full with it."""
        if self._first_id is None:
            self._first_id, self._count, self._earliest, self._latest = reading_id, 0, at, at
        self._count += 1
        ids = self._ids.get(starter_id)
        if ids is None:
            ids = self._ids[starter_id] = []
        ids.append(reading_id)
        if at < self._earliest:
            self._earliest = at
        if at > self._latest:
            self._latest = at
        if self._latest - self._earliest < BLOCK_SPAN and self._count < BLOCK_READINGS:
            return None
        row = (self._first_id, reading_id, self._earliest, self._latest, pack_places(self._ids) if self._is_whole else None)
        self._first_id, self._is_whole, self._ids = None, True, {}
        return row


class _Records:
    """Rows of everything but readings, by key: of two rows with one key in a transaction the later stands."""

    def __init__(self) -> None:
        self._rows: dict[Table, dict[tuple[Any, ...], _Row]] = {}

    def take(self, starter_id: int, entry: Waiting, reading_id: int) -> None:
        """Add what a batch holds besides its readings; `reading_id` is the last reading up to and with this batch."""
        batch = entry.batch
        for start in batch.starts:
            self._add_start(start_row(starter_id, start))
        for stop in batch.stops:
            self._add(tables.stops, stop_row(starter_id, stop))
        for alert in batch.alerts:
            self._add(tables.alerts, alert_row(starter_id, alert))
        for event in batch.events:
            self._add(tables.events, event_row(starter_id, event))
        if entry.snapshot is not None:
            at, body = entry.snapshot.at, entry.snapshot.body
            self._add(tables.snapshots, {"starter_id": starter_id, "reading_id": reading_id, "at_us": at, "body": body})
        if batch.note is not None:
            self._add(tables.notes, note_row(starter_id, batch.note))
        if batch.settings is not None:
            change = batch.settings
            row = {"starter_id": starter_id, "at_us": change.at, "digest": change.digest, "settings": change.settings}
            self._add(tables.settings_changes, row)

    def write(self, connection: Connection) -> None:
        """Write all rows."""
        for table, rows in self._rows.items():
            upsert(connection, table, list(rows.values()), keep_if_null=("curve",) if table is tables.starts else ())

    def _add_start(self, row: _Row) -> None:
        # A start comes again with better figures, not always with its curve.
        older = self._rows.get(tables.starts, {}).get((row["starter_id"], row["number"]))
        if row["curve"] is None and older is not None:
            row["curve"] = older["curve"]
        self._add(tables.starts, row)

    def _add(self, table: Table, row: _Row) -> None:
        key = tuple(row[column.name] for column in table.primary_key)
        self._rows.setdefault(table, {})[key] = row
