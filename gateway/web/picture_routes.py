"""The pictures of the pages as SVG files; where the pages' script runs, the browser also makes a PNG of the same file."""

from __future__ import annotations

from collections.abc import Callable
from itertools import islice
from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, HTTPException, Query
from fastapi.concurrency import run_in_threadpool
from starlette.responses import Response

from gateway.motors.drift_chart import drift_charts
from gateway.motors.drift_terms import DriftBreak
from gateway.web import motor_page as page_of
from gateway.web.compare_page import Name, Number, compare_picture, sides_of
from gateway.web.desk import Desk
from gateway.web.drift_page import chart_view, watched_starts
from gateway.web.latest_view import along_of, latest_view
from gateway.web.ledger import all_starts
from gateway.web.motor_routes import MOST_HOUR_MAP_STARTS
from gateway.web.past import NO_PAST, Past
from gateway.web.shapes.picture_file import picture_file
from gateway.web.shapes.start_lines import Along
from gateway.web.snapshot import MotorNow, Snapshot

ESTIMATES = "Grey: the usual. Dashed and dotted lines are estimates."
FRAMES = "Every frame is 8 × FLC high and 30 s wide, oldest top left."


def picture_router(desk: Desk) -> APIRouter:
    """Return the routes of the files."""
    router = APIRouter(include_in_schema=False)
    _add_latest(router, desk)
    _add_drift(router, desk)
    _add_compare(router, desk)
    for which, made in (("hours", _hours), ("wall", _wall)):
        _add_simple(router, desk, which, made)
    return router


def _file(text: str, name: str) -> Response:
    label = f"attachment; filename=\"picture.svg\"; filename*=UTF-8''{quote(name, safe='')}.svg"
    return Response(text, media_type="image/svg+xml", headers={"content-disposition": label})


def _past(desk: Desk, motor: MotorNow) -> Past:
    return desk.shelf.past(motor.live, motor.starter.motor.flc_a) if motor.live.total_starts else NO_PAST


def _as_of(snapshot: Snapshot) -> str:
    time = snapshot.time
    return f"{snapshot.site_name}, {time.date(snapshot.at)} {time.clock(snapshot.at)}, {time.zone_text(snapshot.at)}"


def _add_latest(router: APIRouter, desk: Desk) -> None:
    @router.get("/motors/{name}/latest.svg")
    async def latest(name: str, along: Annotated[str, Query(max_length=20)] = "") -> Response:
        snapshot = desk.snapshot()
        return await run_in_threadpool(_latest, desk, snapshot, desk.motor(snapshot, name), along_of(along))


def _latest(desk: Desk, snapshot: Snapshot, motor: MotorNow, along: Along) -> Response:
    view = latest_view(motor, _past(desk, motor), snapshot.time, snapshot.at, desk.curves.curves(motor.starter), along)
    if view is None:
        raise HTTPException(404, f"No start of {motor.starter.name} has been seen with its curve yet.")
    name = motor.starter.name
    title = f"{name}, start no. {view.number}, × FLC over {view.unit}"
    return _file(picture_file(title, view.picture, [view.when, ESTIMATES, _as_of(snapshot)]), f"{name}-start-{view.number}")


def _add_drift(router: APIRouter, desk: Desk) -> None:
    @router.get("/motors/{name}/drift/{place}.svg")
    async def drift(name: str, place: int) -> Response:
        snapshot = desk.snapshot()
        motor = desk.motor(snapshot, name)
        return await run_in_threadpool(_drift, desk, snapshot, motor, tuple(desk.plant.drift_breaks(name)), place)


def _drift(desk: Desk, snapshot: Snapshot, motor: MotorNow, breaks: tuple[DriftBreak, ...], place: int) -> Response:
    starts, _ = watched_starts(desk, motor.starter.name, breaks)
    charts = drift_charts(starts, breaks, motor.starter.motor.flc_a)
    if not 1 <= place <= len(charts):
        raise HTTPException(404, f"{motor.starter.name} has {len(charts)} charts of drift; there is no number {place}.")
    view = chart_view(place, charts[place - 1], _past(desk, motor).usual, breaks, snapshot.time)
    notes = ["Dots are starts, the broad line their weighted mean; grey: the usual.", _as_of(snapshot)]
    return _file(picture_file(f"{motor.starter.name}, drift", view.picture, notes), f"{motor.starter.name}-drift-{place}")


def _add_compare(router: APIRouter, desk: Desk) -> None:
    @router.get("/compare.svg")
    async def compare(motor: Name = "", start: Number = None, other: Name = "", other_start: Number = None) -> Response:
        snapshot = desk.snapshot()
        one, two = await run_in_threadpool(sides_of, desk, snapshot, motor, start, other, other_start)
        drawn = compare_picture(one, two)
        if drawn is None:
            raise HTTPException(404, "There are no curves of two starts to draw.")
        notes = [f"Solid: {one.title}. Dashed: {two.title}. Time counts from the begin of each start.", _as_of(snapshot)]
        return _file(picture_file(f"{one.title} and {two.title}", drawn, notes), f"{one.title} and {two.title}")


def _add_simple(router: APIRouter, desk: Desk, which: str, made: Callable[[Desk, Snapshot, MotorNow], str]) -> None:
    @router.get(f"/motors/{{name}}/{which}.svg")
    async def simple(name: str) -> Response:
        snapshot = desk.snapshot()
        return _file(await run_in_threadpool(made, desk, snapshot, desk.motor(snapshot, name)), f"{name}-{which}")


def _hours(desk: Desk, snapshot: Snapshot, motor: MotorNow) -> str:
    name, time, now = motor.starter.name, snapshot.time, snapshot.at
    found = islice(all_starts(desk.plant, name, since=page_of.hour_map_begin(time, now)), MOST_HOUR_MAP_STARTS)
    notes = ["The digit is the count; ? was not seen; a coloured cell is over the site rule.", _as_of(snapshot)]
    return picture_file(f"{name}, starts in each hour", page_of.hour_picture(motor, list(found), time, now), notes)


def _wall(desk: Desk, snapshot: Snapshot, motor: MotorNow) -> str:
    name = motor.starter.name
    walled = desk.plant.starts(name, limit=page_of.WALL_STARTS, curves=True)
    if not walled:
        raise HTTPException(404, f"No start of {name} is in the ledger yet.")
    drawn = page_of.wall_picture(motor, walled, _past(desk, motor).usual)
    return picture_file(f"{name}, last {len(walled)} starts", drawn, [FRAMES, _as_of(snapshot)])
