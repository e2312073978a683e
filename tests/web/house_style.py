"""Draws the examples of the handbook's page on house style from the pictures that the pages use, so that neither can leave the other.

    python -m tests.web.house_style        writes gateway/handbook/style-*.svg
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from gateway.clock import HandClock
from gateway.instants import HOUR, MINUTE
from gateway.motors.records import Outcome
from gateway.services.predicted_curve import predicted_curves
from gateway.web.desk import STATIC
from gateway.web.heat_view import heat_view
from gateway.web.plant_time import PlantTime
from gateway.web.shapes import ladder
from gateway.web.shapes.alert_line import alert_line
from gateway.web.shapes.hours import hours_map
from gateway.web.shapes.scales import ClockAxis
from gateway.web.shapes.slots import slot_picture, slots_of
from gateway.web.shapes.spread import spread
from gateway.web.shapes.start_curve import latest_start
from gateway.web.shapes.start_lines import lines_over_time
from gateway.web.shapes.start_picture import strip
from gateway.web.shapes.trend import Gap, Lane, Mark, axis_picture, lane_picture
from gateway.web.usual import usual_before
from tests.web.tarn_hollow import NOW, ZONE, FakePlant, tarn_hollow

FOLDER = Path(__file__).parents[2] / "gateway" / "handbook"
TIME = PlantTime(ZONE)
Drawing = Callable[[FakePlant], tuple[str, float, float]]


def _style() -> str:
    """Return the tokens and the rules of pictures out of the pages' own style sheet."""
    sheet = (STATIC / "style.css").read_text(encoding="utf-8")
    tokens = sheet[sheet.index(":root{") : sheet.index("*{box-sizing")]
    rules = sheet[sheet.index("/* pictures */") : sheet.index("/* motors */")]
    extra = sheet[sheet.index(".tr{fill") : sheet.index(".read.on")]
    extra += sheet[sheet.index(".stop{fill") : sheet.index("/* wall, read")]
    text = "svg text{font-family:Arial,'Liberation Sans',Helvetica,sans-serif}"
    return re.sub(r"\s*\n\s*", "", re.sub(r"/\*.*?\*/", "", tokens + rules)) + extra + text


def framed(inner: str, width: float, height: float) -> str:
    """Return a picture as a file of its own on the pages' ground."""
    inside = re.sub(r'^<svg class="([^"]*)" width="100%"', rf'<svg class="\1" width="{width:g}"', str(inner))
    full_width, full_height = f"{width + 16:g}", f"{height + 16:g}"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{full_width}" height="{full_height}" viewBox="0 0 {full_width} {full_height}">'
        f'<style>{_style()}</style><rect width="100%" height="100%" fill="var(--ground)"/>'
        f'<svg x="8" y="8" width="{width:g}" height="{height:g}">{inside}</svg></svg>\n'
    )


def _strip(plant: FakePlant) -> tuple[str, float, float]:
    dust, silent = plant.motors["DC-01"], plant.motors["BP-01"]
    cut = replace(dust.starts[2], outcome=Outcome.ABORTED, number=123)
    starts = [dust.starts[0], *silent.starts[:3], cut, *dust.starts[3:8]]
    return strip(starts, usual_before(dust.starts[1:], None, 81.0), 81.0, tone="u"), 367, 27


def _latest(plant: FakePlant) -> tuple[str, float, float]:
    dust = plant.motors["DC-01"]
    usual = usual_before(dust.starts, dust.starts[0].number, 81.0)
    lines = lines_over_time(dust.starts[0], dust.starts[1:20], 81.0, predicted_curves(dust.starter))
    drawn = latest_start(dust.starts[0], dust.starts[1:20], usual, 81.0, clock="14:07", tone="u", lines=lines)
    return drawn, 354, 226


def _slots(plant: FakePlant) -> tuple[str, float, float]:
    found = slots_of(plant.budget("DC-01"), 1)
    return "" if found is None else slot_picture(found), 90, 20


def _ladder(plant: FakePlant) -> tuple[str, float, float]:
    held = plant.budget("DC-01")
    return ladder.limit_lane(held.limits[0], held, ladder.ladder_axis(held), TIME), 420, 36


def _heat(plant: FakePlant) -> tuple[str, float, float]:
    held, motor = plant.budget("DC-01"), plant.motors["DC-01"]
    axis = ladder.ladder_axis(held)
    return ladder.heat_lane(heat_view(motor.starter, motor.history, held, motor.trail, axis.to_at), held, axis, TIME), 420, 132


def _spread(plant: FakePlant) -> tuple[str, float, float]:
    starts = list(reversed(plant.motors["DC-01"].starts[:40]))
    usual = usual_before(starts, starts[-1].number, 81.0)
    return spread("duration", "s", [each.duration_s for each in starts], usual.duration_s, 1, "u", cuts=[22]), 170, 96


def _alert(plant: FakePlant) -> tuple[str, float, float]:
    return alert_line(plant.standing[1], TIME, NOW), 212, 54


def _hours(plant: FakePlant) -> tuple[str, float, float]:
    drawn = hours_map(plant.motors["CV-02"].starts, TIME, NOW, 2)
    size = re.search(r'width="([\d.]+)" height="([\d.]+)"', drawn)
    return drawn, float(size.group(1)) if size else 0.0, float(size.group(2)) if size else 0.0


def _trend(plant: FakePlant) -> tuple[str, float, float]:
    at = list(range(NOW - 6 * HOUR, NOW, MINUTE))
    values: list[float | None] = [278.0 if place in (40, 200) else 70.0 if place % 160 > 40 else 0.0 for place in range(len(at))]
    values[280:310] = [None] * 30
    gap = Gap(at[280], at[310], "no link")
    lane = Lane(name="current", unit="A", at=at, values=values, gaps=[gap], marks=[Mark(at[40]), Mark(at[200])])
    drawn = lane_picture(lane, ClockAxis(at[0], NOW), TIME)
    axis = axis_picture(ClockAxis(at[0], NOW), TIME)
    points = re.sub(r' data-points="[^"]*"', "", str(drawn.lane))
    return f'<svg width="560" height="170">{points}</svg><svg y="172" width="560" height="18">{axis}</svg>', 560, 190


DRAWINGS: dict[str, Drawing] = {
    "style-starts": _strip,
    "style-latest": _latest,
    "style-slots": _slots,
    "style-ladder": _ladder,
    "style-heat": _heat,
    "style-spread": _spread,
    "style-alert": _alert,
    "style-hours": _hours,
    "style-trend": _trend,
}


def drawn(name: str) -> str:
    """Return the file of one example."""
    return framed(*DRAWINGS[name](tarn_hollow(HandClock(NOW))))


if __name__ == "__main__":
    for each in DRAWINGS:
        (FOLDER / f"{each}.svg").write_text(drawn(each), encoding="utf-8")
