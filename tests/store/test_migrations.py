"""Migrations lead to the schema that the program uses, each whole or not at all."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Connection, Engine, event, insert, inspect, make_url, select

from gateway.store import engines
from gateway.store.migrations import MIGRATIONS, NEWEST, Migration, migrate, version_of
from gateway.store.tables import metadata, schema_version, starters
from tests.store.records import T0


class CutError(Exception):
    """The moment at which the migration is cut short."""


def _engine(folder: Path, name: str) -> Engine:
    return engines.write_engine(make_url(f"sqlite:///{folder / name}"))


def _schema(engine: Engine) -> dict[str, Any]:
    """Return all that the database knows of its tables: columns with type and need, keys, references, indexes."""
    found = inspect(engine)
    return {
        name: {
            "columns": {c["name"]: (str(c["type"]).replace("FLOAT(53)", "FLOAT"), c["nullable"]) for c in found.get_columns(name)},
            "key": found.get_pk_constraint(name)["constrained_columns"],
            "references": sorted((tuple(k["constrained_columns"]), k["referred_table"]) for k in found.get_foreign_keys(name)),
            "indexes": sorted((i["name"] or "", tuple(i["column_names"]), bool(i["unique"])) for i in found.get_indexes(name)),
            "unique": sorted(tuple(u["column_names"]) for u in found.get_unique_constraints(name)),
        }
        for name in found.get_table_names()
    }


def test_the_migrated_schema_is_the_one_that_the_program_uses(tmp_path: Path) -> None:
    migrated, fresh = _engine(tmp_path, "migrated.db"), _engine(tmp_path, "fresh.db")
    migrate(migrated, T0)
    with fresh.begin() as connection:
        metadata.create_all(connection)
    assert _schema(migrated) == _schema(fresh)


def test_each_step_is_noted_and_taken_once(tmp_path: Path) -> None:
    engine = _engine(tmp_path, "ledger.db")
    assert migrate(engine, T0) == tuple(migration.number for migration in MIGRATIONS)
    assert migrate(engine, T0 + 1) == ()
    with engine.begin() as connection:
        rows = connection.execute(select(schema_version)).all()
        assert [(row.version, row.applied_at_us) for row in rows] == [(migration.number, T0) for migration in MIGRATIONS]
        assert version_of(connection) == NEWEST


def test_numbers_count_from_one_without_a_hole() -> None:
    assert [migration.number for migration in MIGRATIONS] == list(range(1, len(MIGRATIONS) + 1))


def test_a_later_step_keeps_what_is_stored(tmp_path: Path) -> None:
    engine = _engine(tmp_path, "ledger.db")
    migrate(engine, T0)
    with engine.begin() as connection:
        connection.execute(insert(starters).values(id=1, name="FAN-1"))
    step = Migration(NEWEST + 1, "a column more", ("ALTER TABLE starters ADD COLUMN place TEXT",))
    assert migrate(engine, T0, (*MIGRATIONS, step)) == (NEWEST + 1,)
    with engine.begin() as connection:
        assert connection.execute(select(starters)).one().name == "FAN-1"


@pytest.mark.parametrize("number", range(1, len(MIGRATIONS[0].statements) + 3))
def test_a_step_that_is_cut_short_anywhere_leaves_the_schema_before_it(tmp_path: Path, number: int) -> None:
    engine = _engine(tmp_path, "ledger.db")
    count = 0

    def cut(_connection: Connection, _cursor: object, statement: str, *_rest: object) -> None:
        nonlocal count
        count += statement.lstrip().startswith(("CREATE", "INSERT"))
        if count == number:
            raise CutError

    event.listen(engine, "before_cursor_execute", cut)
    with pytest.raises(CutError):
        migrate(engine, T0)
    event.remove(engine, "before_cursor_execute", cut)
    assert _schema(engine) == {}
    assert migrate(engine, T0) == tuple(migration.number for migration in MIGRATIONS)
