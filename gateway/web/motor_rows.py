"""The motors page as data: one row a motor, what needs somebody first; the same rows feed the page and the live stream."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

from gateway.instants import MINUTE, SECOND, Instant, seconds_between
from gateway.motors.reading import Quality
from gateway.motors.records import Live
from gateway.web.plant_time import STALE_AFTER_S, PlantTime, age, span
from gateway.web.shapes.slots import Slots, slots_of
from gateway.web.snapshot import MotorNow, Snapshot
from gateway.web.words import (
    STATE_WORDS,
    capital,
    counts_from_stop,
    limit_words,
    next_start,
    number,
    percent,
    power_of,
    title_of,
    turning,
    with_error,
    with_signs,
)

ROOMY_ROWS = 4
"""Attention rows of full height that fit a 1024 x 600 panel beside eight calm ones; with more of them all are drawn lower."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One motor's row. Texts are finished; `slots` is None when no limit counts; priority 0 is a calm row."""

    name: str
    title: str
    power: str
    priority: int
    reason: str
    state: str
    state_note: str
    stale: bool
    heat: str
    heat_certain: bool
    slots: Slots | None
    next_main: str
    next_note: str
    certain: bool
    last_start: str
    alerts: int
    age_s: float | None

    def texts(self) -> dict[str, str]:
        """Return the texts that the live stream renews, by the name of their place."""
        return {"state": self.state, "note": self.state_note, "heat": self.heat, "main": self.next_main, "why": self.next_note}

    def marks(self) -> dict[str, bool]:
        """Return what is drawn otherwise while it holds."""
        return {"stale": self.stale, "unc": not self.certain}


def row_of(motor: MotorNow, now: Instant, time: PlantTime) -> Row:
    """Return the row of one motor."""
    live, budget, alert = motor.live, motor.budget, motor.foremost
    stale = is_stale(live, now)
    cell = next_start(live, budget, time)
    return Row(
        name=motor.starter.name,
        title=title_of(motor.starter),
        power=power_of(motor.starter),
        priority=alert.priority if alert is not None else 0,
        reason=with_signs(capital(alert.text)) if alert is not None else "",
        state=_state(live, stale),
        state_note=_state_note(live, stale, now, time),
        stale=stale,
        heat=percent(live.heat),
        heat_certain=live.heat_quality is Quality.GOOD,
        slots=slots_of(budget, live.unseen_last_hour),
        next_main=cell.main,
        next_note=f"{cell.note} decides" if alert is not None and cell.certain and limit_words(budget) else cell.note,
        certain=cell.certain,
        last_start=_last_start(live, now, time),
        alerts=len(motor.alerts),
        age_s=None if live.last_good_at is None else max(0.0, seconds_between(live.last_good_at, now)),
    )


def is_stale(live: Live, now: Instant) -> bool:
    """Return whether the motor's values may no longer be shown as present ones."""
    if live.quality is Quality.BAD or live.last_good_at is None:
        return True
    return seconds_between(live.last_good_at, now) > STALE_AFTER_S


def _state(live: Live, stale: bool) -> str:
    return "no data" if stale else STATE_WORDS[live.state]


def _state_note(live: Live, stale: bool, now: Instant, time: PlantTime) -> str:
    if stale:
        return "" if live.last_good_at is None else time.moment(live.last_good_at, now)
    if turning(live):
        return number(live.current_ratio, 2)
    return "" if live.state_since is None else time.moment(live.state_since, now)


def _last_start(live: Live, now: Instant, time: PlantTime) -> str:
    start = live.last_start
    if start is None:
        return "no start yet"
    duration = "not seen" if start.duration_s is None else f"{with_error(start.duration_s, start.duration_error_s, 1)} s"
    return f"{time.moment(start.began_at, now)}, {duration}"


def ordered_rows(snapshot: Snapshot) -> tuple[list[Row], list[Row]]:
    """Return the rows that need somebody (most pressing first, then longest standing) and the calm ones in the order of the site file."""
    pressing = sorted(
        (
            (alert.priority, alert.raised_at, motor.starter.name, motor)
            for motor in snapshot.motors
            if (alert := motor.foremost) is not None
        ),
        key=lambda entry: entry[:3],
    )
    attention = [row_of(motor, snapshot.at, snapshot.time) for _, _, _, motor in pressing]
    calm = [row_of(motor, snapshot.at, snapshot.time) for motor in snapshot.motors if motor.foremost is None]
    return attention, calm


def ages_sentence(rows: list[Row]) -> str:
    """Return how old the data are: the oldest of the fresh ones, and each motor without data by name."""
    fresh = [row.age_s for row in rows if not row.stale and row.age_s is not None]
    silent = [row for row in rows if row.stale]
    parts = [f"data at most {span(max(fresh))} old"] if fresh else []
    parts += [f"{row.name} {'no data yet' if row.age_s is None else age(0, round(row.age_s * SECOND))}" for row in silent[:2]]
    if len(silent) > 2:
        parts.append(f"{len(silent) - 2} more without data")
    return "; ".join(parts)


def fingerprint(*facts: object) -> str:
    """Return a short text that differs when any of the facts differs: the pages fetch themselves anew when theirs changes."""
    return hashlib.blake2s(repr(facts).encode(), digest_size=6).hexdigest()


def motor_version(motor: MotorNow) -> str:
    """Return the fingerprint of what a motor's pictures and sentences are made of, live figures aside."""
    live, budget, start = motor.live, motor.budget, motor.live.last_start
    last = None if start is None else (start.number, start.ended_at, start.outcome, start.duration_s, start.at_speed_current_a)
    alerts = tuple((alert.id, alert.text, alert.priority, alert.acknowledged_at, alert.returned_at) for alert in motor.alerts)
    slots = slots_of(budget, live.unseen_last_hour)
    # A permitted start is always "now", whatever the second; a waiting time that creeps is news once a minute only.
    waiting = budget.next_start_at is None or budget.next_start_at > budget.as_of
    base = budget.as_of if counts_from_stop(live, budget) else 0
    next_minute = (budget.next_start_at - base) // MINUTE if budget.next_start_at is not None and waiting else waiting
    return fingerprint(live.state, live.total_starts, last, alerts, slots, budget.deciding_limit, next_minute, budget.quality)
