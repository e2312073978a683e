"""The latest start as the motor page shows it: the picture over time or speed, its figures as a table, and why there is no speed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from fastapi import HTTPException
from markupsafe import Markup

from gateway.instants import Instant
from gateway.motors.records import Curve, Outcome, Start
from gateway.services.predicted_curve import Points, PredictedCurves
from gateway.web.motor_page import tone_of
from gateway.web.past import Past
from gateway.web.plant_time import PlantTime
from gateway.web.shapes.start_curve import latest_start
from gateway.web.shapes.start_lines import SPEED, Along, Lines, lines_over_speed, lines_over_time
from gateway.web.snapshot import MotorNow
from gateway.web.usual import Usual, usual_before
from gateway.web.words import number

NO_SPEED_SIGNAL = "Over time only: the map reads no speed, and an estimated one would hide what went wrong."
NO_SPEED_READ = "Over time only: no speed was read during this start."


@dataclass(frozen=True, slots=True, kw_only=True)
class LineFigures:
    """One line of the picture in figures: its highest current, where on the axis, and its current at the end."""

    name: str
    highest: str
    at: str
    end: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LatestView:
    """The picture with what stands round it. other: the axis that can be switched to, None when there is none and `why_not` says why."""

    number: int
    when: str
    picture: Markup
    along: Along
    unit: str
    other: Along | None
    why_not: str
    figures: tuple[LineFigures, ...]


def along_of(word: str) -> Along:
    """Return the axis asked for; HTTPException 422 in words when it is none."""
    try:
        return Along(word) if word else Along.TIME
    except ValueError as error:
        raise HTTPException(422, f"along: choose one of {', '.join(Along)}.") from error


def latest_seen(past: Past) -> Start | None:
    """Return the latest seen start with a curve, None when there is none."""
    return next((start for start in past.pictured if start.outcome is not Outcome.UNSEEN and start.curve is not None), None)


def latest_view(motor: MotorNow, past: Past, time: PlantTime, now: Instant, predicted: PredictedCurves, along: Along) -> LatestView | None:
    """Return the latest seen start over the earlier ones, None when none was seen with a curve.

    Where the speed was not read, time is drawn, whatever was asked for.
    """
    latest = latest_seen(past)
    if latest is None or latest.curve is None:
        return None
    earlier = [start for start in past.pictured if start.number < latest.number]
    flc_a = motor.starter.motor.flc_a
    usual = usual_before(past.recent, latest.number, flc_a)
    over_speed = lines_over_speed(latest, earlier, flc_a, predicted)
    lines = over_speed if over_speed is not None and along is Along.SPEED else lines_over_time(latest, earlier, flc_a, predicted)
    other = Along.TIME if lines.along is Along.SPEED else None if over_speed is None else Along.SPEED
    clock = time.clock(latest.began_at)
    return LatestView(
        number=latest.number,
        when=time.moment(latest.began_at, now, seconds=True),
        picture=latest_start(latest, earlier, usual, flc_a, clock=clock, tone=tone_of(motor), lines=lines),
        along=lines.along,
        unit="seconds" if lines.along is Along.TIME else "rpm",
        other=other,
        why_not="" if over_speed is not None else why_no_speed(motor, latest.curve),
        figures=line_figures(latest, usual, lines),
    )


def why_no_speed(motor: MotorNow, curve: Curve) -> str:
    """Return why a start cannot be drawn over speed."""
    return NO_SPEED_READ if SPEED in motor.starter.signals.keys or SPEED in curve.columns else NO_SPEED_SIGNAL


def line_figures(latest: Start, usual: Usual, lines: Lines) -> tuple[LineFigures, ...]:
    """Return every line of the picture in figures: the extremes of the table are those of the picture."""
    known = [(at, value) for at, value in lines.samples if value is not None]
    upper = [(at, high) for at, _, high in lines.envelope]
    rows: list[tuple[str, Points | Sequence[tuple[float, float]]]] = [(f"start no. {latest.number}", known)]
    rows.append(("usual, 90th percentile", upper))
    rows.append(("predicted, typical settings" if lines.assumed else "predicted from the settings", lines.own))
    rows.append(("direct on line, estimate", lines.direct))
    return tuple(_figures(name, points, lines) for name, points in rows if len(points) > 1)


def _figures(name: str, points: Points | Sequence[tuple[float, float]], lines: Lines) -> LineFigures:
    inside = [point for point in points if 0.0 <= point[0] <= lines.span] or list(points)
    at, highest = max(inside, key=lambda point: point[1])
    decimals = 1 if lines.along is Along.TIME else 0
    return LineFigures(name=name, highest=number(highest, 2), at=number(at, decimals), end=number(inside[-1][1], 2))
