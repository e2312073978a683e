"""What else happened to a motor in a period, in words: drift found, settings changed, counters reset, phases lost, notes. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from gateway.instants import Instant
from gateway.store.batch import Note
from gateway.store.readers import StoredEvent

DRIFT, NOTE, SITE_FILE = "drift_found", "note", "site_file_changed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Happening:
    """One thing that happened: when, of what kind, in words."""

    at: Instant
    kind: str
    words: str


def happenings_of(events: Sequence[StoredEvent], notes: Sequence[Note], site_file_changed: Sequence[Instant]) -> tuple[Happening, ...]:
    """Return what happened, earliest first; an event of a kind that is told elsewhere in the report gives nothing.

    >>> reset = StoredEvent(at=5, kind="counter_reset", body={"before": 41, "after": 0, "reason": "set to zero"})
    >>> [each.words for each in happenings_of([reset], [Note(at=9, text="bearing renewed", by="AB", reading_at=9)], [2])]
    ['site file changed', "the starter's start counter went from 41 to 0: set to zero", 'note by AB: bearing renewed']
    """
    found = [Happening(at=event.at, kind=event.kind, words=words) for event in events for words in _words(event.kind, event.body)]
    found += [Happening(at=note.at, kind=NOTE, words=f"note by {note.by or 'nobody named'}: {note.text}") for note in notes]
    found += [Happening(at=at, kind=SITE_FILE, words="site file changed") for at in site_file_changed]
    return tuple(sorted(found, key=lambda each: (each.at, each.kind, each.words)))


def _words(kind: str, body: dict[str, Any]) -> list[str]:
    match kind:
        case "drift_found":
            return [f"{drift['text']}; look first: {drift['hint']}" if drift["hint"] else drift["text"] for drift in body["drifts"]]
        case "settings_changed":
            return [f"setting of the starter {each['key']} changed from {each['before']} to {each['after']}" for each in body["changes"]]
        case "counter_reset":
            return [f"the starter's start counter went from {body['before']} to {body['after']}: {body['reason']}"]
        case "phase_lost":
            return [f"phase {body['phase']} lost" + ("" if body["number"] is None else f" in start {body['number']}")]
    return []
