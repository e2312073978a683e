"""What the store costs: bytes written and kept a sample, on the demo's plant read once a second with a commit each second of plant time,
against the table that a script would write, a row a sample."""

from __future__ import annotations

import asyncio
import sqlite3
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from gateway.clock import HandClock
from gateway.demo_history import RegisterReader
from gateway.instants import HOUR, SECOND, Instant
from gateway.motors.reading import Reading
from gateway.services.housekeeping import Housekeeping
from gateway.services.pipeline import Pipeline
from gateway.services.publication import Publication
from gateway.services.track import Track
from gateway.site import Site, load_site
from gateway.store import engines
from gateway.store.compaction import SETTLED
from gateway.store.database import Store, open_store
from gateway.store.spans import layouts_of
from gateway.store.writer import Writer
from simulators.live import build_starters
from simulators.scenario import load_scenario
from tests.benchmarks.plant import BEGIN, DEMO, MORNING_S

KEPT_DAYS = 30


@dataclass(frozen=True, slots=True, kw_only=True)
class Storing:
    """Bytes a polled sample of a plant of so many motors: `appended` and `compacting` written, `raw`, `chunks` and `starts` kept; and the
    same of the script's table, `rows_written` and `rows_kept`. compact_us: CPU time of compaction a reading [us]."""

    motors: int
    samples: int
    appended: float
    compacting: float
    raw: float
    chunks: float
    starts: float
    compact_us: float
    rows_written: float
    rows_kept: float

    @property
    def written(self) -> float:
        """Return the bytes written a sample in all."""
        return self.appended + self.compacting

    @property
    def on_disk(self) -> float:
        """Return the bytes on disk a sample after a month: all in chunks but the last 40 minutes or so, which are still raw."""
        raw_h = (SETTLED + HOUR / 2) / HOUR
        return self.chunks + self.starts + self.raw * raw_h / (24 * KEPT_DAYS)


def storing(folder: Path, hours: float, copies: int) -> Storing:
    """Store some hours of the demo's plant, every motor under so many names, and compact them; at least 1.2 hours give a chunk."""
    site = load_site(DEMO / "site.yaml")
    named = [replace(each.starter, name=f"{each.starter.name}-{copy}") for each in site.starters for copy in range(copies)]
    tracks = {each.name: Track(each) for each in named}
    clock = HandClock(BEGIN + round((MORNING_S / 3600 + hours) * HOUR))
    store = open_store(f"sqlite:///{folder}/plant.db", clock)
    # The thread commits when it is told to: each second of plant time, as it would.
    writer = Writer(store, clock, commit_interval_s=3600.0)
    pipeline = Pipeline(tracks, writer, Publication(track.live() for track in tracks.values()), clock)
    before, samples = _written(), 0
    for second, readings in _seconds(site, hours):
        for name, reading in readings.items():
            samples += copies * len(reading.values)
            for copy in range(copies):
                pipeline.take_readings(f"{name}-{copy}", (reading,))
        writer.flush()
        if second % 60 == 0:
            writer.run_outside(engines.checkpoint).result()
    writer.run_outside(engines.checkpoint).result()
    appended, raw, polled = _written() - before, store.sizes()[0], _stored(store)
    before, cpu_s = _written(), time.process_time()
    asyncio.run(Housekeeping(store, writer, HandClock(clock.now() + 4 * HOUR), keep_readings_days=3000).compact())
    cpu_s = time.process_time() - cpu_s
    writer.run_outside(engines.checkpoint).result()
    compacting, compacted = _written() - before, polled - _stored(store)
    writer.close()
    store.close()
    sizes = _table_bytes(folder / "plant.db")
    rows_kept, rows_written = _as_rows(folder, site, min(hours, 0.1))
    return Storing(
        motors=len(tracks),
        samples=samples,
        appended=appended / samples,
        compacting=compacting / max(1, compacted),
        raw=raw / samples,
        chunks=sum(size for name, size in sizes.items() if "chunk" in name) / compacted if compacted else 0.0,
        starts=sizes["starts"] / samples,
        compact_us=1e6 * cpu_s / (max(1, compacted) / (samples / (hours * 3600 * len(tracks)))),
        rows_written=rows_written,
        rows_kept=rows_kept,
    )


def _seconds(site: Site, hours: float) -> Iterator[tuple[int, Mapping[str, Reading]]]:
    """Give what each motor shows, second by second from the morning on."""
    simulated = build_starters(load_scenario(DEMO / "scenario.yaml"))
    readers = {each.starter.name: RegisterReader(each, simulated[each.starter.name]) for each in site.starters}
    for second in range(round(MORNING_S), round(MORNING_S + hours * 3600)):
        at: Instant = BEGIN + second * SECOND
        for each in simulated.values():
            each.advance_to(float(second))
        yield second, {name: reader.reading(at) for name, reader in readers.items()}


def _as_rows(folder: Path, site: Site, hours: float) -> tuple[float, float]:
    """Return the bytes kept and written a sample by the table of a script, which grows slower with time and is young here."""
    before, samples, number = _written(), 0, 0
    with sqlite3.connect(folder / "rows.db") as database:
        database.execute("PRAGMA journal_mode = WAL")
        database.execute("CREATE TABLE samples (device TEXT, signal TEXT, at REAL, value REAL)")
        database.execute("CREATE INDEX by_signal ON samples (device, signal, at)")
        for second, readings in _seconds(site, hours):
            for name, reading in readings.items():
                for key, value in reading.values.items():
                    database.execute("INSERT INTO samples VALUES (?, ?, ?, ?)", (name, key, float(second), value))
                    samples += 1
            database.commit()
            number += 1
        database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    database.close()
    return (folder / "rows.db").stat().st_size / samples, (_written() - before) / samples


def _stored(store: Store) -> int:
    """Return how many samples the raw readings hold."""
    with store.reading.begin() as connection:
        counts = connection.exec_driver_sql("SELECT layout_id, count(*) FROM readings GROUP BY 1").all()
        layouts = layouts_of(connection)
    return sum(len(layouts[layout_id].keys) * count for layout_id, count in counts)


def _table_bytes(file: Path) -> dict[str, int]:
    with sqlite3.connect(file) as database:
        found = dict(database.execute("SELECT name, sum(pgsize) FROM dbstat GROUP BY name"))
    database.close()
    return found


def _written() -> int:
    """Return the bytes that this process had the kernel write to disks."""
    lines = Path("/proc/self/io").read_text(encoding="utf-8").splitlines()
    return next(int(line.split(":")[1]) for line in lines if line.startswith("write_bytes"))
