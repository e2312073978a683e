"""Records come back from their rows equal, in every field that they have or ever get."""

from __future__ import annotations

from dataclasses import MISSING, fields, replace
from typing import Any

import pytest
from sqlalchemy import Connection, insert, select

from gateway.instants import Instant
from gateway.motors.alerts import Alert
from gateway.motors.records import CounterReset, GapEnded, Outcome, Start, Stop, UnseenStarts
from gateway.store.database import Store
from gateway.store.engines import upsert
from gateway.store.rows import alert_from, alert_row, event_row, start_from, start_row, stop_from, stop_row
from gateway.store.tables import alerts, starters, starts, stops
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
