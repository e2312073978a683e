"""The recent past of a motor for pictures: its last starts from the store, with the newest one of the running gateway laid over them.

Kept per motor until its ledger moves, so that a page of 200 motors reads the store for those alone that have started since.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from threading import Lock

from gateway.motors.records import Live, Start
from gateway.web.plant_view import PlantView
from gateway.web.usual import NOTHING_USUAL, USUAL_STARTS, Usual, usual_before

RECENT_STARTS = USUAL_STARTS + 11


@dataclass(frozen=True, slots=True)
class Past:
    """Newest first: `pictured` carry their curves, `recent` reach back far enough for the usual; `usual`: before the latest start."""

    pictured: tuple[Start, ...]
    recent: tuple[Start, ...]
    usual: Usual


NO_PAST = Past((), (), NOTHING_USUAL)


def with_latest(starts: Sequence[Start], latest: Start | None) -> list[Start]:
    """Return the starts, newest first, with the newest one as the running gateway knows it: the store lags by up to a commit."""
    if latest is None:
        return list(starts)
    kept = [start for start in starts if start.number != latest.number]
    stored = next((start for start in starts if start.number == latest.number), None)
    newest = stored if stored is not None and latest.curve is None and stored.ended_at == latest.ended_at else latest
    return sorted([*kept, newest], key=lambda start: -start.number)


@dataclass
class PastShelf:
    """Remembers each motor's past until its ledger moves. Shared by the pool threads that render pages."""

    plant: PlantView
    pictures: int = 10
    _kept: dict[str, tuple[object, Past]] = field(default_factory=dict)
    _lock: Lock = field(default_factory=Lock)

    def past(self, live: Live, flc_a: float) -> Past:
        """Return the past of the motor that `live` speaks of; reads the store, so call it in the pool."""
        latest = live.last_start
        key = (
            live.total_starts,
            None if latest is None else (latest.number, latest.ended_at, latest.duration_s, latest.at_speed_current_a),
        )
        with self._lock:
            kept = self._kept.get(live.starter)
        if kept is not None and kept[0] == key:
            return kept[1]
        pictured = self.plant.starts(live.starter, limit=self.pictures, curves=True)
        recent = self.plant.starts(live.starter, limit=RECENT_STARTS)
        past = Past(
            pictured=tuple(with_latest(pictured, latest)[: self.pictures]),
            recent=tuple(with_latest(recent, latest)),
            usual=usual_before(recent, None if latest is None else latest.number, flc_a),
        )
        settled = latest is None or (bool(pictured) and pictured[0].number >= latest.number)
        if settled:
            with self._lock:
                self._kept[live.starter] = (key, past)
        return past
