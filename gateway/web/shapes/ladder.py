"""The limit ladder and the heat below it, on one clock axis. Widths are percent, so that one drawing fits panel, desktop and phone."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup, escape

from gateway.instants import HOUR, MINUTE
from gateway.motors.records import Budget, LimitVerdict
from gateway.web.heat_view import HeatPoint, HeatView
from gateway.web.plant_time import PlantTime
from gateway.web.shapes import svg
from gateway.web.shapes.scales import ClockAxis

LANE_PX = 36.0
HEAT_PX = 132.0
_BACK = 72 * MINUTE
_AHEAD = 63 * MINUTE
_FARTHEST = 48 * HOUR
_HEAT_TOP = 1.1
"""Upper edge of the heat plot, of 1: a little above full, so that an overshoot shows."""


def ladder_axis(budget: Budget) -> ClockAxis:
    """Return the axis: a good hour back, and ahead until every limit has let go."""
    at = budget.as_of
    ends = [until for verdict in budget.limits for _, until in verdict.holds]
    ends += [verdict.next_start_at for verdict in budget.limits if verdict.next_start_at is not None]
    latest = max([at, *ends])
    margin = max(10 * MINUTE, (latest - at) // 8)
    return ClockAxis(at - _BACK, min(max(at + _AHEAD, latest + margin), at + _FARTHEST))


def _pc(value: float) -> str:
    return f"{value:.2f}%"


def _across(at_percent: float, top: str, bottom: str, css: str) -> str:
    return f'<line class="{css}" x1="{_pc(at_percent)}" x2="{_pc(at_percent)}" y1="{top}" y2="{bottom}"/>'


def _bar(from_pc: float, to_pc: float, y: float, height: float, css: str) -> str:
    across = f'x="{_pc(from_pc)}" width="{_pc(max(0.0, to_pc - from_pc))}"'
    return f'<rect class="{css}" {across} y="{svg.figure(y)}" height="{svg.figure(height)}"/>'


def _lane(height: float, label: str, parts: Sequence[str], css: str = "lane") -> Markup:
    hidden = f'role="img" aria-label="{escape(label)}"' if label else 'aria-hidden="true"'
    return Markup(f'<svg class="{css}" width="100%" height="{svg.figure(height)}" {hidden}>{"".join(parts)}</svg>')


def _grid(axis: ClockAxis, time: PlantTime) -> list[str]:
    return [_across(axis.percent(at), "0", "100%", "g2") for at, _ in axis.ticks(time)]


def _answer_lines(axis: ClockAxis, budget: Budget) -> list[str]:
    lines = [_across(axis.percent(budget.as_of), "0", "100%", "now")]
    if budget.next_start_at is not None and budget.next_start_at > budget.as_of:
        lines.append(_across(axis.percent(budget.next_start_at), "0", "100%", "then"))
    return lines


def axis_lane(axis: ClockAxis, time: PlantTime) -> Markup:
    """Return the labels of the clock axis."""
    parts = []
    for at, label in axis.ticks(time):
        place = axis.percent(at)
        anchor = "start" if place < 4 else "end" if place > 96 else "middle"
        parts.append(f'<text x="{_pc(place)}" y="12" text-anchor="{anchor}">{escape(label)}</text>')
    return _lane(17, "", parts, "lane labels")


def limit_lane(verdict: LimitVerdict, budget: Budget, axis: ClockAxis, time: PlantTime) -> Markup:
    """Return the bars of one limit: time passed in grey, what still holds dark, counted starts that hold nothing yet as outlines."""
    now = budget.as_of
    blocks = verdict.next_start_at is None or verdict.next_start_at > now
    holds = [(since, until) for since, until in verdict.holds if until > axis.from_at][-6:]
    parts = _grid(axis, time)
    height = (LANE_PX - 12.0) / max(1, len(holds)) - (2.5 if len(holds) > 1 else 0.0)
    for place, (since, until) in enumerate(holds):
        y = 6.0 + place * (height + 2.5)
        if since < now:
            parts.append(_bar(axis.percent(since), axis.percent(min(until, now)), y, height, "gone"))
        if until > now:
            parts.append(_bar(axis.percent(max(since, now)), axis.percent(until), y, height, "rest" if blocks else "rest one"))
    words = "; ".join(f"holds from {time.clock(since)} until {time.clock(until)}" for since, until in holds) or "holds nothing"
    return _lane(LANE_PX, words, parts + _answer_lines(axis, budget))


def heat_lane(view: HeatView, budget: Budget, axis: ClockAxis, time: PlantTime) -> Markup:
    """Return the heat plot: solid past, dashed forecast while stopped, grey after a start at the answer, dotted what a start needs."""
    parts = _grid(axis, time)
    for share in (0.0, 0.5, 1.0):
        y = _pc(_down(share))
        parts.append(f'<line class="g2" x1="0" x2="100%" y1="{y}" y2="{y}"/>')
    if view.needed is not None:
        y = _pc(_down(view.needed))
        parts.append(f'<line class="g3" x1="0" x2="100%" y1="{y}" y2="{y}"/>')
    inner = "".join(
        f'<path class="{css}" d="{svg.line_path(points)}"/>'
        for css, trail in (("hs", view.after), ("hf", view.forecast), ("hl", view.past))
        if len(points := _placed(trail, axis)) > 1
    )
    parts.append(f'<svg viewBox="0 0 1000 1000" preserveAspectRatio="none" width="100%" height="100%">{inner}</svg>')
    if view.now is not None:
        x, y = _pc(axis.percent(budget.as_of)), _pc(_down(view.now))
        parts.append(f'<circle class="dot" cx="{x}" cy="{y}" r="3.5"/>')
    now_words = "not known" if view.now is None else f"{view.now * 100:.0f} % now"
    return _lane(HEAT_PX, f"thermal capacity used over time, {now_words}", parts + _answer_lines(axis, budget), "lane heat")


def heat_labels() -> Markup:
    """Return the labels of the heat axis, to stand left of the plot."""
    parts = [
        f'<text x="100%" y="{svg.figure(min(HEAT_PX - 1, _down(share) / 100 * HEAT_PX + 4))}" text-anchor="end">{share * 100:.0f} %</text>'
        for share in (0.0, 0.5, 1.0)
    ]
    return _lane(HEAT_PX, "", parts, "lane labels")


def answer_lane(budget: Budget, axis: ClockAxis, time: PlantTime, *, from_stop: bool = False) -> Markup:
    """Return the labels under the two lines: "now 14:12" and the answer. from_stop: it holds from a stop that is still to come."""
    now_pc = axis.percent(budget.as_of)
    parts = []
    waits = budget.next_start_at is not None and budget.next_start_at > budget.as_of
    then_pc = axis.percent(budget.next_start_at) if waits and budget.next_start_at is not None else 100.0
    anchor = "end" if waits and then_pc - now_pc < 25 else "middle"
    parts.append(f'<text class="nowt" x="{_pc(now_pc)}" y="13" text-anchor="{anchor}">now {escape(time.clock(budget.as_of))}</text>')
    if waits and budget.next_start_at is not None:
        anchor = "end" if then_pc > 88 else "start"
        words = escape(time.moment(budget.next_start_at, budget.as_of) + (" if stopped now" if from_stop else ""))
        parts.append(f'<text class="nowt" x="{_pc(then_pc)}" y="13" dx="4" text-anchor="{anchor}">{words}</text>')
    return _lane(18, "", parts, "lane labels")


def _down(share: float) -> float:
    """Return the place of a share of thermal capacity from the top, in percent of the plot."""
    return (1.0 - min(max(share, 0.0), _HEAT_TOP) / _HEAT_TOP) * 100.0


def _placed(trail: Sequence[HeatPoint], axis: ClockAxis) -> list[svg.Point]:
    return [(axis.percent(at) * 10.0, _down(used) * 10.0) for at, used in trail if axis.from_at <= at <= axis.to_at]
