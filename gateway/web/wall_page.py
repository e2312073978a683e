"""The wall view, read from 2 m: the plant in one line, then at most six motors and the caution; nothing small on it.

Type of 60 px has capitals of 43 px, 9.3 mm on a 10-inch 1024 x 600 panel: 16 minutes of arc at 2 m, the least that NUREG-0700 (1.3.1-4)
takes. Eight lines of it fill the panel.
"""

from __future__ import annotations

from dataclasses import dataclass

from gateway.motors.alerts import AlertKind
from gateway.web.motor_rows import row_of
from gateway.web.snapshot import MotorNow, Snapshot
from gateway.web.words import counts_from_stop, turning

MOST_ROWS = 6
KIND_WORDS = {
    AlertKind.STARTS_NEAR_LIMIT: "starts often",
    AlertKind.STARTS_AT_LIMIT: "too often",
    AlertKind.HEAT: "hot",
    AlertKind.OFF_TIME_NOT_KEPT: "off too short",
    AlertKind.TRIPPED: "tripped",
    AlertKind.STALLED: "stalled",
    AlertKind.UNSEEN_STARTS: "not seen",
    AlertKind.NO_DATA: "no data",
    AlertKind.IMPLAUSIBLE_VALUE: "odd value",
    AlertKind.PHASE_LOSS: "phase lost",
    AlertKind.DRIFT: "drifts",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class WallRow:
    """One motor as the wall shows it; priority 0 is one that only waits for its next start."""

    name: str
    priority: int
    word: str
    next_main: str
    certain: bool


def wall_sentence(snapshot: Snapshot) -> str:
    """Return the plant in one line of at most thirty characters."""
    if snapshot.motors and all(motor.live.at is None for motor in snapshot.motors):
        return "No data yet"
    action = sum(1 for motor in snapshot.motors if motor.foremost is not None and motor.foremost.priority == 1)
    look = sum(1 for motor in snapshot.motors if motor.foremost is not None and motor.foremost.priority == 2)
    parts = ([f"{action} need{'s' if action == 1 else ''} action"] if action else []) + ([_look(look, short=action > 0)] if look else [])
    return ", ".join(parts) if parts else f"All {len(snapshot.motors)} as usual"


def _look(count: int, *, short: bool) -> str:
    """Return how many need a look; short behind "need action", whose verb serves both and keeps the line on the wall."""
    return f"{count} a look" if short else f"{count} need{'s' if count == 1 else ''} a look"


def wall_rows(snapshot: Snapshot) -> list[WallRow]:
    """Return what needs somebody, most pressing first, then the stopped motors that wait for a permitted start, the next one first."""
    pressing = [motor for motor in snapshot.motors if motor.foremost is not None]
    pressing.sort(key=lambda motor: (motor.alerts[0].priority, motor.alerts[0].raised_at, motor.starter.name))
    waiting = [motor for motor in snapshot.motors if motor.foremost is None and _waits(motor)]
    waiting.sort(key=lambda motor: (motor.budget.next_start_at or 0, motor.starter.name))
    return [_wall_row(motor, snapshot) for motor in (pressing + waiting)[:MOST_ROWS]]


def _waits(motor: MotorNow) -> bool:
    next_at = motor.budget.next_start_at
    return not turning(motor.live) and next_at is not None and next_at > motor.budget.as_of


def _wall_row(motor: MotorNow, snapshot: Snapshot) -> WallRow:
    row = row_of(motor, snapshot.at, snapshot.time)
    alert = motor.foremost
    word = row.state if alert is None else KIND_WORDS.get(alert.kind, row.state)
    # Without the small words of the other pages "25 min" alone would not say from when it counts.
    main = f"off {row.next_main}" if counts_from_stop(motor.live, motor.budget) else row.next_main.removeprefix("now, ")
    return WallRow(name=row.name, priority=row.priority, word=word, next_main=main, certain=row.certain)


def hidden_count(snapshot: Snapshot) -> int:
    """Return how many motors that need somebody do not fit: the wall must never hide that there are more."""
    return max(0, sum(1 for motor in snapshot.motors if motor.foremost is not None) - MOST_ROWS)
