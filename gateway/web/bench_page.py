"""The page of the map bench: a motor's map held against the words that the gateway's own polls bring, and what these words can be asked.

No route here makes a request to a device: everything is answered from what `PlantView.raw` keeps of the ordinary polls.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import APIRouter, HTTPException, Query, Request
from fastapi.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, JSONResponse, Response

from gateway.bench.judge import Verdict
from gateway.bench.map_table import HEADS, map_rows
from gateway.motors.reading import Quality
from gateway.registers.model import ModbusPlace, Protocol, RegisterMap
from gateway.services.kept_words import RawView
from gateway.services.live_bench import judged_start, spans_read
from gateway.web.acknowledging import refuse_foreign
from gateway.web.bench_map import CheckedMap, bench_fields, checked_fields, map_download
from gateway.web.bench_report import bench_report
from gateway.web.bench_rows import Judged, JudgementShelf, bench_sentence, device_text, judged_map, ordered, present
from gateway.web.bench_tools import Found, Peeked, ProposalShelf, Proposed, asked_lines, first_block, found_value, peeked
from gateway.web.desk import Desk
from gateway.web.plant_time import age
from gateway.web.plant_view import StarterSiteView
from gateway.web.snapshot import MotorNow, Snapshot
from gateway.web.words import counted

Text = Annotated[str, Query(max_length=80)]
MOST_JUDGED = 250
"""Signals of a map that somebody pastes which are held against words: a second or two of a core at most."""
MotorName = Annotated[str, Query(max_length=200)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What somebody wants to see beside the judgement. propose: "start", "minutes" or "" for none. every_form: bits and long values too."""

    at: str = ""
    expect: str = ""
    propose: str = ""
    every_form: bool = False
    found: Found | None = None


@dataclass(frozen=True)
class Bench:
    """The desk with what the bench keeps between two looks."""

    desk: Desk
    judgements: JudgementShelf
    proposals: ProposalShelf

    def chosen(self, snapshot: Snapshot, name: str) -> MotorNow | None:
        """Return the motor of that name, the first one without a name; 404 when the site has none of it."""
        return self.desk.motor(snapshot, name) if name else snapshot.motors[0] if snapshot.motors else None

    def entry(self, motor: MotorNow) -> StarterSiteView:
        """Return the motor's entry in the site file."""
        return next(each for each in self.desk.plant.site.starters if each.starter.name == motor.starter.name)

    def look(self, motor: MotorNow) -> tuple[StarterSiteView, RawView]:
        """Return a motor's entry and the words that may be shown of it; in the event loop only."""
        return self.entry(motor), present(self.desk.plant.raw(motor.starter.name), motor.live)

    def facts(self, motor: MotorNow, entry: StarterSiteView, view: RawView, judged: Judged, snapshot: Snapshot) -> dict[str, Any]:
        """Return the words about the moment: sentence and age, also for the script."""
        live, time, now = motor.live, snapshot.time, snapshot.at
        silent = live.quality is Quality.BAD
        since = "" if not silent else "the gateway started" if live.last_good_at is None else time.moment(live.last_good_at, now)
        read = "nothing read now" if view.at is None or silent else f"read {time.seconds(view.at)}, {age(view.at, now)} old"
        return {
            "sentence": bench_sentence(motor.starter.name, judged, silent_since=since if judged.rows else ""),
            "read": f"{read}; {live.reason}" if silent and live.reason else read,
            "start": "" if view.start_at is None else time.stamp(view.start_at, now),
            "version": str(view.start_at or ""),
            "recording": view.is_recording,
        }

    def page(self, snapshot: Snapshot, motor: MotorNow | None, look: tuple[StarterSiteView, RawView] | None, asked: Asked) -> HTMLResponse:
        """Return the page; in the thread pool only."""
        names = [each.starter.name for each in snapshot.motors]
        if motor is None or look is None:
            return self.desk.page("bench.html", snapshot, here="bench", names=names, chosen="", sentence=bench_sentence("", None))
        entry, view = look
        judged = self.judgements.judged(motor, entry, view, snapshot.time)
        rows = ordered(judged)
        # What the words say is looked at where it is doubted most.
        at = asked.at or first_block([row.at for row in rows])
        words = entry.map.protocol is Protocol.MODBUS
        proposal = self.proposals.proposed(entry, view, asked.propose, snapshot.time) if asked.propose in ("start", "minutes") else ""
        return self.desk.page(
            "bench.html",
            snapshot,
            here="bench",
            names=names,
            chosen=motor.starter.name,
            **self.facts(motor, entry, view, judged, snapshot),
            map_name=entry.map.name,
            device=device_text(entry),
            rows=rows,
            checks=() if judged.start is None else judged.start.checks,
            is_modbus=words,
            spans=[f"{span.table.value} 0x{span.first:04X} to 0x{span.last:04X}" for span in spans_read(view)] if words else [],
            peeked=peeked(entry.map, view, at, asked.expect) if words and at else Peeked(at=at, expect=asked.expect),
            every_form=asked.every_form,
            found=asked.found or Found(sheet=None, carried="", values=(), name="found"),
            proposed=proposal if isinstance(proposal, Proposed) else None,
            no_proposal=proposal if isinstance(proposal, str) else "",
            propose=asked.propose,
            plan=asked_lines(entry.map, entry.unit, entry.address.framing, view, snapshot.time),
            nodes=_node_rows(entry, view, snapshot),
            faults=_fault_rows(view, snapshot),
            command=bench_command(entry),
        )


def _node_rows(entry: StarterSiteView, view: RawView, snapshot: Snapshot) -> list[tuple[str, ...]]:
    rows = []
    for signal in entry.map.signals:
        node = None if view.nodes is None else view.nodes.get(signal.key)
        if node is not None and not isinstance(signal.place, ModbusPlace):
            stamps = [
                None if at is None else snapshot.time.moment(at, snapshot.at, seconds=True) for at in (node.source_at, node.server_at)
            ]
            rows.append(
                (signal.name, node.data_type or "—", str(node.raw)[:60], node.status_name, *(stamp or "none sent" for stamp in stamps))
            )
    return rows


def _fault_rows(view: RawView, snapshot: Snapshot) -> list[tuple[str, str, str]]:
    time, now = snapshot.time, snapshot.at
    rows = []
    for each in reversed(view.faults):
        often = "" if each.count == 1 else f"{each.count} times since {time.moment(each.first_at, now, seconds=True)}"
        rows.append((time.moment(each.at, now, seconds=True), each.text, often))
    return rows


def bench_command(entry: StarterSiteView) -> str:
    """Return the command that looks at the same map and device by its own requests."""
    modbus = any(isinstance(signal.place, ModbusPlace) for signal in entry.map.signals)
    where = entry.address.text.removeprefix("modbus ")
    return f"startledger bench verify MAP {where}{f' --unit {entry.unit}' if modbus else ''}"


def bench_router(desk: Desk) -> APIRouter:
    """Return the routes."""
    router = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)
    bench = Bench(desk, JudgementShelf(desk.clock), ProposalShelf())
    _add_judgement(router, bench)
    _add_find(router, bench)
    _add_report(router, bench)
    _add_map_check(router, bench)
    return router


async def _shown(bench: Bench, name: str, asked: Asked) -> HTMLResponse:
    snapshot = bench.desk.snapshot()
    motor = bench.chosen(snapshot, name)
    look = None if motor is None else bench.look(motor)
    return await run_in_threadpool(bench.page, snapshot, motor, look, asked)


def _add_judgement(router: APIRouter, bench: Bench) -> None:
    @router.get("/bench")
    async def page(motor: MotorName = "", at: Text = "", expect: Text = "", propose: Text = "", forms: Text = "") -> HTMLResponse:
        return await _shown(bench, motor, Asked(at=at.strip(), expect=expect.strip(), propose=propose, every_form=forms == "all"))

    @router.get("/bench/live")
    async def live(motor: MotorName) -> JSONResponse:
        snapshot = bench.desk.snapshot()
        now = bench.desk.motor(snapshot, motor)
        entry, view = bench.look(now)
        judged = await run_in_threadpool(bench.judgements.judged, now, entry, view, snapshot.time)
        rows = {row.key: row.live() for row in judged.rows}
        return JSONResponse({**bench.facts(now, entry, view, judged, snapshot), "rows": rows})


def _add_find(router: APIRouter, bench: Bench) -> None:
    @router.get("/bench/find")
    async def find_form(motor: MotorName = "") -> HTMLResponse:
        return await _shown(bench, motor, Asked())

    @router.post("/bench/find")
    async def find(request: Request) -> HTMLResponse:
        refuse_foreign(request)
        fields = {name: str(value).strip() for name, value in (await bench_fields(request)).items()}
        name = fields.get("motor", "")
        motor = bench.chosen(bench.desk.snapshot(), name)
        if motor is None:
            raise HTTPException(404, "The site file names no motor, so no words are kept.")
        view = bench.look(motor)[1]
        values = [each for each in fields.get("values", "").split("|") if each][:20]
        found = await run_in_threadpool(
            found_value, view, fields.get("value", "")[:60], fields.get("name", "") or "found", fields.get("carried", ""), values
        )
        return await _shown(bench, name, Asked(found=found))


def _add_report(router: APIRouter, bench: Bench) -> None:
    @router.get("/bench/report")
    async def report(motor: MotorName, form: Text = "html", propose: Text = "") -> Response:
        snapshot = bench.desk.snapshot()
        now = bench.desk.motor(snapshot, motor)
        entry, view = bench.look(now)
        if form not in ("html", "json"):
            raise HTTPException(422, "A report can be had as html or json.")

        def made() -> Response:
            judged = bench.judgements.judged(now, entry, view, snapshot.time)
            proposal = bench.proposals.proposed(entry, view, propose, snapshot.time) if propose in ("start", "minutes") else None
            asked = asked_lines(entry.map, entry.unit, entry.address.framing, view, snapshot.time)
            given = proposal if isinstance(proposal, Proposed) else None
            return bench_report(form, entry, view, judged, given, asked, snapshot.at, snapshot.time)

        return await run_in_threadpool(made)


def _add_map_check(router: APIRouter, bench: Bench) -> None:
    @router.get("/bench/map")
    async def map_form(motor: MotorName = "") -> HTMLResponse:
        snapshot = bench.desk.snapshot()
        chosen = bench.chosen(snapshot, motor)
        return _map_page(bench, snapshot, chosen, None if chosen is None else bench.look(chosen), None)

    @router.post("/bench/map")
    async def check(request: Request) -> Response:
        refuse_foreign(request)
        fields = await bench_fields(request)
        snapshot = bench.desk.snapshot()
        chosen = bench.chosen(snapshot, str(fields.get("motor", "")).strip())
        look = None if chosen is None else bench.look(chosen)
        return await run_in_threadpool(_checked, bench, snapshot, chosen, look, fields)


def _checked(
    bench: Bench,
    snapshot: Snapshot,
    motor: MotorNow | None,
    look: tuple[StarterSiteView, RawView] | None,
    fields: dict[str, str | bytes],
) -> Response:
    checked = checked_fields(fields)
    form = str(fields.get("as", ""))
    if form and checked.map is not None:
        return map_download(checked.map, form)
    return _map_page(bench, snapshot, motor, look, checked)


def _map_page(
    bench: Bench, snapshot: Snapshot, motor: MotorNow | None, look: tuple[StarterSiteView, RawView] | None, checked: CheckedMap | None
) -> HTMLResponse:
    found = None if checked is None else checked.map
    judged, is_large = None, found is not None and len(found.signals) > MOST_JUDGED
    if found is not None and motor is not None and look is not None and not is_large:
        judged = _held_against(found, motor, look, snapshot)
    unit, framing = (1, "tcp") if look is None else (look[0].unit, look[0].address.framing)
    return bench.desk.page(
        "bench_map.html",
        snapshot,
        here="bench",
        names=[each.starter.name for each in snapshot.motors],
        chosen="" if motor is None else motor.starter.name,
        checked=checked,
        map_text="" if checked is None else checked.text,
        sentence=map_sentence(checked),
        fit="" if judged is None or motor is None else bench_sentence(motor.starter.name, judged),
        rows=[] if judged is None else ordered(judged),
        start="" if judged is None or judged.start is None else snapshot.time.seconds(judged.start.at),
        too_many=MOST_JUDGED if is_large else 0,
        heads=HEADS,
        table=[] if found is None else map_rows(found),
        plan=[] if found is None else asked_lines(found, unit, framing, None, None),
        unread=0 if judged is None else judged.count(Verdict.UNREADABLE),
    )


def _held_against(found: RegisterMap, motor: MotorNow, look: tuple[StarterSiteView, RawView], snapshot: Snapshot) -> Judged | None:
    """Return a map that is not in service held against the words of a motor; None where there are none for it."""
    entry, view = look
    if view.at is None or found.protocol is not entry.map.protocol:
        return None
    flc_a = motor.starter.motor.flc_a
    start = judged_start(found, view, entry.unit, flc_a)
    return judged_map(found, view, device_text(entry), entry.unit, flc_a, start, snapshot.time, motor.live.flaws)


def map_sentence(checked: CheckedMap | None) -> str:
    """Return the answer of the check of a map."""
    if checked is None:
        return "Check a map before a gateway reads it."
    if checked.map is None:
        return f"{checked.name}: {counted(len(checked.problems), 'mistake', 'mistakes')}."
    return f"{checked.map.name}: no mistake, {counted(len(checked.map.signals), 'signal', 'signals')}."
