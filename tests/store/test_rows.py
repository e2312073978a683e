"""Records come back from their rows equal, in every field that they have or ever get."""

from __future__ import annotations

import json
from dataclasses import MISSING, fields, replace
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Connection, insert, inspect, make_url, select, text

from gateway.instants import Instant
from gateway.motors.alerts import Alert
from gateway.motors.drift_terms import Begun, Drift, Figure
from gateway.motors.records import (
    CounterReset,
    DriftFound,
    GapEnded,
    Outcome,
    PhaseLost,
    SettingChange,
    SettingsChanged,
    Start,
    Stop,
    UnseenStarts,
)
from gateway.store import engines
from gateway.store.batch import Note
from gateway.store.database import Store
from gateway.store.engines import upsert
from gateway.store.migrations import MIGRATIONS, migrate
from gateway.store.rows import alert_from, alert_row, event_row, note_from, note_row, start_from, start_row, stop_from, stop_row
from gateway.store.tables import alerts, notes, starters, starts, stops
from tests.store.records import T0, alert, start, stop

ACKNOWLEDGED = alert(20, acknowledged_at=T0 + 1, acknowledged_by="night shift", returned_at=T0 + 2)


@pytest.mark.parametrize("record", [start(1), stop(30), ACKNOWLEDGED])
def test_the_records_of_these_tests_fill_every_field(record: Start | Stop | Alert) -> None:
    # A field that is added and not filled in there would not be tested here.
    unfilled = [f.name for f in fields(record) if f.default is not MISSING and getattr(record, f.name) == f.default]
    assert unfilled == []


def _there_and_back(connection: Connection, record: Start | Stop | Alert) -> Any:
    if isinstance(record, Start):
        upsert(connection, starts, [start_row(1, record)])
        return start_from(connection.execute(select(starts)).mappings().one())
    if isinstance(record, Stop):
        upsert(connection, stops, [stop_row(1, record)])
        return stop_from(connection.execute(select(stops)).mappings().one())
    upsert(connection, alerts, [alert_row(1, record)])
    return alert_from(connection.execute(select(alerts, starters.c.name.label("starter")).join(starters)).mappings().one())


@pytest.mark.parametrize(
    "record",
    [
        start(1),
        start(2, with_curve=False),
        Start(number=3, began_at=T0, ended_at=T0, outcome=Outcome.UNSEEN),
        replace(start(4), equivalent_rating=None),
        stop(30),
        replace(stop(31), trip_code=None, run_began_at=None),
        alert(20),
        ACKNOWLEDGED,
    ],
)
def test_a_record_comes_back_equal(store: Store, record: Start | Stop | Alert) -> None:
    with store.writing.begin() as connection:
        connection.execute(insert(starters).values(id=1, name="FAN-1"))
        assert _there_and_back(connection, record) == record


def test_events_are_kept_with_what_they_said() -> None:
    def body(event: CounterReset | GapEnded | UnseenStarts) -> tuple[Instant, str, str]:
        row = event_row(1, event)
        return row["at_us"], row["kind"], row["body"]

    assert body(GapEnded(began_at=1, at=2, reason="no answer")) == (2, "gap_ended", '{"began_at": 1, "reason": "no answer"}')
    reset = CounterReset(at=3, before=40_000, after=0, reason="back to 0")
    assert body(reset) == (3, "counter_reset", '{"before": 40000, "after": 0, "reason": "back to 0"}')
    assert body(UnseenStarts(at=4, starts=(start(8), start(9)))) == (4, "unseen_starts", '{"numbers": [8, 9]}')


def test_the_later_kinds_of_events_are_kept_too() -> None:
    def body(event: PhaseLost | SettingsChanged | DriftFound) -> tuple[Instant, str, Any]:
        row = event_row(1, event)
        return row["at_us"], row["kind"], json.loads(row["body"])

    assert body(PhaseLost(at=1, phase="L2", number=7)) == (1, "phase_lost", {"phase": "L2", "number": 7})
    change = SettingChange(key="set_ramp_time", before=10.0, after=12.5)
    assert body(SettingsChanged(at=2, changes=(change,))) == (
        2,
        "settings_changed",
        {"changes": [{"key": "set_ramp_time", "before": 10.0, "after": 12.5}]},
    )
    drift = Drift(
        figure=Figure.DURATION, begun=Begun.WARM, baseline=8.9, now=10.8, unit="s", since_at=5, starts=40, text="longer", hint="look",
    )  # fmt: skip
    at, kind, said = body(DriftFound(at=3, drifts=(drift,)))
    assert (at, kind) == (3, "drift_found")
    assert said["drifts"][0] == {
        "figure": "duration", "begun": "warm", "baseline": 8.9, "now": 10.8, "unit": "s", "since_at": 5, "starts": 40, "text": "longer",
        "hint": "look",
    }  # fmt: skip


def test_a_note_comes_back_equal(store: Store) -> None:
    note = Note(at=T0, text="bearings greased", by="A", reading_at=T0 - 5)
    with store.writing.begin() as connection:
        connection.execute(insert(starters).values(id=1, name="FAN-1"))
        upsert(connection, notes, [note_row(1, note)])
        assert note_from(connection.execute(select(notes)).mappings().one()) == note


def test_a_start_without_shape_or_estimate_comes_back_equal(store: Store) -> None:
    record = replace(start(5), shape=None, direct=None)
    with store.writing.begin() as connection:
        connection.execute(insert(starters).values(id=1, name="FAN-1"))
        assert _there_and_back(connection, record) == record


def test_an_older_start_keeps_its_figures_through_the_migration(tmp_path: Path) -> None:
    # A database of schema 1 with one start; the new columns are empty after it, the old ones as they were.
    engine = engines.write_engine(make_url(f"sqlite:///{tmp_path / 'old.db'}"))
    migrate(engine, T0, MIGRATIONS[:1])
    old = start_row(1, start(1)) | {"curve": None}
    kept = [column["name"] for column in inspect(engine).get_columns("starts")]
    with engine.begin() as connection:
        connection.execute(text("INSERT INTO starters (id, name) VALUES (1, 'FAN-1')"))
        places = ", ".join(f":{name}" for name in kept)
        connection.execute(text(f"INSERT INTO starts ({', '.join(kept)}) VALUES ({places})"), {name: old[name] for name in kept})
    migrate(engine, T0)
    with engine.begin() as connection:
        found = start_from(connection.execute(select(starts)).mappings().one())
    assert found == replace(
        start(1, with_curve=False),
        **dict.fromkeys(
            (
                "peak_error_pct", "rms_current_a", "lowest_voltage_v", "voltage_dip_pct", "voltage_dip_error_pct", "command_to_begin_s",
                "command_to_speed_s", "command_error_s", "shape", "direct",
            )
        ),
    )  # fmt: skip
