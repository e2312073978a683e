"""What is peculiar to one database is told apart in one place."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
from sqlalchemy import make_url, select

from gateway.store import engines
from gateway.store.database import Store
from gateway.store.tables import blocks, starters, starts


@pytest.mark.parametrize(("version", "is_warned"), [((3, 40, 1), True), ((3, 51, 2), True), ((3, 51, 3), False), ((4, 0, 0), False)])
def test_an_old_sqlite_is_warned_of(store: Store, monkeypatch: pytest.MonkeyPatch, version: tuple[int, int, int], is_warned: bool) -> None:
    # sqlite.org/wal.html, "The WAL-reset bug": versions 3.7.0 to 3.51.2.
    monkeypatch.setattr(sqlite3, "sqlite_version_info", version)
    assert bool(store.warnings) is is_warned
    assert all("let no other program write" in warning for warning in store.warnings)


def test_the_engine_is_named_with_its_version(store: Store) -> None:
    assert store.engine_text == f"SQLite {sqlite3.sqlite_version}"


def test_sizes_and_identity_of_a_file_that_is_not_there(tmp_path: Path) -> None:
    url = make_url(f"sqlite:///{tmp_path / 'nothing.db'}")
    assert engines.sizes(url) == (0, 0)
    assert engines.file_identity(url) is None


def test_a_database_that_is_no_file_has_neither() -> None:
    url = make_url("postgresql+psycopg://gateway@db.tarnhollow.example/ledger")
    assert engines.file_of(url) is None
    assert engines.sizes(url) == (0, 0)
    assert engines.file_identity(url) == (0, 0)


def test_column_types_are_named_as_each_database_does() -> None:
    assert engines.type_names("sqlite")["bytes"] == "BLOB"
    assert engines.type_names("postgresql")["bytes"] == "BYTEA"


def test_nothing_to_write_is_no_statement(store: Store) -> None:
    with store.writing.begin() as connection:
        engines.append(connection, blocks, [])
        engines.upsert(connection, starts, [])
        assert connection.execute(select(blocks)).all() == []


def test_rows_are_appended_in_the_order_of_the_columns(store: Store) -> None:
    with store.writing.begin() as connection:
        engines.append(connection, blocks, [(1, 60, 10, 20, b"p"), (61, 90, 21, 30, None)])
        assert [tuple(row) for row in connection.execute(select(blocks))] == [(1, 60, 10, 20, b"p"), (61, 90, 21, 30, None)]


def test_an_upsert_takes_new_values_and_keeps_what_it_is_told_to(store: Store) -> None:
    with store.writing.begin() as connection:
        engines.upsert(connection, starters, [{"id": 1, "name": "FAN-1"}])
        engines.upsert(connection, starters, [{"id": 1, "name": "FAN-2"}])
        assert connection.execute(select(starters)).one().name == "FAN-2"
        engines.upsert(connection, blocks, [{"first_id": 1, "last_id": 5, "from_us": 7, "to_us": 9}])
    with store.writing.begin() as connection:
        engines.upsert(connection, blocks, [{"first_id": 1, "last_id": 6, "from_us": 7, "to_us": 10}], keep_if_null=("to_us",))
        assert tuple(connection.execute(select(blocks)).one()) == (1, 6, 7, 10, None)
