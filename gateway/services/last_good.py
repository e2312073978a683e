"""When the last usable reading of each starter came, from the store alone: for commands that run beside the gateway or without it."""

from __future__ import annotations

from collections.abc import Sequence

from gateway.instants import Instant
from gateway.motors.facts import Starter
from gateway.services.track import Track
from gateway.store.readers import Readers


def last_good_of(readers: Readers, starters: Sequence[Starter]) -> dict[str, Instant | None]:
    """Return the last usable reading of each starter, None where there is none: by its last snapshot and the readings stored after it.

    Raises StoreError when the store cannot be read or a snapshot is of another version.
    """
    found: dict[str, Instant | None] = {}
    positions: dict[str, int] = {}
    for starter in starters:
        snapshot = readers.snapshot(starter.name)
        found[starter.name] = None if snapshot is None else Track.restored(starter, snapshot.body).live().last_good_at
        positions[starter.name] = 0 if snapshot is None else snapshot.reading_id
    for name, number, reading in readers.readings_after(min(positions.values(), default=0), tuple(positions)):
        if number > positions[name] and reading.values:
            found[name] = max(found[name] or 0, reading.at)
    return found
