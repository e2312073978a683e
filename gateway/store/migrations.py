"""Migrations: numbered, each in one transaction. A new database goes through all of them, so that there is one way to any schema.

To change the schema: change `tables`, and add a migration here that takes an existing database there; a test compares the two. `{bytes}`
and `{row}` stand for the column types that SQLite and PostgreSQL name differently. Never change a migration that was released.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import Connection, Engine, func, insert, inspect, select, text

from gateway.instants import Instant
from gateway.store.engines import type_names
from gateway.store.tables import schema_version


@dataclass(frozen=True, slots=True)
class Migration:
    """One step from the schema before it (number - 1) to `number`."""

    number: int
    title: str
    statements: tuple[str, ...]


MIGRATIONS: tuple[Migration, ...] = (
    Migration(
        1,
        "readings, starts, stops, alerts, events, snapshots",
        (
            """CREATE TABLE starters (id INTEGER NOT NULL PRIMARY KEY, name TEXT NOT NULL UNIQUE)""",
            """CREATE TABLE layouts (id INTEGER NOT NULL PRIMARY KEY, starter_id INTEGER NOT NULL REFERENCES starters (id),
                kinds TEXT NOT NULL, keys TEXT NOT NULL)""",
            """CREATE TABLE readings (id {row} NOT NULL PRIMARY KEY, starter_id INTEGER NOT NULL, layout_id INTEGER NOT NULL,
                at_us BIGINT NOT NULL, time_source SMALLINT NOT NULL, packed {bytes} NOT NULL, extra TEXT)""",
            """CREATE TABLE blocks (first_id {row} NOT NULL PRIMARY KEY, last_id BIGINT NOT NULL,
                from_us BIGINT NOT NULL, to_us BIGINT NOT NULL)""",
            """CREATE TABLE starts (starter_id INTEGER NOT NULL REFERENCES starters (id), number INTEGER NOT NULL,
                began_at_us BIGINT NOT NULL, ended_at_us BIGINT NOT NULL, outcome TEXT NOT NULL, began_error_s FLOAT(53) NOT NULL,
                duration_s FLOAT(53), duration_error_s FLOAT(53),
                peak_current_a FLOAT(53), steady_peak_current_a FLOAT(53), peak_ratio FLOAT(53), i2t_a2s FLOAT(53),
                i2t_flc2s FLOAT(53), winding_i2t_flc2s FLOAT(53), i2t_error_pct FLOAT(53), mean_current_a FLOAT(53),
                equivalent_x FLOAT(53), equivalent_t_s FLOAT(53), at_speed_current_a FLOAT(53), unbalance_pct FLOAT(53),
                heat_before FLOAT(53), heat_after FLOAT(53), trip_code BIGINT, samples INTEGER NOT NULL, quality SMALLINT NOT NULL,
                remark TEXT NOT NULL, curve {bytes}, PRIMARY KEY (starter_id, number))""",
            """CREATE TABLE stops (starter_id INTEGER NOT NULL REFERENCES starters (id), ended_at_us BIGINT NOT NULL,
                began_at_us BIGINT NOT NULL, run_began_at_us BIGINT, kind TEXT NOT NULL, trip_code BIGINT,
                PRIMARY KEY (starter_id, ended_at_us))""",
            """CREATE TABLE alerts (id TEXT NOT NULL PRIMARY KEY, starter_id INTEGER NOT NULL REFERENCES starters (id), kind TEXT NOT NULL,
                priority SMALLINT NOT NULL, text TEXT NOT NULL, advice TEXT NOT NULL, raised_at_us BIGINT NOT NULL,
                acknowledged_at_us BIGINT, acknowledged_by TEXT NOT NULL, returned_at_us BIGINT)""",
            """CREATE INDEX ix_alerts_raised_at_us ON alerts (raised_at_us)""",
            """CREATE TABLE events (starter_id INTEGER NOT NULL REFERENCES starters (id), at_us BIGINT NOT NULL, kind TEXT NOT NULL,
                body TEXT NOT NULL, PRIMARY KEY (starter_id, at_us, kind))""",
            """CREATE TABLE snapshots (starter_id INTEGER NOT NULL PRIMARY KEY REFERENCES starters (id), reading_id BIGINT NOT NULL,
                at_us BIGINT NOT NULL, body {bytes} NOT NULL)""",
            """CREATE TABLE settings_changes (starter_id INTEGER NOT NULL REFERENCES starters (id), at_us BIGINT NOT NULL,
                digest TEXT NOT NULL, settings TEXT NOT NULL, PRIMARY KEY (starter_id, at_us))""",
        ),
    ),
    Migration(
        2,
        "chunks of kept samples, checksums, and whose readings stand where",
        (
            """ALTER TABLE readings ADD COLUMN checksum BIGINT""",
            """ALTER TABLE blocks ADD COLUMN places {bytes}""",
            """CREATE TABLE chunks (starter_id INTEGER NOT NULL REFERENCES starters (id), first_id BIGINT NOT NULL, last_id BIGINT NOT NULL,
                from_us BIGINT NOT NULL, to_us BIGINT NOT NULL, checksum BIGINT NOT NULL, body {bytes} NOT NULL,
                PRIMARY KEY (starter_id, first_id))""",
            """CREATE INDEX ix_chunks_starter_id_to_us ON chunks (starter_id, to_us, from_us)""",
        ),
    ),
    Migration(
        3,
        "more figures of starts, maintenance notes",
        (
            *(
                f"ALTER TABLE starts ADD COLUMN {column}"
                for column in (
                    "peak_error_pct FLOAT(53)",
                    "rms_current_a FLOAT(53)",
                    "lowest_voltage_v FLOAT(53)",
                    "voltage_dip_pct FLOAT(53)",
                    "voltage_dip_error_pct FLOAT(53)",
                    "command_to_begin_s FLOAT(53)",
                    "command_to_speed_s FLOAT(53)",
                    "command_error_s FLOAT(53)",
                    "shape TEXT",
                    "direct TEXT",
                )
            ),
            """CREATE TABLE notes (starter_id INTEGER NOT NULL REFERENCES starters (id), at_us BIGINT NOT NULL,
                text TEXT NOT NULL, by TEXT NOT NULL, reading_at_us BIGINT NOT NULL, PRIMARY KEY (starter_id, at_us))""",
        ),
    ),
)

NEWEST = MIGRATIONS[-1].number


def version_of(connection: Connection) -> int:
    """Return the schema's version, 0 for an empty database."""
    if not inspect(connection).has_table(schema_version.name):
        return 0
    return connection.scalar(select(func.max(schema_version.c.version))) or 0


def migrate(engine: Engine, now: Instant, migrations: Sequence[Migration] = MIGRATIONS) -> tuple[int, ...]:
    """Bring a database to the newest schema; return the numbers of the steps taken. Each step is there whole or not at all."""
    with engine.begin() as connection:
        version = version_of(connection)
    due = [migration for migration in migrations if migration.number > version]
    for migration in due:
        with engine.begin() as connection:
            _apply(connection, migration, now)
    return tuple(migration.number for migration in due)


def _apply(connection: Connection, migration: Migration, now: Instant) -> None:
    if migration.number == 1:
        schema_version.create(connection)
    names = type_names(connection.dialect.name)
    for statement in migration.statements:
        connection.execute(text(statement.format_map(names)))
    connection.execute(insert(schema_version).values(version=migration.number, title=migration.title, applied_at_us=now))
