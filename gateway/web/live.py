"""The data of one live event: every text on the pages that changes by itself, and a version of whatever else is drawn."""

from __future__ import annotations

from typing import TypedDict

from gateway.instants import Instant
from gateway.web.motor_page import values_of
from gateway.web.motor_rows import Row, ages_sentence, fingerprint, motor_version, ordered_rows
from gateway.web.snapshot import Snapshot
from gateway.web.words import now_line

MOST_CALLS = 10


class MotorTexts(TypedDict):
    """One motor: `t` texts and `m` marks by place, `v` value and flaw by signal, `version` of its pictures and sentences."""

    t: dict[str, str]
    m: dict[str, bool]
    v: dict[str, tuple[str, str]]
    version: str


class Event(TypedDict):
    """One event: a whole picture of the moment, so that any number of earlier ones may be lost. `calls`: id, priority,
    words and time of the alerts that call for somebody now; the page reads out those that it has not told yet."""

    clock: str
    date: str
    ages: str
    alerts: int
    calls: list[tuple[str, int, str, Instant]]
    versions: dict[str, str]
    motors: dict[str, MotorTexts]


def list_version(snapshot: Snapshot) -> str:
    """Return the version of the motors page: order, reasons and pictures."""
    order = tuple(motor.starter.name for motor in snapshot.motors)
    return fingerprint(order, tuple(motor_version(motor) for motor in snapshot.motors))


def alerts_version(snapshot: Snapshot) -> str:
    """Return the version of the alerts page."""
    return fingerprint(tuple((alert.id, alert.text, alert.acknowledged_at, alert.returned_at) for alert in snapshot.alerts))


def calls_of(snapshot: Snapshot) -> list[tuple[str, int, str, Instant]]:
    """Return the alerts that call for somebody, the latest ones only: more than these nobody wants to hear in one breath."""
    calling = [alert for alert in snapshot.alerts if alert.acknowledged_at is None and alert.returned_at is None]
    latest = sorted(calling, key=lambda alert: (alert.raised_at, alert.id), reverse=True)[:MOST_CALLS]
    latest.sort(key=lambda alert: alert.priority)
    return [(alert.id, alert.priority, f"{alert.starter}: {alert.text}", alert.raised_at) for alert in latest]


def event_of(snapshot: Snapshot) -> Event:
    """Return the event of a moment."""
    attention, calm = ordered_rows(snapshot)
    rows = {row.name: row for row in (*attention, *calm)}
    return Event(
        clock=snapshot.time.clock(snapshot.at),
        date=snapshot.time.date(snapshot.at),
        ages=ages_sentence(attention + calm),
        alerts=len(snapshot.alerts),
        calls=calls_of(snapshot),
        versions={"motors": list_version(snapshot), "alerts": alerts_version(snapshot)},
        motors={motor.starter.name: _motor_texts(snapshot, place, rows[motor.starter.name]) for place, motor in enumerate(snapshot.motors)},
    )


def _motor_texts(snapshot: Snapshot, place: int, row: Row) -> MotorTexts:
    motor = snapshot.motors[place]
    texts = row.texts()
    texts["line"] = now_line(motor.live, snapshot.at, snapshot.time, stale=row.stale)
    values = {value.key: ("—" if row.stale else value.text, value.flaw) for value in values_of(motor)}
    return MotorTexts(t=texts, m=row.marks(), v=values, version=motor_version(motor))
