"""The page of measured values over time: up to three signals of one motor on one time axis, from an hour to a month."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated
from urllib.parse import quote, urlencode

from fastapi import APIRouter, HTTPException, Query
from fastapi.concurrency import run_in_threadpool
from pydantic import BaseModel, Field
from starlette.responses import HTMLResponse, Response, StreamingResponse

from gateway.instants import HOUR, MINUTE, Instant, from_datetime
from gateway.registers.roles import ROLES, RoleKind
from gateway.web.desk import Desk
from gateway.web.download import csv_line
from gateway.web.ledger import all_starts
from gateway.web.plant_time import PlantTime, span
from gateway.web.shapes.scales import ClockAxis
from gateway.web.shapes.trend import Gap, Lane, LanePicture, Mark, axis_picture, lane_picture, with_holes
from gateway.web.shapes.trend_file import trend_file
from gateway.web.snapshot import MotorNow, Snapshot
from gateway.web.values import unit_words, value_text

SPANS = {"1": "1 hour", "6": "6 hours", "24": "1 day", "168": "7 days", "720": "30 days"}
LONGEST = 31 * 24 * HOUR
SHORTEST = MINUTE
POINTS = 1200
MOST_SIGNALS = 3
MOST_MARKS = 20_000
_LAST_INSTANT = 250_000_000_000_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalQuestion:
    """What was asked: motor, signals by key, what of it the motor does not have ("" for nothing), and the time between two instants."""

    motor: MotorNow
    keys: tuple[str, ...]
    lacking: str
    from_at: Instant
    to_at: Instant

    def query(self, from_at: Instant | None = None, to_at: Instant | None = None) -> str:
        """Return the address's query for the same signals in another time; instants go in milliseconds, exact and short."""
        first, last = (self.from_at if from_at is None else from_at), (self.to_at if to_at is None else to_at)
        fields = [("motor", self.motor.starter.name), *(("signal", key) for key in self.keys)]
        return "?" + urlencode([*fields, ("from", str(first // 1000)), ("to", str(last // 1000))])


@dataclass(frozen=True, slots=True, kw_only=True)
class LaneView:
    """One signal as the page shows it, with its extremes in words: the picture's equivalent in text."""

    key: str
    unit: str
    low: str
    high: str
    low_at: str
    high_at: str
    missing: str
    picture: LanePicture


class SignalFields(BaseModel):
    """The fields of an address that asks for signals: a time by its width and end, or by both its ends in milliseconds since 1970."""

    motor: str = Field("", max_length=200)
    signal: list[str] = Field([], max_length=MOST_SIGNALS + 1)
    hours: str = Field("", max_length=30)
    end: str = Field("", max_length=30)
    from_at: str = Field("", alias="from", max_length=20)
    to_at: str = Field("", alias="to", max_length=20)


Fields = Annotated[SignalFields, Query()]


def signal_router(desk: Desk) -> APIRouter:
    """Return the routes of the page and of its two downloads."""
    router = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)

    @router.get("/signals")
    async def page(fields: Fields) -> HTMLResponse:
        snapshot, question = _asked(desk, fields)
        return await run_in_threadpool(_page, desk, snapshot, question, fields)

    @router.get("/signals.svg")
    async def picture(fields: Fields) -> Response:
        snapshot, question = _asked(desk, fields)
        lanes = await run_in_threadpool(_lanes, desk, question)
        name = question.motor.starter.name
        drawn = trend_file(f"{name}, {snapshot.site_name}", lanes, ClockAxis(question.from_at, question.to_at), snapshot.time)
        return Response(drawn, media_type="image/svg+xml", headers=_as_file(f"{name}-signals.svg"))

    @router.get("/signals.csv")
    async def table(fields: Fields) -> Response:
        snapshot, question = _asked(desk, fields)
        headers = _as_file(f"{question.motor.starter.name}-signals.csv")
        return StreamingResponse(_csv(desk, question, snapshot.time), media_type="text/csv; charset=utf-8", headers=headers)

    return router


def _asked(desk: Desk, fields: SignalFields) -> tuple[Snapshot, SignalQuestion]:
    """Return what was asked for; in the event loop only. HTTPException in words when it cannot be."""
    snapshot = desk.snapshot()
    if not snapshot.motors:
        raise HTTPException(404, "The site file has no motor, so nothing is measured yet.")
    motor = desk.motor(snapshot, fields.motor) if fields.motor else snapshot.motors[0]
    first, last = _time(fields, snapshot)
    keys, lacking = _keys(motor, fields.signal)
    if not keys:
        raise HTTPException(404, f"The map of {motor.starter.name} has no signal that can be drawn.")
    return snapshot, SignalQuestion(motor=motor, keys=keys, lacking=lacking, from_at=first, to_at=last)


def _as_file(name: str) -> dict[str, str]:
    return {"content-disposition": f"attachment; filename=\"signals\"; filename*=UTF-8''{quote(name, safe='')}"}


def known_keys(motor: MotorNow) -> list[str]:
    """Return the signals that can be drawn, those with a role first in the order of the roles; texts cannot."""
    live, facts = motor.live, motor.starter.signals
    order = {role: place for place, role in enumerate(ROLES)}
    keys = {key for key in set(live.values) | set(live.flaws) | set(facts.keys) if not isinstance(live.values.get(key), str)}
    return sorted(keys, key=lambda key: (order.get(key, len(order)), key))


def _keys(motor: MotorNow, wanted: Sequence[str]) -> tuple[tuple[str, ...], str]:
    """Return the signals to draw, and a sentence about those that this motor does not have: another motor's map may name others."""
    known = known_keys(motor)
    asked = [key for key in dict.fromkeys(wanted) if key][:MOST_SIGNALS]
    chosen = tuple(key for key in asked if key in known)
    lacking = [key for key in asked if key not in known]
    drawn = chosen or tuple(known[:1])
    if not lacking:
        return drawn, ""
    instead = f": {drawn[0]} is drawn" if not chosen and drawn else ""
    return drawn, f"{motor.starter.name} has no signal {', '.join(lacking)}{instead}."


def _time(fields: SignalFields, snapshot: Snapshot) -> tuple[Instant, Instant]:
    """Return the time asked for; HTTPException 422 in words when it cannot be."""
    if fields.from_at or fields.to_at:
        try:
            first, last = int(fields.from_at) * 1000, int(fields.to_at) * 1000
        except ValueError as error:
            raise HTTPException(422, "from and to: give both in whole milliseconds since 1970.") from error
        if not (0 <= first < last <= _LAST_INSTANT and SHORTEST <= last - first <= LONGEST):
            raise HTTPException(422, "from must lie before to, by one minute at the least and 31 days at the most.")
        return first, last
    if fields.hours and fields.hours not in SPANS:
        raise HTTPException(422, f"hours: choose one of {', '.join(SPANS)}.")
    last = snapshot.at
    if fields.end:
        try:
            last = from_datetime(datetime.fromisoformat(fields.end).replace(tzinfo=snapshot.time.zone))
        except ValueError as error:
            raise HTTPException(422, f"end: {fields.end} is no time; give it as 2026-03-12 14:12, in local time.") from error
        if not LONGEST <= last <= _LAST_INSTANT:
            raise HTTPException(422, f"end: {fields.end} lies outside every store.")
    return last - int(fields.hours or "24") * HOUR, last


def _page(desk: Desk, snapshot: Snapshot, question: SignalQuestion, fields: SignalFields) -> HTMLResponse:
    time, axis = snapshot.time, ClockAxis(question.from_at, question.to_at)
    lanes = _lanes(desk, question)
    views = [_view(lane, axis, question.motor, time, snapshot.at) for lane in lanes]
    return desk.page(
        "signals.html",
        snapshot,
        here="signals",
        sentence=signal_sentence(question, lanes, time, snapshot.at),
        question=question,
        keys=known_keys(question.motor),
        names=[(entry.starter.name, entry.starter.title) for entry in snapshot.motors],
        spans=SPANS,
        hours=fields.hours or ("" if fields.from_at else "24"),
        end=fields.end,
        views=views,
        axis=axis_picture(axis, time),
        moves=_moves(question, snapshot.at),
        starts=len(lanes[0].marks) if lanes else 0,
        zone_name=time.zone.key,
        most=MOST_SIGNALS,
    )


def _moves(question: SignalQuestion, now: Instant) -> list[tuple[str, str]]:
    """Return the steps through time as (words, query): half a width aside, half and twice the width."""
    first, last = question.from_at, question.to_at
    width = last - first
    middle, half, twice = (first + last) // 2, max(width // 2, SHORTEST), min(width * 2, LONGEST)
    moves = [("earlier", question.query(first - width // 2, last - width // 2))]
    if last < now:
        moves.append(("later", question.query(first + width // 2, last + width // 2)))
    if half < width:
        moves.append(("closer", question.query(middle - half // 2, middle + half // 2)))
    if twice > width:
        moves.append(("wider", question.query(min(middle + twice // 2, max(now, last)) - twice, min(middle + twice // 2, max(now, last)))))
    return moves


def _lanes(desk: Desk, question: SignalQuestion) -> list[Lane]:
    """Return the signals with what the store has of them; in the pool only."""
    name, first, last = question.motor.starter.name, question.from_at, question.to_at
    gaps = _gaps(desk, name, first, last)
    starts = [start for start in all_starts(desk.plant, name, since=first) if start.began_at < last][:MOST_MARKS]
    lanes = []
    for key in question.keys:
        found = desk.plant.samples(name, key, first, last, points=POINTS)
        role = ROLES.get(key)
        sampled_from = found.at[0] if found.at else last
        # Raw readings are given up after some weeks, starts never: an older start still stands as high as it was.
        peaks = key == "current"
        marks = [Mark(start.began_at, start.peak_current_a if peaks and start.began_at < sampled_from else None) for start in starts]
        lanes.append(
            with_holes(
                Lane(
                    name=key,
                    unit=unit_words(question.motor, key),
                    at=found.at,
                    values=found.values,
                    gaps=gaps,
                    marks=marks,
                    flag=role is not None and role.kind is RoleKind.FLAG,
                ),
                ClockAxis(first, last),
            )
        )
    return lanes


def _gaps(desk: Desk, name: str, first: Instant, last: Instant) -> list[Gap]:
    return [
        Gap(int(event.body["began_at"]), event.at, str(event.body["reason"]))
        for event in desk.plant.events(name, limit=1000)
        if event.kind == "gap_ended" and event.at > first and event.body["began_at"] < last
    ]


def signal_sentence(question: SignalQuestion, lanes: Sequence[Lane], time: PlantTime, now: Instant) -> str:
    """Return the answer: between which values the first signal moved, and in what time."""
    lane = lanes[0]
    width = span((question.to_at - question.from_at) / 1e6)
    until = "" if now - question.to_at < 2 * MINUTE else f" until {time.moment(question.to_at, now)}"
    if lane.extremes is None:
        return f"{question.motor.starter.name}: no {lane.name} was read in {width}{until}."
    low, high = (value_text(value, flag=lane.flag, unit=lane.unit) for value in lane.extremes)
    moved = f"was {low}" if low == high else f"was {low} to {high}"
    return f"{question.motor.starter.name} {lane.name.replace('_', ' ')} {moved} {lane.unit}".rstrip() + f" in {width}{until}."


def _view(lane: Lane, axis: ClockAxis, motor: MotorNow, time: PlantTime, now: Instant) -> LaneView:
    known = [(value, at) for at, value in zip(lane.at, lane.values, strict=True) if value is not None]
    low, high = (min(known), max(known)) if known else (None, None)
    texts = motor.starter.signals.texts.get(lane.name)

    def words(found: tuple[float, Instant] | None) -> tuple[str, str]:
        if found is None:
            return "—", ""
        return value_text(found[0], texts, flag=lane.flag, unit=lane.unit), time.moment(found[1], now, seconds=True)

    blind = sum(min(gap.to_at, axis.to_at) - max(gap.from_at, axis.from_at) for gap in lane.gaps)
    missing = (
        f"{span(blind / 1e6)} in {len(lane.gaps)} gap{'' if len(lane.gaps) == 1 else 's'}: {lane.gaps[0].reason}" if lane.gaps else "none"
    )
    return LaneView(
        key=lane.name,
        unit=lane.unit,
        low=words(low)[0],
        low_at=words(low)[1],
        high=words(high)[0],
        high_at=words(high)[1],
        missing=missing,
        picture=lane_picture(lane, axis, time),
    )


def _csv(desk: Desk, question: SignalQuestion, time: PlantTime) -> Iterable[str]:
    """Yield every stored sample of the signals, one line each, a header line first."""
    yield csv_line(("motor", "signal", "unit", "at_local", "value"))
    name = question.motor.starter.name
    for key in question.keys:
        found = desk.plant.samples(name, key, question.from_at, question.to_at)
        unit = unit_words(question.motor, key)
        for at, value in zip(found.at, found.values, strict=True):
            yield csv_line((name, key, unit, time.iso(at), value))
