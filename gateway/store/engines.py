"""All that is peculiar to one database: how SQLite is opened and tuned, upserts, fast appends, checkpoints, file sizes. Nothing else may
be.

SQLite runs with a write-ahead log and synchronous=FULL: a commit that returned survives a power cut. Only the writer's connection ever
writes or checkpoints: SQLite 3.7.0 to 3.51.2 can corrupt a database when two connections do so at the same moment (sqlite.org/wal.html,
"WAL-reset bug").
"""

from __future__ import annotations

import fcntl
import json
import os
import sqlite3
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, Table, create_engine, event, func, insert, select
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.engine import URL
from sqlalchemy.pool import NullPool, QueuePool

BUSY_TIMEOUT_MS = 2000
CHECKPOINT_TIMEOUT_MS = 200
READERS = 8
"""Connections for reading at a time; a reader beyond them waits for one."""
WAIT_FOR_READER_S = 10.0
LOG_LIMIT_BYTES = 32 * 1024 * 1024

_SAFE_SQLITE = (3, 51, 3)
_TYPE_NAMES = {
    "sqlite": {"bytes": "BLOB", "row": "INTEGER"},
    "postgresql": {"bytes": "BYTEA", "row": "BIGINT"},
}


def type_names(dialect: str) -> Mapping[str, str]:
    """Return the column types that the databases name differently."""
    return _TYPE_NAMES[dialect]


def write_engine(url: URL) -> Engine:
    """Return the engine of the one writer. Its transactions take the write lock at once, so that none fails half way for another's sake."""
    engine = create_engine(url, poolclass=NullPool)
    if engine.dialect.name == "sqlite":
        event.listen(engine, "connect", _tune_sqlite_writer)
        event.listen(engine, "begin", _begin_immediate)
    return engine


def read_engine(url: URL) -> Engine:
    """Return the engine of the readers: several connections that cannot write."""
    engine = create_engine(url, poolclass=QueuePool, pool_size=READERS, max_overflow=0, pool_timeout=WAIT_FOR_READER_S)
    if engine.dialect.name == "sqlite":
        event.listen(engine, "connect", _tune_sqlite_reader)
        event.listen(engine, "begin", _begin)
    return engine


def engine_text(engine: Engine) -> str:
    """Return the name and version of the database software, as health shows it."""
    if engine.dialect.name == "sqlite":
        return f"SQLite {sqlite3.sqlite_version}"
    return engine.dialect.name


def engine_warnings(engine: Engine) -> tuple[str, ...]:
    """Return what the user should know of the database software."""
    if engine.dialect.name != "sqlite" or sqlite3.sqlite_version_info >= _SAFE_SQLITE:
        return ()
    return (
        f"SQLite {sqlite3.sqlite_version} has a rare fault (fixed in 3.51.3) that can damage a database written by two programs at once: "
        "let no other program write to this one. The gateway itself writes through one connection only.",
    )


def upsert(connection: Connection, table: Table, rows: Sequence[Mapping[str, Any]], keep_if_null: Sequence[str] = ()) -> None:
    """Insert rows; a row whose key is there already takes the new values, so that writing the same thing twice changes nothing.

    keep_if_null: columns where a NULL leaves the older value standing.
    """
    if not rows:
        return
    dialect = postgresql if connection.dialect.name == "postgresql" else sqlite
    statement = dialect.insert(table)
    new, keys = statement.excluded, [column.name for column in table.primary_key]
    changes = {column.name: new[column.name] for column in table.columns if column.name not in keys}
    for name in keep_if_null:
        changes[name] = func.coalesce(new[name], table.c[name])
    connection.execute(statement.on_conflict_do_update(index_elements=keys, set_=changes), list(rows))


def append(connection: Connection, table: Table, rows: Sequence[tuple[Any, ...]]) -> None:
    """Insert many rows given as tuples in the order of the table's columns, at the cost of the bare driver."""
    if not rows:
        return
    if connection.dialect.positional:
        connection.exec_driver_sql(str(insert(table).compile(dialect=connection.dialect)), list(rows))
    else:
        names = table.columns.keys()
        connection.execute(insert(table), [dict(zip(names, row, strict=True)) for row in rows])


def rows_of_numbers(connection: Connection, table: Table, numbers: Sequence[int]) -> list[Any]:
    """Return the rows whose `id` is among many numbers, by number."""
    if connection.dialect.name != "sqlite":
        return list(connection.execute(select(table).where(table.c.id.in_(numbers)).order_by(table.c.id)))
    # One parameter instead of thousands; the numbers lead, the table follows.
    listed = func.json_each(json.dumps(list(numbers))).table_valued("value")
    return list(connection.execute(select(table).select_from(listed.join(table, table.c.id == listed.c.value))))


def checkpoint(connection: Connection) -> str:
    """Move the write-ahead log into the database and empty it; return what happened. Only the writer may call this, between transactions.

    A reader that is at work holds it back for a moment only: what is not moved now is moved next time.
    """
    if connection.dialect.name != "sqlite":
        return "nothing to do"
    cursor = connection.connection.cursor()
    try:
        cursor.execute(f"PRAGMA busy_timeout = {CHECKPOINT_TIMEOUT_MS}")
        cursor.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        [(busy, in_log, moved)] = cursor.fetchall()
    finally:
        cursor.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}")
        cursor.close()
    return f"held back by a reader: {moved} of {in_log} pages moved" if busy else "log emptied"


def file_of(url: URL) -> Path | None:
    """Return the database file, None when the database is not one."""
    if not url.drivername.startswith("sqlite") or url.database in (None, "", ":memory:"):
        return None
    return Path(str(url.database))


def hold(url: URL) -> int | None:
    """Take a database for this process alone, until the returned descriptor is closed; BlockingIOError when another gateway has it.

    Two gateways on one store would number starts and readings over each other. The lock ends with the process, however that ends, and does
    not concern programs that only read. (SQLite's own locks are of another kind; they must be gone before the descriptor is closed.)
    """
    path = file_of(url)
    if path is None:
        return None
    descriptor = os.open(path, os.O_RDONLY)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(descriptor)
        raise
    return descriptor


def let_go(descriptor: int) -> None:
    """End what `hold` began."""
    os.close(descriptor)


def file_identity(url: URL) -> tuple[int, int] | None:
    """Return what tells one file from another of the same name, None when there is no file; (0, 0) for a database that is none."""
    path = file_of(url)
    if path is None:
        return 0, 0
    try:
        found = os.stat(path)
    except OSError:
        return None
    return found.st_dev, found.st_ino


def sizes(url: URL) -> tuple[int, int]:
    """Return the bytes of the database and of its write-ahead log, 0 where there is no file."""
    path = file_of(url)
    if path is None:
        return 0, 0
    return _size(path), _size(Path(f"{path}-wal"))


def _size(path: Path) -> int:
    try:
        return os.stat(path).st_size
    except OSError:
        return 0


def _tune_sqlite_writer(connection: sqlite3.Connection, _record: object) -> None:
    # The driver's own transaction rules are switched off; `begin` below says BEGIN IMMEDIATE instead.
    connection.isolation_level = None
    for pragma in (
        f"busy_timeout = {BUSY_TIMEOUT_MS}",
        "journal_mode = WAL",
        "synchronous = FULL",
        "foreign_keys = ON",
        f"journal_size_limit = {LOG_LIMIT_BYTES}",
        # Some builds overwrite what is deleted with zeros: twice the writing for nothing.
        "secure_delete = OFF",
    ):
        connection.execute(f"PRAGMA {pragma}")


def _tune_sqlite_reader(connection: sqlite3.Connection, _record: object) -> None:
    connection.isolation_level = None
    for pragma in (f"busy_timeout = {BUSY_TIMEOUT_MS}", "query_only = ON"):
        connection.execute(f"PRAGMA {pragma}")


def _begin_immediate(connection: Connection) -> None:
    connection.exec_driver_sql("BEGIN IMMEDIATE")


def _begin(connection: Connection) -> None:
    connection.exec_driver_sql("BEGIN")
