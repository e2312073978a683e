"""The tables. Instants are UTC microseconds in a BIGINT, floats are 64 bit, nothing is a date type: the same in SQLite and PostgreSQL.

Readings are appended and never indexed (an index on starter or time would dirty a page a series with every commit); a range of time is
found through `blocks`, one row for each minute of appending. Everything else has a key that follows from what it says, so that writing it
twice changes nothing.
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    SmallInteger,
    Table,
    Text,
)

metadata = MetaData()

# SQLite gives only a column declared INTEGER the row's own number.
_RowNumber = BigInteger().with_variant(Integer, "sqlite")
_Float64 = Float(53)


def _starter_key() -> Column[int]:
    return Column("starter_id", Integer, ForeignKey("starters.id"), primary_key=True, autoincrement=False)


schema_version = Table(
    "schema_version",
    metadata,
    Column("version", Integer, primary_key=True, autoincrement=False),
    Column("title", Text, nullable=False),
    Column("applied_at_us", BigInteger, nullable=False),
)

starters = Table(
    "starters",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("name", Text, nullable=False, unique=True),
)

layouts = Table(
    "layouts",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("starter_id", Integer, ForeignKey("starters.id"), nullable=False),
    Column("kinds", Text, nullable=False),
    Column("keys", Text, nullable=False),
)
"""Which signals a packed reading holds, in order: `keys` a JSON list, `kinds` a letter each (see `packing`)."""

readings = Table(
    "readings",
    metadata,
    Column("id", _RowNumber, primary_key=True, autoincrement=False),
    Column("starter_id", Integer, nullable=False),
    Column("layout_id", Integer, nullable=False),
    Column("at_us", BigInteger, nullable=False),
    Column("time_source", SmallInteger, nullable=False),
    Column("packed", LargeBinary, nullable=False),
    Column("extra", Text),
    Column("checksum", BigInteger),
)

blocks = Table(
    "blocks",
    metadata,
    Column("first_id", _RowNumber, primary_key=True, autoincrement=False),
    Column("last_id", BigInteger, nullable=False),
    Column("from_us", BigInteger, nullable=False),
    Column("to_us", BigInteger, nullable=False),
    Column("places", LargeBinary),
)
"""Runs of readings appended one after another, with the earliest and the latest instant in each. Readings after the last block are in
none yet. `places` tells which of them are whose (see `places`)."""

chunks = Table(
    "chunks",
    metadata,
    _starter_key(),
    Column("first_id", BigInteger, primary_key=True, autoincrement=False),
    Column("last_id", BigInteger, nullable=False),
    Column("from_us", BigInteger, nullable=False),
    Column("to_us", BigInteger, nullable=False),
    Column("checksum", BigInteger, nullable=False),
    Column("body", LargeBinary, nullable=False),
    Index("ix_chunks_starter_id_to_us", "starter_id", "to_us", "from_us"),
)
"""What is kept for long of a starter's readings (see `compaction`). Readings up to the `last_id` of its latest chunk count no more."""

starts = Table(
    "starts",
    metadata,
    _starter_key(),
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("began_at_us", BigInteger, nullable=False),
    Column("ended_at_us", BigInteger, nullable=False),
    Column("outcome", Text, nullable=False),
    Column("began_error_s", _Float64, nullable=False),
    Column("duration_s", _Float64),
    Column("duration_error_s", _Float64),
    Column("peak_current_a", _Float64),
    Column("steady_peak_current_a", _Float64),
    Column("peak_ratio", _Float64),
    Column("i2t_a2s", _Float64),
    Column("i2t_flc2s", _Float64),
    Column("winding_i2t_flc2s", _Float64),
    Column("i2t_error_pct", _Float64),
    Column("mean_current_a", _Float64),
    Column("equivalent_x", _Float64),
    Column("equivalent_t_s", _Float64),
    Column("at_speed_current_a", _Float64),
    Column("unbalance_pct", _Float64),
    Column("heat_before", _Float64),
    Column("heat_after", _Float64),
    Column("trip_code", BigInteger),
    Column("samples", Integer, nullable=False),
    Column("quality", SmallInteger, nullable=False),
    Column("remark", Text, nullable=False),
    Column("curve", LargeBinary),
    Column("peak_error_pct", _Float64),
    Column("rms_current_a", _Float64),
    Column("lowest_voltage_v", _Float64),
    Column("voltage_dip_pct", _Float64),
    Column("voltage_dip_error_pct", _Float64),
    Column("command_to_begin_s", _Float64),
    Column("command_to_speed_s", _Float64),
    Column("command_error_s", _Float64),
    Column("shape", Text),
    Column("direct", Text),
)
"""`shape` and `direct` are JSON objects, None where the start has none."""

stops = Table(
    "stops",
    metadata,
    _starter_key(),
    Column("ended_at_us", BigInteger, primary_key=True, autoincrement=False),
    Column("began_at_us", BigInteger, nullable=False),
    Column("run_began_at_us", BigInteger),
    Column("kind", Text, nullable=False),
    Column("trip_code", BigInteger),
)

alerts = Table(
    "alerts",
    metadata,
    Column("id", Text, primary_key=True),
    Column("starter_id", Integer, ForeignKey("starters.id"), nullable=False),
    Column("kind", Text, nullable=False),
    Column("priority", SmallInteger, nullable=False),
    Column("text", Text, nullable=False),
    Column("advice", Text, nullable=False),
    Column("raised_at_us", BigInteger, nullable=False, index=True),
    Column("acknowledged_at_us", BigInteger),
    Column("acknowledged_by", Text, nullable=False),
    Column("returned_at_us", BigInteger),
)

events = Table(
    "events",
    metadata,
    _starter_key(),
    Column("at_us", BigInteger, primary_key=True, autoincrement=False),
    Column("kind", Text, primary_key=True),
    Column("body", Text, nullable=False),
)
"""What is worth keeping besides starts and stops: gaps, unseen starts, counter resets, lost phases, changed settings, drift."""

snapshots = Table(
    "snapshots",
    metadata,
    _starter_key(),
    Column("reading_id", BigInteger, nullable=False),
    Column("at_us", BigInteger, nullable=False),
    Column("body", LargeBinary, nullable=False),
)
"""State of a starter's watch and alerts after the readings up to `reading_id`; the readings after it restore the rest."""

notes = Table(
    "notes",
    metadata,
    _starter_key(),
    Column("at_us", BigInteger, primary_key=True, autoincrement=False),
    Column("text", Text, nullable=False),
    Column("by", Text, nullable=False),
    Column("reading_at_us", BigInteger, nullable=False),
)
"""What somebody wrote of the machine: drift is learned anew from each note on."""

settings_changes = Table(
    "settings_changes",
    metadata,
    _starter_key(),
    Column("at_us", BigInteger, primary_key=True, autoincrement=False),
    Column("digest", Text, nullable=False),
    Column("settings", Text, nullable=False),
)
"""What the site file said of a starter, each time it said something new."""
