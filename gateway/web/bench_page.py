"""The page of the map bench: the map of one motor held against the readings of the last hours, and the commands that look closer."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse

from gateway.bench.judge import Verdict
from gateway.instants import HOUR
from gateway.registers.model import ModbusPlace, WordType
from gateway.services.map_check import CheckedLine, MapCheck, check_map
from gateway.web.desk import Desk
from gateway.web.plant_view import StarterSiteView
from gateway.web.snapshot import MotorNow, Snapshot
from gateway.web.words import counted

LOOKED_BACK = 3 * HOUR
POINTS = 6000
SIGNS = {Verdict.WRONG: "≠", Verdict.SUSPICIOUS: "?", Verdict.UNREADABLE: "–", Verdict.PLAUSIBLE: "="}
WORDS = {Verdict.WRONG: "wrong", Verdict.SUSPICIOUS: "doubtful", Verdict.UNREADABLE: "not read", Verdict.PLAUSIBLE: "plausible"}


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchLine:
    """One signal as the page shows it; `mark` names the colour of its verdict, "" for none."""

    line: CheckedLine
    sign: str
    word: str
    mark: str


def bench_router(desk: Desk) -> APIRouter:
    """Return the route."""
    router = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)

    @router.get("/bench")
    async def bench(motor: Annotated[str, Query(max_length=200)] = "") -> HTMLResponse:
        snapshot = desk.snapshot()
        chosen = desk.motor(snapshot, motor) if motor else snapshot.motors[0] if snapshot.motors else None
        return await run_in_threadpool(_page, desk, snapshot, chosen)

    return router


def _page(desk: Desk, snapshot: Snapshot, chosen: MotorNow | None) -> HTMLResponse:
    entry = None if chosen is None else next(each for each in desk.plant.site.starters if each.starter.name == chosen.starter.name)
    check = None if chosen is None or entry is None else _checked(desk, snapshot, chosen, entry)
    return desk.page(
        "bench.html",
        snapshot,
        here="bench",
        sentence=bench_sentence(chosen, check),
        names=[motor.starter.name for motor in snapshot.motors],
        chosen="" if chosen is None else chosen.starter.name,
        facts="" if entry is None or check is None else bench_facts(entry, check),
        lines=[] if check is None else [_line(line) for line in check.lines],
        command="" if entry is None else bench_command(entry),
    )


def _checked(desk: Desk, snapshot: Snapshot, motor: MotorNow, entry: StarterSiteView) -> MapCheck:
    name, flaws = motor.starter.name, dict(motor.live.flaws)
    # What a counter or a heat did over a gap is no sign of a wrong map: only the readings since the last gap count.
    gaps = [event.at for event in desk.plant.events(name, limit=20) if event.kind == "gap_ended"]
    since = max([snapshot.at - LOOKED_BACK, *gaps])
    courses = {}
    for signal in entry.map.signals:
        if signal.type is not WordType.TEXT:
            found = desk.plant.samples(name, signal.key, since, snapshot.at, points=POINTS)
            courses[signal.key] = (found.at, found.values)
    return check_map(entry.map, courses, flaws, motor.starter.motor.flc_a)


def bench_sentence(motor: MotorNow | None, check: MapCheck | None) -> str:
    """Return the answer: how many signals can be true, and how many need a look."""
    if motor is None or check is None:
        return "No motor, so no map to check."
    total, name = len(check.lines), motor.starter.name
    good = check.count(Verdict.PLAUSIBLE)
    parts = [f"{check.count(verdict)} {WORDS[verdict]}" for verdict in (Verdict.WRONG, Verdict.SUSPICIOUS, Verdict.UNREADABLE)]
    others = ", ".join(part for part in parts if not part.startswith("0 "))
    return f"{name}: all {total} signals plausible." if good == total else f"{name}: {good} of {total} signals plausible, {others}."


def bench_facts(entry: StarterSiteView, check: MapCheck) -> str:
    """Return what the verdicts rest on."""
    starts = "" if check.starts is None else f", {counted(check.starts, 'start', 'starts')} among them"
    read = f"{check.moments} readings of the last 3 h or since the last gap{starts}"
    return f"map {entry.map.name}, {entry.address.text}, unit {entry.unit}; {read}"


def bench_command(entry: StarterSiteView) -> str:
    """Return the command that looks at the same map and device more closely."""
    modbus = any(isinstance(signal.place, ModbusPlace) for signal in entry.map.signals)
    where = entry.address.text.removeprefix("modbus ")
    return f"startledger bench verify MAP {where}{f' --unit {entry.unit}' if modbus else ''}"


def _line(line: CheckedLine) -> BenchLine:
    mark = {Verdict.WRONG: "u", Verdict.SUSPICIOUS: "c"}.get(line.verdict, "")
    return BenchLine(line=line, sign=SIGNS[line.verdict], word=WORDS[line.verdict], mark=mark)
