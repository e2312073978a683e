"""The API under /api: the same facts as the pages, typed. Reads in JSON; the one change is to acknowledge an alert."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, HTTPException, Query, Request
from fastapi.concurrency import run_in_threadpool
from starlette.responses import Response

from gateway.instants import HOUR, from_iso, to_iso
from gateway.registers.roles import ROLES
from gateway.web.acknowledging import acknowledged, refuse_foreign
from gateway.web.desk import Desk
from gateway.web.models import (
    Acknowledgement,
    AlertAnswer,
    AlertsAnswer,
    CurveAnswer,
    HealthAnswer,
    MotorDetailAnswer,
    MotorsAnswer,
    SamplesAnswer,
    StartAnswer,
    StartsAnswer,
)
from gateway.web.stream import EventStream

MOST_SAMPLES_H = 31 * 24
Number = Annotated[int, Query(ge=1, le=2**62)]


def api_router(desk: Desk) -> APIRouter:
    """Return the routes of the API and of the live stream."""
    router = APIRouter()
    _add_motors(router, desk)
    _add_ledger(router, desk)
    _add_alerts(router, desk)

    @router.get("/api/health")
    async def health() -> HealthAnswer:
        return HealthAnswer.of(desk.plant.health())

    @router.get("/stream")
    async def stream() -> Response:
        if desk.hub.is_full:
            raise HTTPException(503, "As many pages as the gateway serves live are open already. This page still shows what it had.")
        return EventStream(desk.hub, desk.clock)

    return router


def _add_motors(router: APIRouter, desk: Desk) -> None:
    @router.get("/api/motors")
    async def motors() -> MotorsAnswer:
        return MotorsAnswer.of(desk.snapshot())

    @router.get("/api/motors/{name}")
    async def motor(name: str) -> MotorDetailAnswer:
        return MotorDetailAnswer.of(desk.motor(desk.snapshot(), name))


def _add_ledger(router: APIRouter, desk: Desk) -> None:
    @router.get("/api/motors/{name}/starts")
    async def starts(name: str, before: Number | None = None, limit: Annotated[int, Query(ge=1, le=500)] = 50) -> StartsAnswer:
        desk.motor(desk.snapshot(), name)
        found = await run_in_threadpool(desk.plant.starts, name, before_number=before, limit=limit)
        following = found[-1].number if len(found) == limit else None
        return StartsAnswer(motor=name, starts=[StartAnswer.of(start) for start in found], next_before=following)

    @router.get("/api/motors/{name}/starts/{number}/curve")
    async def curve(name: str, number: int) -> CurveAnswer:
        motor = desk.motor(desk.snapshot(), name)
        start = await run_in_threadpool(desk.plant.start, name, number)
        if start is None or start.curve is None:
            raise HTTPException(404, f"Start {number} of this motor is not in the ledger or has no curve.")
        columns = {key: list(column) for key, column in start.curve.columns.items()}
        units = {key: motor.starter.signals.units.get(key) or (ROLES[key].unit if key in ROLES else "") for key in columns}
        return CurveAnswer(motor=name, number=number, at_s=list(start.curve.at_s), columns=columns, units=units)

    @router.get("/api/motors/{name}/samples")
    async def samples(
        name: str,
        signal: Annotated[str, Query(min_length=1, max_length=200)],
        from_at: Annotated[str | None, Query(alias="from")] = None,
        to_at: Annotated[str | None, Query(alias="to")] = None,
    ) -> SamplesAnswer:
        motor = desk.motor(desk.snapshot(), name)
        last = _instant(to_at, "to", desk.clock.now())
        first = _instant(from_at, "from", last - HOUR)
        if not last - MOST_SAMPLES_H * HOUR <= first < last:
            raise HTTPException(422, "from must lie before to, by at most 31 days.")
        found = await run_in_threadpool(desk.plant.samples, name, signal, first, last)
        unit = motor.starter.signals.units.get(signal) or (ROLES[signal].unit if signal in ROLES else "")
        return SamplesAnswer(motor=name, signal=signal, unit=unit, at=[to_iso(at) for at in found.at], values=list(found.values))


def _instant(text: str | None, field: str, otherwise: int) -> int:
    if text is None:
        return otherwise
    try:
        return from_iso(text.replace(" ", "+"))
    except ValueError as error:
        raise HTTPException(422, f"{field}: give an ISO 8601 time with zone, as 2026-03-12T14:07:00Z.") from error


def _add_alerts(router: APIRouter, desk: Desk) -> None:
    @router.get("/api/alerts")
    async def alerts(limit: Annotated[int, Query(ge=1, le=1000)] = 100) -> AlertsAnswer:
        snapshot = desk.snapshot()
        standing = {alert.id for alert in snapshot.alerts}
        found = await run_in_threadpool(desk.plant.alerts, limit=limit)
        past = [AlertAnswer.of(alert) for alert in found if alert.id not in standing]
        return AlertsAnswer(as_of=to_iso(snapshot.at), standing=[AlertAnswer.of(alert) for alert in snapshot.alerts], past=past)

    @router.post("/api/alerts/acknowledge")
    async def acknowledge(request: Request, body: Acknowledgement) -> AlertAnswer:
        refuse_foreign(request)
        return AlertAnswer.of(acknowledged(desk, body.alert, body.by))
