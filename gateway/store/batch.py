"""What is written together: all that one turn of one starter brought. It is stored whole or not at all."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from gateway.instants import Instant
from gateway.motors.alerts import Alert
from gateway.motors.reading import Reading
from gateway.motors.records import CounterReset, GapEnded, Start, Stop, UnseenStarts

KeptEvent = CounterReset | GapEnded | UnseenStarts
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

    @property
    def records(self) -> int:
        """Return the number of things in it that are never dropped."""
        return len(self.starts) + len(self.stops) + len(self.alerts) + len(self.events) + (self.settings is not None)
