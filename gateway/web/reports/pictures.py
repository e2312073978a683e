"""The pictures of a motor's page, drawn by the same shapes as the live pages. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from gateway.motors.records import Outcome, Start
from gateway.web.plant_time import PlantTime
from gateway.web.reports.content import MotorReport, Report
from gateway.web.reports.words import stamp
from gateway.web.shapes.hours import hours_map
from gateway.web.shapes.spread import SHOWN, spread
from gateway.web.shapes.start_curve import latest_start
from gateway.web.shapes.start_picture import wall
from gateway.web.usual import usual_before

MOST_DAYS = 31
_WALL_COLUMNS = 9
_ROW_PX, _HOURS_ROW_PX, _FEWEST_ROWS = 29.0, 21.0, 5


@dataclass(frozen=True, slots=True, kw_only=True)
class MotorPictures:
    """The pictures of one motor. latest is None without a start with a curve; hours_days and walled say how much is shown."""

    latest: Markup | None
    latest_when: str
    spreads: tuple[Markup, ...]
    hours: Markup
    hours_days: int
    wall: Markup | None
    walled: int


def pictures_of(motor: MotorReport, report: Report, time: PlantTime) -> MotorPictures:
    """Return the pictures of one motor in the period."""
    seen = next((start for start in motor.pictured if start.outcome is not Outcome.UNSEEN and start.curve is not None), None)
    days = _days(report, time)
    # The map names the day of its last row by an instant in it: the period ends just before `to_at`.
    hours = hours_map(motor.starts, time, report.period.to_at - 1, motor.starter.limits.starts_per_hour, days)
    rows = max(_FEWEST_ROWS, int(days * _HOURS_ROW_PX // _ROW_PX))
    shown = motor.pictured[: _WALL_COLUMNS * rows]
    flc_a = motor.starter.motor.flc_a
    return MotorPictures(
        latest=None if seen is None else _latest(motor, seen, time),
        latest_when="" if seen is None else stamp(seen.began_at, time),
        spreads=_spreads(motor) if motor.starts else (),
        hours=hours,
        hours_days=days,
        wall=wall(shown, motor.usual, flc_a, columns=_WALL_COLUMNS) if shown else None,
        walled=len(shown),
    )


def _latest(motor: MotorReport, latest: Start, time: PlantTime) -> Markup:
    flc_a = motor.starter.motor.flc_a
    earlier = [start for start in (*motor.pictured, *motor.earlier) if start.number < latest.number]
    usual = usual_before(earlier, latest.number, flc_a)
    return latest_start(latest, earlier, usual, flc_a, clock=time.clock(latest.began_at), tone="c")


def _spreads(motor: MotorReport) -> tuple[Markup, ...]:
    flc_a, usual = motor.starter.motor.flc_a, motor.usual
    shown = [start for start in motor.starts if start.outcome is not Outcome.UNSEEN][-SHOWN:]
    speeds = [None if start.at_speed_current_a is None else start.at_speed_current_a / flc_a for start in shown]
    return (
        spread("duration", "s", [start.duration_s for start in shown], usual.duration_s, 1, "c"),
        spread("peak", "× FLC", [start.peak_ratio for start in shown], usual.peak_ratio, 2, "c"),
        spread("I²t", "FLC² s", [start.i2t_flc2s for start in shown], usual.i2t_flc2s, 0, "c"),
        spread("at speed", "× FLC", speeds, usual.at_speed_ratio, 2, "c"),
    )


def _days(report: Report, time: PlantTime) -> int:
    first, last = (time.local(at).date() for at in (report.period.from_at, report.period.to_at - 1))
    return min(MOST_DAYS, (last - first).days + 1)
