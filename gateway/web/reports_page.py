"""The page of the reports: choose a period, open or download it; the weekly ones that were written by themselves.

Reports are made one at a time. The page gives each a name of its own (`job`) and asks under it how far it is; a report whose page went
away or cancelled it is given up.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Coroutine, Mapping
from dataclasses import dataclass
from datetime import timedelta
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, HTTPException, Query, Request
from fastapi.concurrency import run_in_threadpool
from starlette.responses import FileResponse, HTMLResponse, JSONResponse, Response

from gateway.errors import InputError
from gateway.instants import Instant
from gateway.web.desk import Desk
from gateway.web.places import QUESTIONS
from gateway.web.plant_time import PlantTime
from gateway.web.reports.issue import FORMS, MEDIA_TYPES, issue_report
from gateway.web.reports.period import Period, chosen_period
from gateway.web.reports.weekly import WEEKLY_NAME, weekly_files
from gateway.web.reports.work import GivenUpError, Work
from gateway.web.snapshot import Snapshot

QUESTION = QUESTIONS["reports"]
MOST_WEEKLY = 60
_WAIT_S = 30.0
_LOOK_EVERY_S = 0.25
# Of the time that a report takes, most goes into writing it.
_RECORDS_SHARE = 0.1
# The page of a report carries its styles inside and nothing else: no script, no request.
_REPORT_POLICY = "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'; sandbox"
Text = Annotated[str, Query(max_length=60)]
Day = Annotated[str, Query(alias="from", max_length=60)]
LastDay = Annotated[str, Query(alias="to", max_length=60)]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wanted:
    period: Period
    motor: str
    form: str
    work: Work


def reports_router(desk: Desk) -> APIRouter:
    """Return the routes of the page and its files."""
    router = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)
    turn = threading.Lock()
    works: dict[str, Work] = {}

    @router.get("/reports")
    async def page(from_text: Day = "", to_text: LastDay = "", motor: Text = "") -> HTMLResponse:
        return await run_in_threadpool(_page, desk, desk.snapshot(), from_text, to_text, motor, "")

    @router.get("/reports/file")
    async def file(
        request: Request, from_text: Day = "", to_text: LastDay = "", motor: Text = "", form: Text = "view", job: Text = ""
    ) -> Response:
        snapshot = desk.snapshot()
        if form not in FORMS and form != "view":
            raise HTTPException(422, f"A report is written as {', '.join(FORMS)}.")
        if motor:
            desk.motor(snapshot, motor)
        try:
            period = chosen_period(from_text or None, to_text or None, snapshot.time.zone, snapshot.at)
        except InputError as error:
            told = "; ".join(f"{problem.message}: {problem.found}" for problem in error.problems)
            return await run_in_threadpool(_page, desk, snapshot, from_text, to_text, motor, told)
        lasts = {entry.starter.name: entry.live.last_good_at for entry in snapshot.motors}
        wanted = _Wanted(period=period, motor=motor, form=form, work=Work())
        if job:
            works[job] = wanted.work
        try:
            return await _while_wanted(request, wanted.work, run_in_threadpool(_file, desk, turn, wanted, lasts, snapshot.at))
        finally:
            works.pop(job, None)

    @router.get("/reports/progress")
    async def progress(job: Text = "") -> JSONResponse:
        work = works.get(job)
        return JSONResponse({"share": None if work is None else work.share})

    @router.get("/reports/weekly/{name}")
    def weekly(name: str) -> Response:
        settings = desk.plant.site.reports
        if settings is None or not WEEKLY_NAME.fullmatch(name) or not (settings.folder / name).is_file():
            raise HTTPException(404, "There is no weekly report of that name.")
        media_type = MEDIA_TYPES[name.rpartition(".")[2]]
        return FileResponse(
            settings.folder / name, media_type=media_type, filename=name, headers={"content-security-policy": _REPORT_POLICY}
        )

    return router


def _page(desk: Desk, snapshot: Snapshot, from_text: str, to_text: str, motor: str, problem: str) -> HTMLResponse:
    settings = desk.plant.site.reports
    usual = chosen_period(None, None, snapshot.time.zone, snapshot.at)
    weekly, fault = list[str](), ""
    try:
        weekly = [] if settings is None else weekly_files(settings.folder)
    except OSError as error:
        fault = f"The folder of the weekly reports cannot be read: {error.strerror or error}."
    return desk.page(
        "reports.html",
        snapshot,
        here="reports",
        status=422 if problem else 200,
        question=QUESTION,
        first=from_text or f"{snapshot.time.local(usual.from_at):%Y-%m-%d}",
        last=to_text or f"{snapshot.time.local(usual.to_at - 1):%Y-%m-%d}",
        understood=period_words(from_text, to_text, snapshot),
        shortcuts=period_shortcuts(snapshot.time, snapshot.at),
        chosen=motor,
        names=[entry.starter for entry in snapshot.motors],
        problem=problem,
        weekly=weekly[:MOST_WEEKLY],
        is_weekly=settings is not None,
        fault=fault,
    )


def period_words(from_text: str, to_text: str, snapshot: Snapshot) -> str:
    """Return the period that the fields mean, its days in words that can be read in one way only; "" while they mean none."""
    time = snapshot.time
    try:
        period = chosen_period(from_text or None, to_text or None, time.zone, snapshot.at)
    except InputError:
        return ""
    return f"{time.date(period.from_at)} to {time.date(period.to_at - 1)}"


def period_shortcuts(time: PlantTime, now: Instant) -> list[tuple[str, str]]:
    """Return the periods that are asked for most, as (words, query)."""
    today = time.local(now).date()
    week = today - timedelta(days=today.weekday())
    month = today.replace(day=1)
    last_month = (month - timedelta(days=1)).replace(day=1)
    spans = (
        ("yesterday", today - timedelta(days=1), today - timedelta(days=1)),
        ("last week", week - timedelta(days=7), week - timedelta(days=1)),
        ("this month", month, today),
        ("last month", last_month, month - timedelta(days=1)),
    )
    return [(words, "?" + urlencode({"from": first.isoformat(), "to": last.isoformat()})) for words, first, last in spans]


async def _while_wanted(request: Request, work: Work, making: Coroutine[None, None, Response]) -> Response:
    """Return what is made; give it up when its reader hangs up or the gateway stops."""
    made = asyncio.create_task(making)
    try:
        while not made.done():
            await asyncio.wait({made}, timeout=_LOOK_EVERY_S)
            if await request.is_disconnected():
                work.give_up()
        return made.result()
    finally:
        work.give_up()
        await asyncio.wait({made})


def _file(desk: Desk, turn: threading.Lock, wanted: _Wanted, lasts: Mapping[str, Instant | None], now: Instant) -> Response:
    if not turn.acquire(timeout=_WAIT_S):
        raise HTTPException(503, "Other reports are being made. Try again in a few seconds.")
    try:
        site = desk.plant.site
        time = PlantTime(site.time_zone)
        work = wanted.work
        report = issue_report(
            site, desk.plant.periods, wanted.period, lasts.get, now, wanted.motor, lambda share: work.done(share * _RECORDS_SHARE)
        )
        form = "html" if wanted.form == "view" else wanted.form
        data = FORMS[form](report, time, lambda share: work.done(_RECORDS_SHARE + share * (1.0 - _RECORDS_SHARE)))
    except GivenUpError as error:
        raise HTTPException(503, "The report was given up, since nobody waited for it.") from error
    finally:
        turn.release()
    headers = {"content-security-policy": _REPORT_POLICY}
    if wanted.form != "view":
        motor = f"-{wanted.motor}" if wanted.motor else ""
        headers["content-disposition"] = f'attachment; filename="report{motor}-{report.id}.{form}"'
    return Response(data, media_type=MEDIA_TYPES[form], headers=headers)
