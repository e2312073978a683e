"""A restart goes on where the last run ended: the last snapshot, then the readings stored after it, through the same fold as live
readings. What follows from them is written again under the same keys, so that nothing is counted twice. The time in between is a gap,
which the first new reading ends.
"""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, is_dataclass

import orjson

from gateway.instants import Instant
from gateway.motors.facts import Starter
from gateway.motors.reading import Reading
from gateway.services.pipeline import Sink
from gateway.services.track import Outcomes, Track
from gateway.store.batch import Batch, SettingsChange, Snapshot
from gateway.store.readers import Readers

log = logging.getLogger(__name__)

PORTION = 500
"""Readings of one starter folded at a time, so that recovery needs little memory."""


@dataclass(frozen=True, slots=True)
class Recovered:
    """State of all starters as it was at their last stored reading, and how many readings were folded to get there."""

    tracks: dict[str, Track]
    replayed: int


def recover(starters: Sequence[Starter], readers: Readers, writer: Sink, progress: Callable[[int], None] | None = None) -> Recovered:
    """Return the tracks of all starters, continued from the store, and have written what followed from readings after the last snapshots.

    Raises StoreError when the store cannot be read or a snapshot is of another version.
    """
    tracks: dict[str, Track] = {}
    positions: dict[str, int] = {}
    for starter in starters:
        snapshot = readers.snapshot(starter.name)
        tracks[starter.name] = Track.restored(starter, snapshot.body) if snapshot else Track(starter)
        positions[starter.name] = snapshot.reading_id if snapshot else 0
    replayed = _replay(tracks, positions, readers, writer, progress)
    if replayed:
        log.info("recovered %d readings stored after the last snapshots", replayed)
    return Recovered(tracks, replayed)


def stored_track(starter: Starter, readers: Readers) -> Track:
    """Return a starter as it was at its last stored reading, for looking only: nothing is written. StoreError as for `recover`."""
    snapshot = readers.snapshot(starter.name)
    track = Track.restored(starter, snapshot.body) if snapshot else Track(starter)
    for _, _, reading in readers.readings_after(snapshot.reading_id if snapshot else 0, (starter.name,)):
        track.fold((reading,))
    return track


def note_settings(starters: Sequence[Starter], readers: Readers, writer: Sink, at: Instant) -> tuple[str, ...]:
    """Keep what the site file says of each starter where it says something new; return the names of those starters."""
    changed = []
    for starter in starters:
        settings = orjson.dumps(_plain(starter), option=orjson.OPT_SORT_KEYS)
        digest = hashlib.sha256(settings).hexdigest()
        if digest != readers.last_settings_digest(starter.name):
            writer.put(Batch(starter=starter.name, settings=SettingsChange(at=at, digest=digest, settings=settings.decode())))
            changed.append(starter.name)
    return tuple(changed)


def _replay(
    tracks: dict[str, Track], positions: dict[str, int], readers: Readers, writer: Sink, progress: Callable[[int], None] | None
) -> int:
    waiting: dict[str, list[Reading]] = {name: [] for name in tracks}
    touched: set[str] = set()
    count = 0
    for name, number, reading in readers.readings_after(min(positions.values(), default=0), tuple(tracks)):
        if number <= positions[name]:
            continue
        count += 1
        waiting[name].append(reading)
        if len(waiting[name]) >= PORTION:
            touched.add(name)
            _fold(tracks[name], waiting[name], writer)
        if progress is not None and count % PORTION == 0:
            progress(count)
    for name, readings in waiting.items():
        if readings:
            touched.add(name)
            _fold(tracks[name], readings, writer)
    for name in touched:
        track = tracks[name]
        # With a snapshot of where recovery ended, a run that dies young leaves no longer way for the next.
        writer.put(Batch(starter=name, snapshot=Snapshot(at=track.at or 0, body=track.snapshot())))
    return count


def _fold(track: Track, readings: list[Reading], writer: Sink) -> None:
    outcomes: Outcomes = track.fold(readings)
    readings.clear()
    if outcomes.happened:
        writer.put(outcomes.batch(track.starter.name))


def _plain(value: object) -> object:
    """Return settings as JSON can hold them, in an order that does not depend on the run."""
    if is_dataclass(value) and not isinstance(value, type):
        return {field.name: _plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, frozenset):
        return sorted(str(item) for item in value)
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if hasattr(value, "items"):
        return {str(key): _plain(item) for key, item in value.items()}
    return value
