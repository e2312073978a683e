"""Two starts beside each other, of one motor or of two: their curves on one scale, and every figure with its difference."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, HTTPException, Query
from fastapi.concurrency import run_in_threadpool
from markupsafe import Markup
from starlette.responses import HTMLResponse

from gateway.instants import Instant
from gateway.motors.records import Outcome, Start
from gateway.web.desk import Desk
from gateway.web.plant_time import PlantTime
from gateway.web.shapes.overlay import Laid, overlay
from gateway.web.shapes.start_lines import since_begin
from gateway.web.shapes.start_picture import current_samples
from gateway.web.snapshot import MotorNow, Snapshot
from gateway.web.words import number, with_error

Name = Annotated[str, Query(max_length=200)]
Number = Annotated[int | None, Query(ge=1, le=2**62)]
OUTCOME_WORDS = {
    Outcome.AT_SPEED: "at speed",
    Outcome.ABORTED: "cut off by a stop",
    Outcome.STALLED: "stalled",
    Outcome.TRIPPED: "tripped",
    Outcome.UNSEEN: "not seen",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """One of the two: the motor, its start (None: there is none) and what the form is filled with."""

    motor: MotorNow
    start: Start | None

    @property
    def title(self) -> str:
        """Return the name of the start."""
        return f"{self.motor.starter.name} no. {self.start.number}" if self.start is not None else self.motor.starter.name


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One figure of both starts."""

    name: str
    unit: str
    first: str
    second: str
    difference: str


def compare_router(desk: Desk) -> APIRouter:
    """Return the route."""
    router = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)

    @router.get("/compare")
    async def compare(motor: Name = "", start: Number = None, other: Name = "", other_start: Number = None) -> HTMLResponse:
        snapshot = desk.snapshot()
        one, two = await run_in_threadpool(sides_of, desk, snapshot, motor, start, other, other_start)
        return await run_in_threadpool(_page, desk, snapshot, one, two)

    return router


def sides_of(desk: Desk, snapshot: Snapshot, motor: str, start: int | None, other: str, other_start: int | None) -> tuple[Side, Side]:
    """Return both sides as asked for, latest starts where none is named; in the pool only. HTTPException 404 when one is not there."""
    if not snapshot.motors:
        raise HTTPException(404, "The site file has no motor, so there are no starts to compare.")
    first = desk.motor(snapshot, motor) if motor else snapshot.motors[0]
    second = desk.motor(snapshot, other) if other else first
    one = Side(motor=first, start=_start(desk, first, start))
    before = one.start.number if one.start is not None and first is second and other_start is None else None
    return one, Side(motor=second, start=_start(desk, second, other_start, before=before))


def _page(desk: Desk, snapshot: Snapshot, one: Side, two: Side) -> HTMLResponse:
    return desk.page(
        "compare.html",
        snapshot,
        here="motors",
        sentence=compare_sentence(one, two),
        sides=(one, two),
        lines=compare_lines(one, two, snapshot.time, snapshot.at) if one.start and two.start else [],
        picture=compare_picture(one, two),
        file_query=file_query(one, two),
        names=[entry.starter.name for entry in snapshot.motors],
    )


def _start(desk: Desk, motor: MotorNow, wanted: int | None, *, before: int | None = None) -> Start | None:
    """Return the start asked for; else the latest one with a curve, before another where that is given."""
    name = motor.starter.name
    if wanted is not None:
        found = desk.plant.start(name, wanted)
        if found is None:
            raise HTTPException(404, f"The ledger of {name} has no start {wanted}. Take a number from its ledger.")
        return found
    recent = desk.plant.starts(name, before_number=before, limit=50, curves=True)
    return next((start for start in recent if start.curve is not None), None)


def file_query(one: Side, two: Side) -> str:
    """Return the query of an address that means the same two starts."""
    fields: dict[str, str | int] = {"motor": one.motor.starter.name, "other": two.motor.starter.name}
    fields |= {} if one.start is None else {"start": one.start.number}
    fields |= {} if two.start is None else {"other_start": two.start.number}
    return "?" + urlencode(fields)


def compare_picture(one: Side, two: Side) -> Markup | None:
    """Return both curves over each other, None where one was not recorded."""
    laid = []
    for side in (one, two):
        if side.start is None or side.start.curve is None:
            return None
        samples = since_begin(current_samples(side.start.curve, side.motor.starter.motor.flc_a))
        words = f"{side.title} peaks at {number(side.start.peak_ratio, 2)} and takes {number(side.start.duration_s, 1)} s"
        laid.append(Laid(name=side.title, samples=samples, words=words))
    return overlay(laid[0], laid[1], "× FLC")


def compare_sentence(one: Side, two: Side) -> str:
    """Return the answer: which took longer and which peaked higher, with the figures; alike where the difference is within the errors."""
    first, second = one.start, two.start
    if first is None or second is None:
        return "There are not two recorded starts to compare yet."
    if first.duration_s is None or second.duration_s is None:
        return f"{one.title} or {two.title} was not seen: nothing to compare."
    longer = first.duration_s - second.duration_s
    band = (first.duration_error_s or 0.0) + (second.duration_error_s or 0.0)
    if abs(longer) <= max(band, 0.05):
        return f"{one.title} took {number(first.duration_s, 1)} s, as long as {two.title}."
    word = "longer" if longer > 0 else "shorter"
    return f"{one.title} took {number(abs(longer), 1)} s {word} than {two.title}."


def compare_lines(one: Side, two: Side, time: PlantTime, now: Instant) -> list[Line]:
    """Return every figure of both starts with the difference first less second; a dash where one was not measured."""
    first, second = one.start, two.start
    if first is None or second is None:
        return []
    stamps = [time.moment(start.began_at, now, seconds=True) for start in (first, second)]
    lines = [
        Line(name="began", unit="", first=stamps[0], second=stamps[1], difference=""),
        Line(name="outcome", unit="", first=OUTCOME_WORDS[first.outcome], second=OUTCOME_WORDS[second.outcome], difference=""),
    ]
    for name, unit, decimals, value, error in _FIGURES:
        a, b = (value(side) for side in (one, two))
        shown = [with_error(got, error(side), decimals) for got, side in ((a, one), (b, two))]
        gap = "—" if a is None or b is None else _difference(a, b, decimals)
        lines.append(Line(name=name, unit=unit, first=shown[0], second=shown[1], difference=gap))
    return lines


def _difference(first: float, second: float, decimals: int) -> str:
    """Return the difference of the figures as they are shown, so that the line adds up for its reader; 0 has no sign.

    >>> _difference(24.6, 25.4, 0), _difference(9.08, 9.13, 1), _difference(6.34, 6.18, 1), _difference(31.0, 42.0, 0)
    ('0', '0.0', '+0.1', '−11')
    """
    gap = round(first, decimals) - round(second, decimals)
    words = number(abs(gap), decimals)
    return words if not round(gap, decimals) else f"{'+' if gap > 0 else '−'}{words}"


def _of(get: Callable[[Start], float | None]) -> Callable[[Side], float | None]:
    return lambda side: None if side.start is None else get(side.start)


def _none(_: Side) -> float | None:
    return None


def _percent(share: float | None) -> float | None:
    return None if share is None else share * 100.0


def _at_speed(side: Side) -> float | None:
    amps = None if side.start is None else side.start.at_speed_current_a
    return None if amps is None else amps / side.motor.starter.motor.flc_a


def _i2t_error(side: Side) -> float | None:
    start = side.start
    if start is None or start.i2t_flc2s is None or start.i2t_error_pct is None:
        return None
    return start.i2t_flc2s * start.i2t_error_pct / 100.0


_FIGURES: tuple[tuple[str, str, int, Callable[[Side], float | None], Callable[[Side], float | None]], ...] = (
    ("duration", "s", 1, _of(lambda start: start.duration_s), _of(lambda start: start.duration_error_s)),
    ("peak", "× FLC", 2, _of(lambda start: start.peak_ratio), _none),
    ("I²t", "FLC² s", 0, _of(lambda start: start.i2t_flc2s), _i2t_error),
    ("at speed", "× FLC", 2, _at_speed, _none),
    ("heat before", "%", 0, _of(lambda start: _percent(start.heat_before)), _none),
    ("heat after", "%", 0, _of(lambda start: _percent(start.heat_after)), _none),
    ("unbalance", "%", 1, _of(lambda start: start.unbalance_pct), _none),
    ("samples", "", 0, _of(lambda start: float(start.samples)), _none),
)
