"""Records to rows and rows to records."""

from __future__ import annotations

import json
from dataclasses import asdict, fields
from typing import Any

from sqlalchemy import RowMapping

from gateway.motors.alerts import Alert, AlertKind
from gateway.motors.reading import Quality
from gateway.motors.records import (
    CounterReset,
    DriftFound,
    EquivalentRating,
    GapEnded,
    Outcome,
    PhaseLost,
    SettingsChanged,
    Start,
    Stop,
    StopKind,
    UnseenStarts,
)
from gateway.motors.start_terms import DirectEstimate, RampForm, RampShape
from gateway.store.batch import KeptEvent, Note
from gateway.store.curves import pack_curve, unpack_curve

_OF_ITS_OWN = frozenset({"began_at", "ended_at", "outcome", "equivalent_rating", "quality", "curve", "shape", "direct"})
_SAME_IN_BOTH = tuple(field.name for field in fields(Start) if field.name not in _OF_ITS_OWN)


def start_row(starter_id: int, start: Start) -> dict[str, Any]:
    """Return a start as a row of `starts`."""
    rating = start.equivalent_rating
    row = {name: getattr(start, name) for name in _SAME_IN_BOTH}
    return row | {
        "starter_id": starter_id,
        "began_at_us": start.began_at,
        "ended_at_us": start.ended_at,
        "outcome": start.outcome.value,
        "equivalent_x": rating.x if rating else None,
        "equivalent_t_s": rating.t_s if rating else None,
        "quality": int(start.quality),
        "curve": pack_curve(start.curve) if start.curve else None,
        "shape": None if start.shape is None else json.dumps(asdict(start.shape)),
        "direct": None if start.direct is None else json.dumps(asdict(start.direct)),
    }


def start_from(row: RowMapping) -> Start:
    """Return the start in a row; without a curve when the row was read without that column."""
    x, t_s, curve = row["equivalent_x"], row["equivalent_t_s"], row.get("curve")
    return Start(
        **{name: row[name] for name in _SAME_IN_BOTH},
        began_at=row["began_at_us"],
        ended_at=row["ended_at_us"],
        outcome=Outcome(row["outcome"]),
        equivalent_rating=None if x is None or t_s is None else EquivalentRating(x=x, t_s=t_s),
        quality=Quality(row["quality"]),
        curve=unpack_curve(curve) if curve else None,
        shape=_shape_from(row["shape"]),
        direct=None if row["direct"] is None else DirectEstimate(**json.loads(row["direct"])),
    )


def _shape_from(text: str | None) -> RampShape | None:
    if text is None:
        return None
    plain = json.loads(text)
    return RampShape(**(plain | {"form": RampForm(plain["form"])}))


def stop_row(starter_id: int, stop: Stop) -> dict[str, Any]:
    """Return a stop as a row of `stops`."""
    return {
        "starter_id": starter_id,
        "ended_at_us": stop.ended_at,
        "began_at_us": stop.began_at,
        "run_began_at_us": stop.run_began_at,
        "kind": stop.kind.value,
        "trip_code": stop.trip_code,
    }


def stop_from(row: RowMapping) -> Stop:
    """Return the stop in a row."""
    return Stop(
        began_at=row["began_at_us"],
        ended_at=row["ended_at_us"],
        kind=StopKind(row["kind"]),
        run_began_at=row["run_began_at_us"],
        trip_code=row["trip_code"],
    )


def alert_row(starter_id: int, alert: Alert) -> dict[str, Any]:
    """Return an alert as a row of `alerts`."""
    return {
        "id": alert.id,
        "starter_id": starter_id,
        "kind": alert.kind.value,
        "priority": alert.priority,
        "text": alert.text,
        "advice": alert.advice,
        "raised_at_us": alert.raised_at,
        "acknowledged_at_us": alert.acknowledged_at,
        "acknowledged_by": alert.acknowledged_by,
        "returned_at_us": alert.returned_at,
    }


def alert_from(row: RowMapping) -> Alert:
    """Return the alert in a row of `alerts` joined with its starter's name as `starter`."""
    return Alert(
        starter=row["starter"],
        kind=AlertKind(row["kind"]),
        priority=row["priority"],
        text=row["text"],
        advice=row["advice"],
        raised_at=row["raised_at_us"],
        acknowledged_at=row["acknowledged_at_us"],
        acknowledged_by=row["acknowledged_by"],
        returned_at=row["returned_at_us"],
    )


def note_row(starter_id: int, note: Note) -> dict[str, Any]:
    """Return a note as a row of `notes`."""
    return {"starter_id": starter_id, "at_us": note.at, "text": note.text, "by": note.by, "reading_at_us": note.reading_at}


def note_from(row: RowMapping) -> Note:
    """Return the note in a row."""
    return Note(at=row["at_us"], text=row["text"], by=row["by"], reading_at=row["reading_at_us"])


def event_row(starter_id: int, event: KeptEvent) -> dict[str, Any]:
    """Return an event worth keeping as a row of `events`."""
    kind, body = _event_parts(event)
    return {"starter_id": starter_id, "at_us": event.at, "kind": kind, "body": json.dumps(body)}


def _event_parts(event: KeptEvent) -> tuple[str, dict[str, Any]]:
    match event:
        case GapEnded():
            return "gap_ended", {"began_at": event.began_at, "reason": event.reason}
        case CounterReset():
            return "counter_reset", {"before": event.before, "after": event.after, "reason": event.reason}
        case UnseenStarts():
            return "unseen_starts", {"numbers": [start.number for start in event.starts]}
        case PhaseLost():
            return "phase_lost", {"phase": event.phase, "number": event.number}
        case SettingsChanged():
            return "settings_changed", {"changes": [asdict(change) for change in event.changes]}
        case DriftFound():
            return "drift_found", {"drifts": [asdict(drift) for drift in event.drifts]}
