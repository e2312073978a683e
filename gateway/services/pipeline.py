"""From polls to the store, to alerts and to the pages: what one turn of one starter brought is folded, written whole, and made known: at
once when something happened, once a second otherwise."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Protocol

from gateway.clock import Clock
from gateway.drivers.base import Poll
from gateway.instants import MINUTE, SECOND, Instant
from gateway.motors.alerts import Alert
from gateway.motors.reading import Reading
from gateway.motors.records import Pace
from gateway.services.kept_words import KeptWords, share_bytes
from gateway.services.publication import Publication
from gateway.services.track import Track
from gateway.store.batch import Batch, Note, Snapshot

SNAPSHOT_INTERVAL = 3 * MINUTE
"""A restart folds the readings since the last one again, so much of every starter at most."""
PUBLISH_INTERVAL = SECOND


class Sink(Protocol):
    """Where batches go: the store's writer."""

    def put(self, batch: Batch) -> int:
        """Take a batch to be stored; return its number."""
        ...

    def wants_snapshot(self, starter: str) -> bool:
        """Return whether only a new snapshot can carry a starter's state over a restart."""
        ...


class _Way:
    """What the pipeline knows of one starter: its track, its raw words, and when its state was last kept and made known."""

    __slots__ = ("ahead", "published_at", "snapshot_at", "track", "words")

    def __init__(self, track: Track, words: KeptWords, ahead: Instant) -> None:
        self.track, self.words, self.ahead = track, words, ahead
        self.snapshot_at: Instant | None = None
        self.published_at: Instant = 0


class Pipeline:
    """The way of every reading. Called from the event loop only; bounded work a reading, no waiting."""

    def __init__(self, tracks: Mapping[str, Track], writer: Sink, publication: Publication, clock: Clock) -> None:
        self._writer = writer
        self._publication = publication
        self._clock = clock
        share = share_bytes(len(tracks))
        self.words = {name: KeptWords(share) for name in tracks}
        """The raw words that the polls brought, for whoever looks at a map."""
        # Snapshots of many starters are spread over the interval, not all written in the same second.
        apart = SNAPSHOT_INTERVAL // max(1, len(tracks))
        self._ways = {name: _Way(track, self.words[name], place * apart) for place, (name, track) in enumerate(tracks.items())}

    def take(self, starter: str, poll: Poll) -> Pace:
        """Take what one turn brought; return the pace at which the starter should now be read."""
        way = self._ways[starter]
        pace = self._take(way, poll.readings)
        way.words.take(poll, pace)
        return pace

    def take_readings(self, starter: str, readings: Sequence[Reading]) -> Pace:
        """Take readings of one starter in the order of their time; return the pace at which it should now be read."""
        return self._take(self._ways[starter], readings)

    def _take(self, way: _Way, readings: Sequence[Reading]) -> Pace:
        track = way.track
        name = track.starter.name
        outcomes = track.fold(readings)
        snapshot = self._snapshot(way) if self._is_snapshot_due(way) else None
        self._writer.put(outcomes.batch(name, tuple(readings), snapshot))
        if outcomes.live is not None:
            self._publication.publish(outcomes.live)
            way.published_at = readings[-1].at
        elif readings and not 0 <= readings[-1].at - way.published_at < PUBLISH_INTERVAL:
            self._publication.publish_later(name, track.live)
            way.published_at = readings[-1].at
        return track.watch.pace

    def pace(self, starter: str) -> Pace:
        """Return the pace at which a starter should be read."""
        return self._ways[starter].track.watch.pace

    def acknowledge(self, starter: str, alert_id: str, by: str) -> Alert | None:
        """Acknowledge an alert and keep that; return it as it then is, None when no such alert stands.

        The state after it goes into the same transaction: no reading can bring an acknowledgement back after a restart.
        """
        way = self._ways[starter]
        track = way.track
        alert = track.acknowledge(alert_id, self._clock.now(), by)
        if alert is not None:
            snapshot = None if track.at is None else self._snapshot(way)
            self._writer.put(Batch(starter=starter, alerts=(alert,), snapshot=snapshot))
            self._publication.publish(track.live())
        return alert

    def note(self, starter: str, text: str, by: str) -> Note:
        """Keep what somebody wrote of a machine; its drift is learned anew. The state after it goes into the same transaction."""
        way = self._ways[starter]
        track = way.track
        note = track.note(self._clock.now(), text, by)
        snapshot = None if track.at is None else self._snapshot(way)
        self._writer.put(Batch(starter=starter, note=note, snapshot=snapshot))
        self._publication.publish(track.live())
        return note

    def take_snapshots(self) -> None:
        """Keep the state of every starter now, so that the next run need not replay."""
        for name, way in self._ways.items():
            if way.track.at is not None:
                self._writer.put(Batch(starter=name, snapshot=self._snapshot(way)))

    def _is_snapshot_due(self, way: _Way) -> bool:
        at, last = way.track.at, way.snapshot_at
        if at is None:
            return False
        if last is None:
            way.snapshot_at = at - way.ahead
            return False
        return not 0 <= at - last < SNAPSHOT_INTERVAL or self._writer.wants_snapshot(way.track.starter.name)

    @staticmethod
    def _snapshot(way: _Way) -> Snapshot:
        at = way.track.at or 0
        way.snapshot_at = at
        return Snapshot(at=at, body=way.track.snapshot())
