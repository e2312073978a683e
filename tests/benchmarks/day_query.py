"""One day of one signal out of a large file: from the gateway's store, and from the table that a reader would choose, a row a sample keyed
by series and time."""

from __future__ import annotations

import random
import sqlite3
import statistics
import struct
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from sqlalchemy import insert

from gateway.clock import HandClock
from gateway.instants import HOUR, SECOND, Instant
from gateway.motors.reading import Reading
from gateway.registers.decode import decode_block
from gateway.registers.plan import plan_reads
from gateway.store import tables as t
from gateway.store.chunks import Chunk, checksum, pack_chunk
from gateway.store.database import open_store
from gateway.store.gathering import gathered
from gateway.store.packing import Layout, Packer
from gateway.store.readers import Readers
from tests.benchmarks.devices import VALUES, device_map, payloads
from tests.benchmarks.plant import BEGIN

POINTS = 1000
DISTINCT = 4
"""Days that are made; the other starters have copies of them under their own names."""
DAY: Instant = 24 * HOUR


@dataclass(frozen=True, slots=True)
class DayQuery:
    """Times of one day of one signal to 1000 points [ms], middle of the asked ones: from the store and from the table of rows."""

    ours_ms: float
    rows_ms: float
    file_mb: float


def day_query(folder: Path, starters: int, days: int) -> DayQuery:
    """Make days of so many starters with 20 signals at 1 s, and ask for one day of random signals."""
    store = open_store(f"sqlite:///{folder}/days.db", HandClock(BEGIN))
    with store.writing.begin() as connection:
        connection.execute(insert(t.starters), [{"id": number + 1, "name": f"M-{number}"} for number in range(starters)])
        for rows in _chunk_rows(starters, days):
            connection.execute(insert(t.chunks), rows)
    readers, draw, times = Readers(store), random.Random(5), []
    keys = [signal.key for signal in device_map().signals]
    for _ in range(40):
        begin = BEGIN + draw.randrange(days) * DAY
        name, key = f"M-{draw.randrange(starters)}", draw.choice(keys)
        tries = []
        for _ in range(3):
            begin_s = time.perf_counter()
            found = readers.samples(name, key, begin, begin + DAY - 1, points=POINTS)
            tries.append(time.perf_counter() - begin_s)
        if len(found.at) < 20:
            raise RuntimeError(f"only {len(found.at)} samples of {key}")
        times.append(min(tries))
    file_mb = store.sizes()[0] / 1e6
    store.close()
    return DayQuery(1000 * statistics.median(times), _rows_ms(folder), file_mb)


def _chunk_rows(starters: int, days: int) -> Iterator[list[dict[str, object]]]:
    """Give the rows of chunks hour by hour, as compaction leaves them: of all starters, one after another."""
    hours = [[_chunk(hour, copy) for copy in range(DISTINCT)] for hour in range(24)]
    number = 0
    for hour in range(24 * days):
        bodies = [pack_chunk(replace(chunk, at=chunk.at + (hour // 24) * DAY)) for chunk in hours[hour % 24]]
        from_us = BEGIN + hour * HOUR
        rows: list[dict[str, object]] = []
        for starter in range(starters):
            body = bodies[starter % DISTINCT]
            key = (starter + 1, number + 1, number + 3600, from_us, from_us + HOUR - 1)
            names = ("starter_id", "first_id", "last_id", "from_us", "to_us")
            rows.append(dict(zip(names, key, strict=True)) | {"checksum": checksum(body, *key), "body": body})
            number += 3600
        yield rows


def _chunk(hour: int, copy: int) -> Chunk:
    (block,) = plan_reads(device_map(), slow=True)
    moments = [decode_block(block, struct.unpack(f">{2 * VALUES}H", body))[0] for body in payloads(copy)]
    draw, packer = random.Random(100 * hour + copy), Packer()
    rows, layouts = [], dict[int, Layout]()
    for second in range(3600):
        at = BEGIN + hour * HOUR + second * SECOND + draw.randrange(2000)
        packed = packer.pack(Reading(at, draw.choice(moments)))
        layouts[1] = packed.layout
        rows.append(_Row(at, 1, packed.time_source, packed.packed, None))
    return gathered(rows, layouts)


@dataclass(frozen=True, slots=True)
class _Row:
    at_us: int
    layout_id: int
    time_source: int
    packed: bytes
    extra: str | None


def _rows_ms(folder: Path) -> float:
    """Return the time of the same question to a row a sample, thinned to the lowest and highest of 500 stretches by numpy. That file holds
    20 series only, which favours it."""
    database = sqlite3.connect(folder / "rows.db")
    database.execute("CREATE TABLE samples (series INTEGER, at INTEGER, value REAL, PRIMARY KEY (series, at)) WITHOUT ROWID")
    draw, at, times = np.random.default_rng(6), (np.arange(86_400) * SECOND).tolist(), []
    for series in range(20):
        values = np.round(60 + draw.normal(0, 0.2, 86_400).cumsum() / 50, 2).tolist()
        database.executemany("INSERT INTO samples VALUES (?, ?, ?)", zip([series] * 86_400, at, values, strict=True))
    for series in range(20):
        begin_s = time.perf_counter()
        rows = database.execute("SELECT at, value FROM samples WHERE series = ? AND at BETWEEN 0 AND ?", (series, DAY)).fetchall()
        found = np.array(rows)
        edges = np.searchsorted(found[:, 0], np.arange(POINTS // 2) * (DAY / (POINTS // 2)))
        np.minimum.reduceat(found[:, 1], edges)
        np.maximum.reduceat(found[:, 1], edges)
        times.append(time.perf_counter() - begin_s)
    database.close()
    return 1000 * statistics.median(times)
