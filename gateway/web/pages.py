"""The routes of the pages: take a moment of the plant, read the past in the pool, render."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, Response

from gateway.motors.alerts import Alert
from gateway.services.health import Health
from gateway.web import motor_page as page_of
from gateway.web.acknowledging import acknowledged, form_acknowledgement, refuse_foreign
from gateway.web.alert_page import alert_groups, alerts_sentence, past_lines, rate_words
from gateway.web.desk import Desk
from gateway.web.form import back_to, person_of
from gateway.web.live import alerts_version, list_version
from gateway.web.motor_rows import ROOMY_ROWS, ages_sentence, ordered_rows
from gateway.web.shapes.slots import slot_picture
from gateway.web.snapshot import Snapshot
from gateway.web.wall_page import hidden_count, wall_rows, wall_sentence
from gateway.web.wire_page import fault_words, link_lines, plan_lines, store_lines, wire_sentence
from gateway.web.words import page_sentence


def pages_router(desk: Desk) -> APIRouter:
    """Return the routes of every page but the handbook."""
    router = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)
    _add_motors(router, desk)
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


def _add_alerts(router: APIRouter, desk: Desk) -> None:
    @router.get("/alerts")
    async def alerts(request: Request) -> HTMLResponse:
        snapshot = desk.snapshot()
        person = person_of(request)
        found = await run_in_threadpool(desk.plant.alerts, limit=100)
        return await run_in_threadpool(_alerts_page, desk, snapshot, tuple(found), person)

    @router.post("/alerts/acknowledge")
    async def acknowledge(request: Request) -> Response:
        refuse_foreign(request)
        said = await form_acknowledgement(request)
        acknowledged(desk, said.alert, said.by)
        return back_to("/alerts", said.by)


def _alerts_page(desk: Desk, snapshot: Snapshot, found: tuple[Alert, ...], person: str) -> HTMLResponse:
    standing = {alert.id for alert in snapshot.alerts}
    return desk.page(
        "alerts.html",
        snapshot,
        here="alerts",
        sentence=alerts_sentence(snapshot),
        rate=rate_words(snapshot, found),
        groups=alert_groups(snapshot),
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
        plan=plan_lines(desk.plant.site.starters),
        store=store_lines(health, snapshot.time),
        warnings=health.warnings,
        fault_words=fault_words(health),
    )
