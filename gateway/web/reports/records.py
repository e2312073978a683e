"""Reading what a report needs of one motor: its records of the period, and enough of its past to tell what is usual."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from gateway.instants import Instant
from gateway.motors.alerts import Alert
from gateway.motors.facts import Starter
from gateway.motors.records import GapEnded, Outcome, Start, Stop
from gateway.store.batch import Note
from gateway.store.readers import StoredEvent
from gateway.web.reports.breaches import LOOK_BACK
from gateway.web.reports.happenings import Happening, happenings_of
from gateway.web.reports.period import Period
from gateway.web.usual import USUAL_STARTS

PICTURED = 126
"""So many of the period's last starts are drawn at most."""


class PeriodView(Protocol):
    """The store as reports read it; synchronous, from any thread."""

    def latest_starts(self, name: str, *, before_number: int, limit: int) -> list[Start]: ...
    def starts_touching(self, name: str, from_at: Instant, to_at: Instant) -> list[Start]: ...
    def stops_between(self, name: str, from_at: Instant, to_at: Instant) -> list[Stop]: ...
    def alerts_touching(self, name: str, from_at: Instant, to_at: Instant) -> list[Alert]: ...
    def gaps_touching(self, name: str, from_at: Instant, to_at: Instant) -> list[GapEnded]: ...
    def settings_noted(self, name: str, from_at: Instant, to_at: Instant) -> list[Instant]: ...
    def happenings(self, name: str, from_at: Instant, to_at: Instant) -> list[StoredEvent]: ...
    def notes_between(self, name: str, from_at: Instant, to_at: Instant) -> list[Note]: ...
    def first_known(self, name: str) -> Instant | None: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class MotorRecords:
    """What is stored of one motor.

    starts: of the period, earliest first, without curves. pictured: the last of them with curves, latest first. earlier: those before
    the period with curves, latest first. lately: starts of the period and of the day before it, for the limits. stops: of the same span.
    """

    starter: Starter
    map_name: str
    starts: tuple[Start, ...]
    pictured: tuple[Start, ...]
    earlier: tuple[Start, ...]
    lately: tuple[Start, ...]
    stops: tuple[Stop, ...]
    alerts: tuple[Alert, ...]
    gaps: tuple[GapEnded, ...]
    happenings: tuple[Happening, ...]
    first_known: Instant | None
    last_good: Instant | None


def placed_at(start: Start) -> Instant:
    """Return where a start counts: its begin, or the end of its gap where it was not seen."""
    return start.ended_at if start.outcome is Outcome.UNSEEN else start.began_at


def read_records(view: PeriodView, starter: Starter, map_name: str, period: Period, last_good: Instant | None) -> MotorRecords:
    """Return a motor's records of a period; StoreError when the store cannot be read."""
    name = starter.name
    before = period.from_at - LOOK_BACK
    lately = view.starts_touching(name, before, period.to_at)
    inside = [start for start in lately if period.holds(placed_at(start))]
    pictured = _pictured(view, name, inside)
    first = inside[0].number if inside else 2**62
    earlier = [start for start in view.latest_starts(name, before_number=first, limit=USUAL_STARTS) if placed_at(start) < period.from_at]
    return MotorRecords(
        starter=starter,
        map_name=map_name,
        starts=tuple(inside),
        pictured=tuple(pictured),
        earlier=tuple(earlier),
        lately=tuple(lately),
        stops=tuple(view.stops_between(name, before, period.to_at)),
        alerts=tuple(view.alerts_touching(name, period.from_at, period.to_at)),
        gaps=tuple(view.gaps_touching(name, period.from_at, period.to_at)),
        happenings=happenings_of(
            view.happenings(name, period.from_at, period.to_at),
            view.notes_between(name, period.from_at, period.to_at),
            view.settings_noted(name, period.from_at, period.to_at),
        ),
        first_known=view.first_known(name),
        last_good=last_good,
    )


def _pictured(view: PeriodView, name: str, inside: Sequence[Start]) -> list[Start]:
    if not inside:
        return []
    found = view.latest_starts(name, before_number=inside[-1].number + 1, limit=min(PICTURED, len(inside)))
    known = {start.number for start in inside}
    return [start for start in found if start.number in known]
