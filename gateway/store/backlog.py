"""What waits to be written, and what is given up when too much waits: the oldest raw readings, never starts, stops, alerts or events.

Records come at the pace of the motors themselves, a few an hour each; raw readings come every second and are what would fill the memory.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

from gateway.store.batch import Batch, Snapshot
from gateway.store.packing import PackedReading

AFTER_DROP = 0.9
"""Share of the limit that is left after readings were dropped, so that it does not happen at every turn."""


@dataclass(slots=True)
class Waiting:
    """One batch that waits: its readings packed, the rest as it came. `number` counts batches from 1; `size_bytes` is about what its
    readings hold."""

    number: int
    batch: Batch
    readings: Sequence[PackedReading]
    size_bytes: int
    snapshot: Snapshot | None


class Backlog:
    """Batches in the order in which they came, with a limit on the memory that their readings hold.

    bytes, readings: what waits. records: starts, stops, alerts and events that wait. dropped: readings given up so far.
    """

    def __init__(self, limit_bytes: int) -> None:
        self._limit_bytes = limit_bytes
        self._waiting: deque[Waiting] = deque()
        self._torn: set[str] = set()
        self.bytes = 0
        self.readings = 0
        self.records = 0
        self.dropped = 0

    def __len__(self) -> int:
        return len(self._waiting)

    def add(self, waiting: Waiting) -> None:
        """Let one more batch wait."""
        self._waiting.append(waiting)
        self._count(waiting)
        if self.bytes > self._limit_bytes:
            self._drop_oldest()

    def take(self) -> list[Waiting]:
        """Return everything that waits; nothing waits afterwards."""
        taken = list(self._waiting)
        self._waiting.clear()
        self.bytes = self.readings = self.records = 0
        return taken

    def give_back(self, taken: Sequence[Waiting]) -> None:
        """Let what could not be written wait again, before what came since."""
        self._waiting.extendleft(reversed(taken))
        for waiting in taken:
            self._count(waiting)
        if self.bytes > self._limit_bytes:
            self._drop_oldest()

    def is_torn(self, starter: str) -> bool:
        """Return whether readings of a starter were dropped since its last snapshot: recovery would miss them, so a new snapshot is due."""
        return starter in self._torn

    def mend(self, starter: str) -> None:
        """Note that a snapshot of a starter waits, taken after what was dropped."""
        self._torn.discard(starter)

    def _count(self, waiting: Waiting) -> None:
        self.bytes += waiting.size_bytes
        self.readings += len(waiting.readings)
        self.records += waiting.batch.records

    def _drop_oldest(self) -> None:
        target = self._limit_bytes * AFTER_DROP
        for waiting in self._waiting:
            if self.bytes <= target:
                break
            if waiting.readings:
                self.bytes -= waiting.size_bytes
                self.readings -= len(waiting.readings)
                self.dropped += len(waiting.readings)
                self._torn.add(waiting.batch.starter)
                waiting.readings, waiting.size_bytes = (), 0
        self._forget_older_snapshots()
        self._waiting = deque(w for w in self._waiting if w.readings or w.snapshot or w.batch.records)

    def _forget_older_snapshots(self) -> None:
        seen: set[str] = set()
        for waiting in reversed(self._waiting):
            if waiting.snapshot is not None:
                if waiting.batch.starter in seen:
                    waiting.snapshot = None
                seen.add(waiting.batch.starter)
