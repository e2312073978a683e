"""The routes of the pages: take a moment of the plant, read the past in the pool, render."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated
from urllib.parse import quote, unquote
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Query, Request
from fastapi.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, RedirectResponse, Response, StreamingResponse

from gateway.instants import Instant
from gateway.motors.alerts import Alert
from gateway.motors.history import History
from gateway.motors.records import Start
from gateway.services.health import Health
from gateway.web import motor_page as page_of
from gateway.web.acknowledging import acknowledged, form_acknowledgement, refuse_foreign
from gateway.web.alert_page import alert_lines, alerts_sentence, past_lines, rate_words
from gateway.web.desk import Desk
from gateway.web.download import starts_csv
from gateway.web.heat_view import HeatPoint
from gateway.web.live import alerts_version, list_version
from gateway.web.motor_rows import ROOMY_ROWS, ages_sentence, is_stale, motor_version, ordered_rows, row_of
from gateway.web.past import NO_PAST, Past
from gateway.web.plant_time import PlantTime
from gateway.web.shapes.slots import slot_picture
from gateway.web.snapshot import MotorNow, Snapshot
from gateway.web.wall_page import hidden_count, wall_rows, wall_sentence
from gateway.web.wire_page import fault_words, link_lines, store_lines, wire_sentence
from gateway.web.words import answer, explanation, look_first, now_line, page_sentence

MOST_HOUR_MAP_STARTS = 5000
_CHUNK = 500
Before = Annotated[int | None, Query(ge=1, le=2**62)]


def pages_router(desk: Desk) -> APIRouter:
    """Return the routes of every page but the handbook."""
    router = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)
    _add_motors(router, desk)
    _add_motor(router, desk)
    _add_alerts(router, desk)
    _add_wire(router, desk)
    _add_wall(router, desk)
    return router


def _add_motors(router: APIRouter, desk: Desk) -> None:
    @router.get("/")
    async def motors(find: Annotated[str, Query(max_length=80)] = "") -> HTMLResponse:
        return await run_in_threadpool(_motors_page, desk, desk.snapshot(), find.strip())


def _motors_page(desk: Desk, snapshot: Snapshot, find: str) -> HTMLResponse:
    attention, calm = ordered_rows(snapshot)
    rows = attention + calm
    strips = {
        motor.starter.name: desk.shelf.strip(motor.live, motor.starter.motor.flc_a, page_of.tone_of(motor)) for motor in snapshot.motors
    }
    slots = {row.name: slot_picture(row.slots) for row in rows if row.slots is not None}
    wanted = find.lower()
    shown = {row.name for row in rows if wanted in f"{row.name} {row.title}".lower()}
    return desk.page(
        "motors.html",
        snapshot,
        here="motors",
        sentence=page_sentence(snapshot),
        ages=ages_sentence(rows),
        attention=attention,
        calm=calm,
        strips=strips,
        slots=slots,
        tight=len(attention) > ROOMY_ROWS,
        many=len(rows) > 12,
        find=find,
        shown=shown,
        rows_shown=bool(rows),
        version=list_version(snapshot),
    )


def _add_motor(router: APIRouter, desk: Desk) -> None:
    @router.get("/motors/{name}")
    async def motor(name: str, before: Before = None) -> HTMLResponse:
        snapshot = desk.snapshot()
        now = desk.motor(snapshot, name)
        return await run_in_threadpool(
            _motor_page, desk, snapshot, now, desk.plant.history(name), tuple(desk.plant.heat_trail(name)), before
        )

    @router.get("/motors/{name}/starts.csv")
    async def download(name: str) -> Response:
        snapshot = desk.snapshot()
        desk.motor(snapshot, name)
        lines = starts_csv(name, all_starts(desk, name), snapshot.time, PlantTime(ZoneInfo("UTC")))
        label = f"attachment; filename=\"starts.csv\"; filename*=UTF-8''{quote(name, safe='')}-starts.csv"
        return StreamingResponse(lines, media_type="text/csv; charset=utf-8", headers={"content-disposition": label})


def all_starts(desk: Desk, name: str, *, since: Instant | None = None, at_most: int | None = None) -> Iterator[Start]:
    """Yield the ledger newest first, read in pieces; in the pool only."""
    before: int | None = None
    count = 0
    while True:
        piece = desk.plant.starts(name, before_number=before, limit=_CHUNK)
        for start in piece:
            if (since is not None and start.ended_at < since) or (at_most is not None and count >= at_most):
                return
            count += 1
            yield start
        if len(piece) < _CHUNK:
            return
        before = piece[-1].number


def _motor_page(
    desk: Desk, snapshot: Snapshot, motor: MotorNow, history: History, trail: tuple[HeatPoint, ...], before: int | None
) -> HTMLResponse:
    name, time, now = motor.starter.name, snapshot.time, snapshot.at
    past = desk.shelf.past(motor.live, motor.starter.motor.flc_a) if motor.live.total_starts else NO_PAST
    week = list(all_starts(desk, name, since=page_of.hour_map_begin(time, now), at_most=MOST_HOUR_MAP_STARTS))
    lines, older = _ledger(desk, snapshot, motor, past, before)
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
        latest=page_of.latest_picture(motor, past, time),
        latest_when=_latest_when(past, time, now),
        spreads=page_of.spreads(motor, past) if past.recent else [],
        hours=page_of.hour_picture(motor, week, time, now),
        wall=page_of.wall_picture(motor, walled, past.usual),
        wall_count=max(len(walled), 0),
        lines=lines,
        older=older,
        before=before,
        values=page_of.values_of(motor),
        total=motor.live.total_starts,
        version=motor_version(motor),
    )


def _latest_when(past: Past, time: PlantTime, now: Instant) -> str:
    seen = next((start for start in past.pictured if start.curve is not None), None)
    return "" if seen is None else time.moment(seen.began_at, now, seconds=True)


def _ledger(desk: Desk, snapshot: Snapshot, motor: MotorNow, past: Past, before: int | None) -> tuple[list[page_of.LedgerLine], int | None]:
    """Return a page of the ledger, newest first, and the number before which the next page begins (None at the end)."""
    limit = page_of.LEDGER_PAGE
    found = desk.plant.starts(motor.starter.name, before_number=before, limit=limit, curves=True)
    if before is None and past.recent and (not found or found[0].number < past.recent[0].number):
        found = [*past.pictured[:1], *found][:limit]
    lines = page_of.ledger_lines(motor, found, past.usual, snapshot.time, snapshot.at)
    return lines, found[-1].number if len(found) == limit and found[-1].number > 1 else None


def _add_alerts(router: APIRouter, desk: Desk) -> None:
    @router.get("/alerts")
    async def alerts(request: Request) -> HTMLResponse:
        snapshot = desk.snapshot()
        person = unquote(request.cookies.get("person", ""))[:60]
        found = await run_in_threadpool(desk.plant.alerts, limit=100)
        return await run_in_threadpool(_alerts_page, desk, snapshot, tuple(found), person)

    @router.post("/alerts/acknowledge")
    async def acknowledge(request: Request) -> Response:
        refuse_foreign(request)
        said = await form_acknowledgement(request)
        acknowledged(desk, said.alert, said.by)
        answer = RedirectResponse("/alerts", status_code=303)
        # Remembers the name on this panel, so that the next acknowledgement is one touch.
        answer.set_cookie("person", quote(said.by), max_age=12 * 3600, httponly=True, samesite="strict")
        return answer


def _alerts_page(desk: Desk, snapshot: Snapshot, found: tuple[Alert, ...], person: str) -> HTMLResponse:
    standing = {alert.id for alert in snapshot.alerts}
    return desk.page(
        "alerts.html",
        snapshot,
        here="alerts",
        sentence=alerts_sentence(snapshot),
        rate=rate_words(snapshot, found),
        lines=alert_lines(snapshot),
        past=past_lines([alert for alert in found if alert.id not in standing], snapshot),
        person=person,
        version=alerts_version(snapshot),
    )


def _add_wire(router: APIRouter, desk: Desk) -> None:
    @router.get("/wire")
    async def wire() -> HTMLResponse:
        return await run_in_threadpool(_wire_page, desk, desk.snapshot(), desk.plant.health())


def _add_wall(router: APIRouter, desk: Desk) -> None:
    @router.get("/wall")
    async def wall() -> HTMLResponse:
        snapshot = desk.snapshot()
        return desk.page(
            "wall.html",
            snapshot,
            here="motors",
            version=list_version(snapshot),
            sentence=wall_sentence(snapshot),
            rows=wall_rows(snapshot),
            hidden=hidden_count(snapshot),
        )


def _wire_page(desk: Desk, snapshot: Snapshot, health: Health) -> HTMLResponse:
    return desk.page(
        "wire.html",
        snapshot,
        here="wire",
        sentence=wire_sentence(health, snapshot.time),
        lines=link_lines(health, snapshot.time),
        store=store_lines(health, snapshot.time),
        warnings=health.warnings,
        fault_words=fault_words(health),
    )
