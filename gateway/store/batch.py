"""What is written together: all that one turn of one starter brought. It is stored whole or not at all."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from gateway.instants import Instant
from gateway.motors.alerts import Alert
from gateway.motors.reading import Reading
from gateway.motors.records import CounterReset, DriftFound, GapEnded, PhaseLost, SettingsChanged, Start, Stop, UnseenStarts

KeptEvent = CounterReset | GapEnded | UnseenStarts | PhaseLost | SettingsChanged | DriftFound
"""Events that are kept as such; the others are told by starts, stops and alerts."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """State of one starter's watch and alerts after the readings of its batch: its bytes, and the instant of the last reading in it."""

    at: Instant
    body: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingsChange:
    """What the site file now says of a starter, as JSON text, with the digest by which a change is seen."""

    at: Instant
    digest: str
    settings: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """What somebody wrote of the machine at an instant. It counts from the first reading after `reading_at` on, the last one before it."""

    at: Instant
    text: str
    by: str
    reading_at: Instant


class Batch(NamedTuple):
    """Readings in the order in which they came, and what followed from them. A snapshot holds the state after all of them.

    (A named tuple because one is made for every poll.)
    """

    starter: str
    readings: tuple[Reading, ...] = ()
    starts: tuple[Start, ...] = ()
    stops: tuple[Stop, ...] = ()
    alerts: tuple[Alert, ...] = ()
    events: tuple[KeptEvent, ...] = ()
    snapshot: Snapshot | None = None
    settings: SettingsChange | None = None
    note: Note | None = None

    @property
    def records(self) -> int:
        """Return the number of things in it that are never dropped."""
        others = (self.settings is not None) + (self.note is not None)
        return len(self.starts) + len(self.stops) + len(self.alerts) + len(self.events) + others
