"""The ledger asked for by outcome and dates: which starts are meant, read in pieces from the newest back. Readers run in the pool only."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from urllib.parse import urlencode

from fastapi import HTTPException

from gateway.instants import Instant, from_datetime
from gateway.motors.records import Outcome, Start
from gateway.web.plant_time import PlantTime
from gateway.web.plant_view import PlantView
from gateway.web.typed_day import typed_day

PIECE = 500
MOST_SEARCHED = 50_000
"""Starts looked through for one page; who filters an older past gives dates."""
OUTCOMES: dict[str, tuple[str, frozenset[Outcome]]] = {
    "": ("every outcome", frozenset(Outcome)),
    "at_speed": ("at speed", frozenset({Outcome.AT_SPEED})),
    "broken": ("stalled or tripped", frozenset({Outcome.STALLED, Outcome.TRIPPED})),
    "aborted": ("cut off by a stop", frozenset({Outcome.ABORTED})),
    "unseen": ("not seen", frozenset({Outcome.UNSEEN})),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class LedgerQuestion:
    """What was asked: outcome by its key, first and last local day as 2026-03-12 ("" is open), and the same as instants."""

    outcome: str = ""
    first_day: str = ""
    last_day: str = ""
    from_at: Instant | None = None
    until_at: Instant | None = None

    @property
    def narrows(self) -> bool:
        """True when not every start is meant."""
        return bool(self.outcome or self.first_day or self.last_day)

    def means(self, start: Start) -> bool:
        """Return whether a start is among those asked for; a start belongs to the day on which it began."""
        if start.outcome not in OUTCOMES[self.outcome][1]:
            return False
        return (self.from_at is None or start.began_at >= self.from_at) and (self.until_at is None or start.began_at < self.until_at)

    def query(self, **more: object) -> str:
        """Return the query of an address that asks the same, with further fields."""
        asked = {"outcome": self.outcome, "first": self.first_day, "last": self.last_day} | more
        words = urlencode({key: value for key, value in asked.items() if value not in ("", None)})
        return f"?{words}" if words else ""


def ledger_question(outcome: str, first: str, last: str, time: PlantTime) -> LedgerQuestion:
    """Return the question; HTTPException 422 in words when a field cannot be understood."""
    if outcome not in OUTCOMES:
        raise HTTPException(422, f"outcome: choose one of {', '.join(key for key in OUTCOMES if key)}, or none.")
    from_day, to_day = _day("first", first), _day("last", last)
    if from_day is not None and to_day is not None and to_day < from_day:
        raise HTTPException(422, "The last day lies before the first. Give them the other way round.")
    return LedgerQuestion(
        outcome=outcome,
        first_day="" if from_day is None else from_day.isoformat(),
        last_day="" if to_day is None else to_day.isoformat(),
        from_at=None if from_day is None else _begin(from_day, time),
        until_at=None if to_day is None else _begin(to_day + timedelta(days=1), time),
    )


def asked_words(question: LedgerQuestion, time: PlantTime) -> str:
    """Return what was understood, its days in words that can be read in one way only."""
    parts = [f"{OUTCOMES[question.outcome][0]},"]
    if question.from_at is not None:
        parts.append(f"from {time.date(question.from_at)}")
    if question.until_at is not None:
        parts.append(f"to {time.date(question.until_at - 1)}")
    return " ".join(parts).rstrip(",")


def day_shortcuts(question: LedgerQuestion, time: PlantTime, now: Instant) -> list[tuple[str, str]]:
    """Return the days that are asked for most, as (words, query): a panel with fingers need not type them."""
    today = time.local(now).date()
    spans = (("today", 1), ("7 days", 7), ("30 days", 30))
    return [(words, question.query(first=(today - timedelta(days=days - 1)).isoformat(), last=today.isoformat())) for words, days in spans]


def _day(field: str, text: str) -> date | None:
    if not text:
        return None
    try:
        return typed_day(text)
    except ValueError as error:
        raise HTTPException(422, f"{field} day: {error}.") from error


def _begin(day: date, time: PlantTime) -> Instant:
    return from_datetime(datetime(day.year, day.month, day.day, tzinfo=time.zone))


def all_starts(plant: PlantView, name: str, *, before: int | None = None, since: Instant | None = None) -> Iterator[Start]:
    """Yield the ledger newest first, without curves; `since` ends it at the first start that was over before."""
    while True:
        piece = plant.starts(name, before_number=before, limit=PIECE)
        for start in piece:
            if since is not None and start.ended_at < since:
                return
            yield start
        if len(piece) < PIECE:
            return
        before = piece[-1].number


def asked_starts(plant: PlantView, name: str, question: LedgerQuestion, *, before: int | None = None) -> Iterator[Start]:
    """Yield the starts that are asked for, newest first, without curves."""
    for count, start in enumerate(all_starts(plant, name, before=before, since=question.from_at)):
        if count >= MOST_SEARCHED:
            return
        if question.means(start):
            yield start


def asked_page(plant: PlantView, name: str, question: LedgerQuestion, before: int | None, limit: int) -> tuple[list[Start], int | None]:
    """Return one page of them with curves, and the number before which the next page begins, None at the end."""
    if not question.narrows:
        found = plant.starts(name, before_number=before, limit=limit, curves=True)
        return found, found[-1].number if len(found) == limit and found[-1].number > 1 else None
    wanted: list[Start] = []
    for start in asked_starts(plant, name, question, before=before):
        if len(wanted) == limit:
            return wanted, wanted[-1].number
        wanted.append(plant.start(name, start.number) or start)
    return wanted, None
