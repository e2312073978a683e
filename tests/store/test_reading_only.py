"""A store is read beside its gateway without a lock, and is never made, migrated or touched by reading."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from gateway.errors import StoreError
from gateway.store.database import Store
from gateway.store.reading_only import readers_of
from tests.store.records import store_in


def test_what_is_not_there_is_not_made(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="is not there yet"), readers_of(f"sqlite:///{tmp_path / 'none.db'}"):
        pass
    assert list(tmp_path.iterdir()) == []


def test_it_reads_while_the_gateway_holds_the_store(store: Store) -> None:
    with readers_of(store.url.render_as_string()) as readers:
        assert readers.starts("FAN-1") == []


def test_another_programs_database_and_another_schema_are_left_alone(tmp_path: Path) -> None:
    foreign = tmp_path / "foreign.db"
    with sqlite3.connect(foreign) as connection:
        connection.execute("CREATE TABLE things (id INTEGER)")
    connection.close()
    with pytest.raises(StoreError, match="holds no startledger data"), readers_of(f"sqlite:///{foreign}"):
        pass
    store = store_in(tmp_path)
    url = store.url.render_as_string()
    with store.writing.begin() as written:
        written.exec_driver_sql("UPDATE schema_version SET version = 999 WHERE version = (SELECT max(version) FROM schema_version)")
    store.close()
    with pytest.raises(StoreError, match="has schema 999"), readers_of(url):
        pass


def test_an_address_that_is_none_is_told() -> None:
    with pytest.raises(StoreError, match="cannot be opened"), readers_of("no address"):
        pass
