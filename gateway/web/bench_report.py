"""The report of the map bench: what the page shows, as one file for the device's integrator."""

from __future__ import annotations

from typing import Any

import orjson
from starlette.responses import Response

from gateway.bench.report import report_html
from gateway.bench.sheets import Sheet, verify_sheets
from gateway.instants import Instant, to_iso
from gateway.services.kept_words import RawView
from gateway.web.bench_rows import Judged, device_text
from gateway.web.bench_tools import AskedLine, Proposed, plan_sheet
from gateway.web.plant_time import PlantTime
from gateway.web.plant_view import StarterSiteView

WHENCE = "The words are those that the gateway's own polls brought; nothing was asked of the device for this report."


def bench_report(
    form: str,
    entry: StarterSiteView,
    view: RawView,
    judged: Judged,
    proposed: Proposed | None,
    asked: list[AskedLine],
    now: Instant,
    time: PlantTime,
) -> Response:
    """Return the report as a file, `html` or `json`."""
    name, device = entry.starter.name, device_text(entry)
    title = f"Register map {entry.map.name} of {name} against {device}"
    read = "no words are kept" if view.at is None else f"words of {time.moment(view.at, now, seconds=True)} plant time"
    facts = [WHENCE, f"Motor {name}, full-load current {entry.starter.motor.flc_a:g} A; {read}."]
    if form == "json":
        body = orjson.dumps(
            {"report": title, "made_at": to_iso(now), "facts": facts, **_plain(view, judged, proposed, asked)},
            option=orjson.OPT_INDENT_2,
        )
        return _file(body, "application/json", f"map-{name}.json")
    sheets = verify_sheets(judged.verification) + _start_sheets(judged, time)
    if proposed is not None:
        sheets.append(proposed.sheet)
    sheets += [plan_sheet(asked), _fault_sheet(view, time)]
    return _file(report_html(title, now, facts, sheets).encode(), "text/html; charset=utf-8", f"map-{name}.html")


def _file(body: bytes, media: str, name: str) -> Response:
    plain = "".join(letter if letter.isascii() and (letter.isalnum() or letter in "-_.") else "-" for letter in name)
    return Response(body, media_type=media, headers={"content-disposition": f'attachment; filename="{plain}"'})


def _plain(view: RawView, judged: Judged, proposed: Proposed | None, asked: list[AskedLine]) -> dict[str, Any]:
    start = judged.start
    return {
        **judged.verification.as_json(),
        "start_at": None if start is None else to_iso(start.at),
        "start": [] if start is None else [{"check": each.name, "passed": each.passed, "found": each.found} for each in start.checks],
        "start_signals": [] if start is None else [line.as_json() for line in start.lines.values()],
        "proposals": None if proposed is None else {"of": proposed.of, **proposed.result.as_json(), "lines": list(proposed.sheet.pasted)},
        "plan": [{"when": each.pace, "on_wire": each.where, "bytes": each.sent, "last": each.ended} for each in asked],
        "words": [
            {
                "table": raw.block.span.table.value,
                "first": raw.block.span.first,
                "at": to_iso(raw.at),
                "words": None if raw.words is None else list(raw.words),
                "fault": raw.fault,
            }
            for raw in view.latest
        ],
        "poll_faults": [
            {"kind": each.kind, "text": each.text, "count": each.count, "first_at": to_iso(each.first_at), "at": to_iso(each.at)}
            for each in view.faults
        ],
    }


def _start_sheets(judged: Judged, time: PlantTime) -> list[Sheet]:
    start = judged.start
    if start is None:
        return []
    at = time.seconds(start.at)
    lines = tuple((line.signal, line.shown or "-", line.verdict.value, line.hint) for line in start.lines.values())
    words = {None: "cannot tell", True: "yes", False: "no"}
    checks = tuple((each.name, words[each.passed], each.found) for each in start.checks)
    return [
        Sheet(title=f"through the start at {at}", heads=("signal", "lowest to highest", "verdict", "why"), rows=lines),
        Sheet(title=f"course of the start at {at}", heads=("check", "result", "found"), rows=checks),
    ]


def _fault_sheet(view: RawView, time: PlantTime) -> Sheet:
    rows = tuple((time.seconds(each.at), each.kind, each.text, str(each.count)) for each in reversed(view.faults))
    before = () if rows else ("none since the gateway started",)
    return Sheet(title="last faults", heads=("last at", "class", "what", "times") if rows else (), rows=rows, before=before)
