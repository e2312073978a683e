"""The page of a motor's drift: every watched figure on its control chart, with the limits that hold and what was done to the machine."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from fastapi import APIRouter
from fastapi.concurrency import run_in_threadpool
from markupsafe import Markup
from starlette.responses import HTMLResponse

from gateway.motors.drift import LEARN, MOST_BREAKS
from gateway.motors.drift_chart import DriftChart, drift_charts
from gateway.motors.drift_hints import text_for
from gateway.motors.drift_terms import Begun, Drift, DriftBreak, Figure
from gateway.motors.records import Start
from gateway.web.desk import Desk
from gateway.web.ledger import all_starts
from gateway.web.notes import MOST_SHOWN, happenings
from gateway.web.past import NO_PAST
from gateway.web.plant_time import PlantTime
from gateway.web.shapes.control_picture import SHOWN, control_picture
from gateway.web.snapshot import MotorNow, Snapshot
from gateway.web.usual import Band, Usual
from gateway.web.words import counted, number, with_signs

MOST_STARTS = 20_000
"""Starts looked through since the last change of the machine; the page says so where there are more."""
_NAMES = {
    Figure.DURATION: ("duration", "s", 1),
    Figure.I2T: ("I²t", "FLC² s", 0),
    Figure.PEAK: ("peak", "× FLC", 2),
    Figure.AT_SPEED: ("current at speed", "× FLC", 3),
    Figure.UNBALANCE: ("unbalance", "%", 1),
    Figure.STOP: ("soft stop", "s", 1),
}
_BEGUN = {Begun.COLD: ", from cold", Begun.WARM: ", from warm", Begun.EITHER: ""}


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartView:
    """One chart as the page shows it: the picture, and the same in figures. place: its number in the addresses of the files, from 1."""

    place: int
    title: str
    unit: str
    picture: Markup
    state: str
    drifts: bool
    count: int
    lowest: str
    highest: str
    baseline: str
    level: str
    limits: str
    sums: str
    decision: str
    least: str


def drift_router(desk: Desk) -> APIRouter:
    """Return the route."""
    router = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)

    @router.get("/motors/{name}/drift")
    async def drift(name: str) -> HTMLResponse:
        snapshot = desk.snapshot()
        motor = desk.motor(snapshot, name)
        return await run_in_threadpool(_page, desk, snapshot, motor, tuple(desk.plant.drift_breaks(name)))

    return router


def _page(desk: Desk, snapshot: Snapshot, motor: MotorNow, breaks: tuple[DriftBreak, ...]) -> HTMLResponse:
    name, flc_a, time, now = motor.starter.name, motor.starter.motor.flc_a, snapshot.time, snapshot.at
    starts, whole = watched_starts(desk, name, breaks)
    past = desk.shelf.past(motor.live, flc_a) if motor.live.total_starts else NO_PAST
    charts = drift_charts(starts, breaks, flc_a)
    return desk.page(
        "drift.html",
        snapshot,
        here="motors",
        name=name,
        title=motor.starter.title,
        sentence=drift_sentence(name, charts, motor.live.drifts),
        drifts=motor.live.drifts,
        charts=chart_views(charts, past.usual, breaks, time),
        happened=happenings(desk.plant.notes(name, limit=MOST_SHOWN), breaks, time, now),
        whole=whole,
        most=MOST_STARTS,
        shown=SHOWN,
        learn=LEARN,
    )


def watched_starts(desk: Desk, name: str, breaks: Sequence[DriftBreak]) -> tuple[list[Start], bool]:
    """Return the starts that the charts are folded from, oldest first, and whether they reach back to where a baseline began."""
    # Older breaks than the kept ones are forgotten: what lies before the first of a full list cannot be told apart.
    since = breaks[0].at if len(breaks) >= MOST_BREAKS else None
    found: list[Start] = []
    for start in all_starts(desk.plant, name, since=since):
        if len(found) == MOST_STARTS:
            return found[::-1], False
        if since is None or start.began_at >= since:
            found.append(start)
    return found[::-1], True


def drift_sentence(name: str, charts: Sequence[DriftChart], drifts: Sequence[Drift]) -> str:
    """Return the answer: what drifts, or that nothing does, or how far learning has got."""
    told = [with_signs(words) for words in [drift.text for drift in drifts] or _moved(charts)]
    if told:
        more = f", and {counted(len(told) - 1, 'more figure', 'more figures')}" if len(told) > 1 else ""
        return f"{name}: {told[0]}{more}."
    if not charts:
        return f"{name}: no start has been seen yet, so nothing can drift."
    learned = [chart for chart in charts if chart.stands is not None]
    if not learned:
        most = max(chart.baseline.count for chart in charts)
        return f"{name}: still learning, {most} of {LEARN} good starts."
    return f"{name}: no figure drifts."


def _moved(charts: Sequence[DriftChart]) -> list[str]:
    """Return what the charts themselves tell, for a start that the gateway has not taken yet."""
    standing = [(chart, chart.stands) for chart in charts]
    return [
        text_for(chart.figure, chart.begun, point.mean, point.level)
        for chart, point in standing
        if point is not None and point.drifts and point.mean is not None and point.level is not None
    ]


def chart_views(charts: Sequence[DriftChart], usual: Usual, breaks: Sequence[DriftBreak], time: PlantTime) -> list[ChartView]:
    """Return the charts in the order of the page: what drifts, then what is as learned, then what is being learned."""
    views = [chart_view(place, chart, usual, breaks, time) for place, chart in enumerate(charts, 1)]
    return sorted(views, key=lambda view: (not view.drifts, view.level == "—"))


def chart_view(place: int, chart: DriftChart, usual: Usual, breaks: Sequence[DriftBreak], time: PlantTime) -> ChartView:
    """Return a chart with its figures; the table says the extremes of what the picture shows."""
    words, unit, decimals = _NAMES[chart.figure]
    # Both limits must differ where they are written: they may lie closer together than the figure is usually told.
    last = chart.latest
    if last.high_limit is not None and last.mean is not None and last.high_limit - last.mean < 0.5 * 10.0**-decimals:
        decimals += 1
    title = f"{words}{_BEGUN[chart.begun]}"
    values = [point.value for point in chart.points[-SHOWN:]]
    stands = chart.stands
    done = [f"{time.day(each.at)}: {each.reason}" for each in breaks]
    return ChartView(
        place=place,
        title=title,
        unit=unit,
        picture=control_picture(chart, _band(chart.figure, usual), title, unit, decimals, done),
        state=_state(chart),
        drifts=stands is not None and stands.drifts,
        count=len(values),
        lowest=number(min(values), decimals),
        highest=number(max(values), decimals),
        baseline="—" if stands is None else f"{number(stands.mean, decimals)} ± {number(chart.baseline.deviation, decimals + 1)}",
        level="—" if stands is None else number(stands.level, decimals),
        limits="—" if stands is None else f"{number(stands.low_limit, decimals)} to {number(stands.high_limit, decimals)}",
        sums="—" if stands is None else f"{number(stands.high_sum, decimals + 1)} / {number(stands.low_sum, decimals + 1)}",
        decision="—" if stands is None else number(stands.decision, decimals + 1),
        least=number(chart.least, decimals + 1),
    )


def _state(chart: DriftChart) -> str:
    stands = chart.stands
    if stands is None:
        return f"learning, {chart.baseline.count} of {LEARN}"
    return "drifts" if stands.drifts else "as learned"


def _band(figure: Figure, usual: Usual) -> Band | None:
    bands = {
        Figure.DURATION: usual.duration_s,
        Figure.I2T: usual.i2t_flc2s,
        Figure.PEAK: usual.peak_ratio,
        Figure.AT_SPEED: usual.at_speed_ratio,
    }
    return bands.get(figure)
