"""The recent past of a motor for pictures: its last starts from the store, with the newest one of the running gateway laid over them.

Kept per motor until its ledger moves, so that a page of 200 motors reads the store for those alone that have started since.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from threading import Lock

from markupsafe import Markup

from gateway.motors.records import Live, Start
from gateway.web.plant_view import PlantView
from gateway.web.shapes.start_picture import Tone, strip
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
    _strips: dict[str, tuple[Past, Tone, Markup]] = field(default_factory=dict)
    _lock: Lock = field(default_factory=Lock)

    def strip(self, live: Live, flc_a: float, tone: Tone) -> Markup:
        """Return the picture of the motor's last starts, drawn once until its ledger moves or its colour changes."""
        past = self.past(live, flc_a) if live.total_starts else NO_PAST
        with self._lock:
            drawn = self._strips.get(live.starter)
        if drawn is not None and drawn[0] is past and drawn[1] == tone:
            return drawn[2]
        picture = strip(past.pictured, past.usual, flc_a, places=self.pictures, tone=tone)
        with self._lock:
            self._strips[live.starter] = (past, tone, picture)
        return picture

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
