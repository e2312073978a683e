"""The routes of one motor: its page, and its ledger as a download."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import islice
from typing import Annotated
from urllib.parse import quote
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Query, Request
from fastapi.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, Response, StreamingResponse

from gateway.motors.drift_terms import DriftBreak
from gateway.motors.history import History
from gateway.motors.records import Start
from gateway.web import motor_page as page_of
from gateway.web.desk import Desk
from gateway.web.download import starts_csv
from gateway.web.form import person_of
from gateway.web.heat_view import HeatPoint
from gateway.web.latest_view import along_of, latest_view
from gateway.web.ledger import OUTCOMES, LedgerQuestion, all_starts, asked_page, asked_starts, asked_words, day_shortcuts, ledger_question
from gateway.web.motor_rows import is_stale, motor_version, row_of
from gateway.web.notes import MOST_SHOWN, happenings
from gateway.web.past import NO_PAST, Past
from gateway.web.plant_time import PlantTime
from gateway.web.shapes.hours import busiest_hour
from gateway.web.shapes.start_lines import NOT_PREDICTED, Along
from gateway.web.snapshot import MotorNow, Snapshot
from gateway.web.words import answer, explanation, look_first, now_line

MOST_HOUR_MAP_STARTS = 5000
Before = Annotated[int | None, Query(ge=1, le=2**62)]
Word = Annotated[str, Query(max_length=20)]


def motor_router(desk: Desk) -> APIRouter:
    """Return the routes."""
    router = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)

    @router.get("/motors/{name}")
    async def motor(
        request: Request, name: str, before: Before = None, outcome: Word = "", first: Word = "", last: Word = "", along: Word = ""
    ) -> HTMLResponse:
        snapshot = desk.snapshot()
        now = desk.motor(snapshot, name)
        question = ledger_question(outcome, first, last, snapshot.time)
        trail = tuple(desk.plant.heat_trail(name))
        breaks = tuple(desk.plant.drift_breaks(name))
        asked = Asked(question=question, before=before, person=person_of(request), along=along_of(along))
        return await run_in_threadpool(_motor_page, desk, snapshot, now, desk.plant.history(name), trail, breaks, asked)

    @router.get("/motors/{name}/starts.csv")
    async def download(name: str, outcome: Word = "", first: Word = "", last: Word = "") -> Response:
        snapshot = desk.snapshot()
        desk.motor(snapshot, name)
        question = ledger_question(outcome, first, last, snapshot.time)
        found: Iterable[Start] = asked_starts(desk.plant, name, question) if question.narrows else all_starts(desk.plant, name)
        lines = starts_csv(name, found, snapshot.time, PlantTime(ZoneInfo("UTC")))
        label = f"attachment; filename=\"starts.csv\"; filename*=UTF-8''{quote(name, safe='')}-starts.csv"
        return StreamingResponse(lines, media_type="text/csv; charset=utf-8", headers={"content-disposition": label})

    return router


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What the reader asked of the page: which starts, from which number back, the name given on this panel last, the picture's axis."""

    question: LedgerQuestion
    before: int | None
    person: str
    along: Along


def _motor_page(
    desk: Desk,
    snapshot: Snapshot,
    motor: MotorNow,
    history: History,
    trail: tuple[HeatPoint, ...],
    breaks: tuple[DriftBreak, ...],
    asked: Asked,
) -> HTMLResponse:
    name, time, now = motor.starter.name, snapshot.time, snapshot.at
    past = desk.shelf.past(motor.live, motor.starter.motor.flc_a) if motor.live.total_starts else NO_PAST
    since = page_of.hour_map_begin(time, now)
    week = list(islice(all_starts(desk.plant, name, since=since), MOST_HOUR_MAP_STARTS))
    predicted = desk.curves.curves(motor.starter) if past.recent else NOT_PREDICTED
    walled = desk.plant.starts(name, limit=page_of.WALL_STARTS, curves=True) if motor.live.total_starts else []
    return desk.page(
        "motor.html",
        snapshot,
        here="motors",
        motor=motor,
        row=row_of(motor, now, time),
        facts=page_of.facts_line(motor),
        line=now_line(motor.live, now, time, stale=is_stale(motor.live, now)),
        tone=page_of.tone_of(motor),
        answer=answer(motor, time, now),
        explanation=explanation(motor.live, motor.budget, now),
        look=look_first(motor, past.usual),
        ladder=page_of.ladder_of(motor, history, trail, time),
        latest=latest_view(motor, past, time, now, predicted, asked.along),
        predicted=predicted,
        spreads=page_of.spreads(motor, past, breaks) if past.recent else [],
        drifts=motor.live.drifts,
        happened=happenings(desk.plant.notes(name, limit=MOST_SHOWN), breaks, time, now),
        person=asked.person,
        hours=page_of.hour_picture(motor, week, time, now),
        busiest=busiest_hour(week, time, now),
        wall=page_of.wall_picture(motor, walled, past.usual),
        wall_count=len(walled),
        values=page_of.values_of(motor),
        total=motor.live.total_starts,
        version=motor_version(motor),
        book=_book(desk, snapshot, motor, past, asked.question, asked.before),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Book:
    """A page of the ledger: its lines, what was asked, and where the next page begins (None at the end)."""

    lines: list[page_of.LedgerLine]
    asked: LedgerQuestion
    before: int | None
    older: int | None
    outcomes: list[tuple[str, str]]
    understood: str
    shortcuts: list[tuple[str, str]]


def _book(desk: Desk, snapshot: Snapshot, motor: MotorNow, past: Past, question: LedgerQuestion, before: int | None) -> Book:
    """Return a page of the ledger, newest first."""
    limit = page_of.LEDGER_PAGE
    found, older = asked_page(desk.plant, motor.starter.name, question, before, limit)
    is_newest = before is None and bool(past.recent) and question.means(past.recent[0])
    if is_newest and (not found or found[0].number < past.recent[0].number):
        found = [*past.pictured[:1], *found][:limit]
    lines = page_of.ledger_lines(motor, found, past.usual, snapshot.time, snapshot.at)
    outcomes = [(key, words) for key, (words, _) in OUTCOMES.items()]
    return Book(
        lines=lines,
        asked=question,
        before=before,
        older=older,
        outcomes=outcomes,
        understood=asked_words(question, snapshot.time) if question.narrows else "",
        shortcuts=day_shortcuts(question, snapshot.time, snapshot.at),
    )
