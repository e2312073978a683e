"""A measured value over hours or days: one lane a signal, all lanes on one time axis. Widths are percent, so that one drawing fits all.

The line is what was read and nothing else: it breaks where nothing usable came, and the break is told. Long ranges arrive thinned to the
lowest and the highest of each stretch, so a start's peak is always as high as it was.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import timedelta

from markupsafe import Markup, escape

from gateway.instants import HOUR, MINUTE, SECOND, Instant, from_datetime
from gateway.web.plant_time import PlantTime
from gateway.web.shapes import svg
from gateway.web.shapes.scales import ClockAxis, Scale, nice_ticks

LANE_PX = 170.0
LOW_PX = 74.0
"""Height of a lane that shows yes and no only."""
_TOP_PX, _FOOT_PX = 14.0, 4.0
_STEPS_MIN = (1, 2, 5, 10, 15, 30, 60, 120, 180, 240, 360, 720)
_DAY_STEPS = (1, 2, 5, 7, 14)
_MARKS_A_PERCENT = 4
_FEWEST_STRETCHES = 250
"""Thinned samples come in some six hundred stretches of at least one sample; two missing stretches are a hole."""
NOTHING_STORED = "nothing stored"
JOINED = 450 * SECOND
"""Two samples further apart than this are not joined: a steady value is kept every 300 s at the least."""


@dataclass(frozen=True, slots=True)
class Gap:
    """A time in which nothing was read, with the reason."""

    from_at: Instant
    to_at: Instant
    reason: str


@dataclass(frozen=True, slots=True)
class Mark:
    """A start to be marked over the lanes: when it began, and its peak in the lane's unit where the samples may not have it any more."""

    at: Instant
    peak: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Lane:
    """One signal: instants and values as read (None: read, but not usable), gaps, starts; `flag` is one that is yes or no."""

    name: str
    unit: str
    at: Sequence[Instant]
    values: Sequence[float | None]
    gaps: Sequence[Gap] = ()
    marks: Sequence[Mark] = ()
    flag: bool = False

    @property
    def extremes(self) -> tuple[float, float] | None:
        """Return the lowest and the highest value, None when there is none."""
        known = [value for value in self.values if value is not None] + [mark.peak for mark in self.marks if mark.peak is not None]
        return (min(known), max(known)) if known else None


@dataclass(frozen=True, slots=True)
class LanePicture:
    """The drawn lane and the labels that stand left of it."""

    labels: Markup
    lane: Markup
    cropped: bool
    """True when the axis does not begin at 0, which is said beside it."""


def lane_scale(lane: Lane) -> Scale:
    """Return the upright scale: from 0 where the values reach near it, else cropped to them."""
    height = LOW_PX if lane.flag else LANE_PX
    low, high = (0.0, 1.0) if lane.flag else lane.extremes or (0.0, 1.0)
    if low > 0.0 and low < 0.8 * high:
        low = 0.0
    if high < 0.0 and high > 0.8 * low:
        high = 0.0
    if high - low < 1e-9:
        low, high = low - max(0.5, abs(low) * 0.01), high + max(0.5, abs(high) * 0.01)
    room = 0.0 if lane.flag else (high - low) * 0.04
    return Scale(low if low == 0.0 else low - room, high + room, height - _FOOT_PX, _TOP_PX)


def lane_picture(lane: Lane, axis: ClockAxis, time: PlantTime) -> LanePicture:
    """Return one lane."""
    up = lane_scale(lane)
    height = up.from_px + _FOOT_PX
    ticks = [0.0, 1.0] if lane.flag else nice_ticks(up.from_value, up.to_value, 4)
    grid = "".join(f'<line class="g2" x1="0" x2="100%" y1="{svg.figure(up(value))}" y2="{svg.figure(up(value))}"/>' for value in ticks)
    grid += "".join(_upright(axis.percent(at), "g2") for at, _ in axis_ticks(axis, time))
    low, high = lane.extremes or (0.0, 0.0)
    words = f"{lane.name} over time, {low:g} to {high:g} {lane.unit}" if lane.extremes else f"{lane.name}: no usable value in this time"
    inner = "".join(f'<path class="tr" d="{svg.line_path(run)}"/>' for run in _runs(lane, axis, up) if len(run) > 1)
    parts = [grid, *_gaps(lane, axis, height), *_marks(lane, axis, up)]
    parts.append(
        f'<svg viewBox="0 0 1000 {svg.figure(height)}" preserveAspectRatio="none" width="100%" height="{svg.figure(height)}">{inner}</svg>'
    )
    parts += [_dot(run[0]) for run in _runs(lane, axis, up) if len(run) == 1]
    drawn = Markup(
        f'<svg class="lane trend" width="100%" height="{svg.figure(height)}" role="img" aria-label="{escape(words)}"'
        f' data-name="{escape(lane.name)}" data-unit="{escape(lane.unit)}" data-low="{up.from_value:g}" data-high="{up.to_value:g}"'
        f' data-foot="{svg.figure(up.from_px)}" data-top="{svg.figure(up.to_px)}"'
        f' data-points="{escape(_points(lane))}">{"".join(parts)}<line class="read" x1="0" x2="0" y1="0" y2="100%"/></svg>'
    )
    named = {0.0: "no", 1.0: "yes"} if lane.flag else {}
    labels = "".join(
        f'<text x="100%" y="{svg.figure(up(value) + 4)}" text-anchor="end">{escape(named.get(value) or _figure(value))}</text>'
        for value in ticks
    )
    label_picture = Markup(f'<svg class="lane labels" width="100%" height="{svg.figure(height)}" aria-hidden="true">{labels}</svg>')
    return LanePicture(labels=label_picture, lane=drawn, cropped=up.from_value > 0.0)


def _figure(value: float) -> str:
    return f"{value:g}".replace("-", "−")


def axis_ticks(axis: ClockAxis, time: PlantTime, most_ticks: int = 8) -> list[tuple[Instant, str]]:
    """Return the ticks: local clock times, a date where the day begins, dates alone over many days."""
    minutes = (axis.to_at - axis.from_at) / MINUTE
    step_min = next((step for step in _STEPS_MIN if minutes / step <= most_ticks), None)
    if step_min is None:
        return _day_ticks(axis, time, most_ticks)
    day = time.local(axis.from_at).replace(hour=0, minute=0, second=0, microsecond=0)
    found: list[tuple[Instant, str]] = []
    # Each local day by itself: over a clock change the ticks stay on full local hours.
    while (begin := from_datetime(day)) <= axis.to_at:
        for minute in range(0, 24 * 60, step_min):
            at = from_datetime(day.replace(hour=minute // 60, minute=minute % 60))
            if axis.from_at <= at <= axis.to_at:
                found.append((at, _day_words(begin, time) if minute == 0 else time.clock(at)))
        day += timedelta(days=1)
    return found


def _day_ticks(axis: ClockAxis, time: PlantTime, most_ticks: int) -> list[tuple[Instant, str]]:
    days = (axis.to_at - axis.from_at) / (24 * HOUR)
    step = next((step for step in _DAY_STEPS if days / step <= most_ticks), _DAY_STEPS[-1])
    day = time.local(axis.from_at).replace(hour=0, minute=0, second=0, microsecond=0) + timedelta(days=1)
    found: list[tuple[Instant, str]] = []
    while (at := from_datetime(day)) <= axis.to_at:
        found.append((at, _day_words(at, time)))
        day += timedelta(days=step)
    return found


def _day_words(at: Instant, time: PlantTime) -> str:
    return " ".join(time.day(at).split(" ")[:2])


def axis_picture(axis: ClockAxis, time: PlantTime) -> Markup:
    """Return the labels of the time axis."""
    parts = []
    ticks = axis_ticks(axis, time)
    # A phone has room for every other label; the day that begins keeps its own.
    kept = next((place for place, (_, label) in enumerate(ticks) if ":" not in label), 0) % 2
    for number, (at, label) in enumerate(ticks):
        place = axis.percent(at)
        anchor = "start" if place < 3 else "end" if place > 97 else "middle"
        css = "" if number % 2 == kept else ' class="other"'
        parts.append(f'<text{css} x="{place:.2f}%" y="13" text-anchor="{anchor}">{escape(label)}</text>')
    return Markup(f'<svg class="lane labels" width="100%" height="18" aria-hidden="true">{"".join(parts)}</svg>')


def _upright(percent: float, css: str) -> str:
    return f'<line class="{css}" x1="{percent:.2f}%" x2="{percent:.2f}%" y1="0" y2="100%"/>'


def _dot(point: svg.Point) -> str:
    return f'<circle class="dot" cx="{point[0] / 10.0:.2f}%" cy="{svg.figure(point[1])}" r="1.8"/>'


def _runs(lane: Lane, axis: ClockAxis, up: Scale) -> list[list[svg.Point]]:
    """Return the unbroken stretches, x in thousandths of the width."""
    joined = _joined(lane, axis)
    blind = [(gap.from_at, gap.to_at) for gap in lane.gaps]
    runs: list[list[svg.Point]] = [[]]
    before: Instant | None = None
    before_y = 0.0
    for at, value in zip(lane.at, lane.values, strict=True):
        if value is None:
            runs.append([])
            before = None
            continue
        if before is not None and (
            at - before > joined or any(begin < at and end > before and end - begin > SECOND for begin, end in blind)
        ):
            runs.append([])
        x, y = axis.percent(at) * 10.0, up.clamped(value)
        if lane.flag and runs[-1]:
            runs[-1].append((x, before_y))
        runs[-1].append((x, y))
        before, before_y = at, y
    return [run for run in runs if run]


def with_holes(lane: Lane, axis: ClockAxis) -> Lane:
    """Return the lane with a gap also where nothing is stored though no gap was noted: an empty stretch must not look like a quiet one."""
    joined = _joined(lane, axis)
    edges = [axis.from_at, *lane.at, axis.to_at]
    holes = []
    for begin, end in zip(edges, edges[1:], strict=False):
        told = any(gap.from_at < end and gap.to_at > begin for gap in lane.gaps)
        if end - begin > joined and not told:
            holes.append(Gap(begin, end, NOTHING_STORED))
    return replace(lane, gaps=sorted([*lane.gaps, *holes], key=lambda gap: gap.from_at)) if holes else lane


def _joined(lane: Lane, axis: ClockAxis) -> Instant:
    """Return how far apart two samples may lie and still be joined: more over a long time, whose samples are thinned."""
    return max(JOINED, (axis.to_at - axis.from_at) // _FEWEST_STRETCHES)


def _gaps(lane: Lane, axis: ClockAxis, height: float) -> list[str]:
    parts = []
    for gap in lane.gaps:
        left, right = axis.percent(gap.from_at), axis.percent(gap.to_at)
        if right > left:
            parts.append(f'<rect class="blind" x="{left:.2f}%" width="{right - left:.2f}%" y="0" height="{svg.figure(height)}"/>')
        if right - left > 12.0:
            parts.append(
                f'<text x="{(left + right) / 2:.2f}%" y="{svg.figure(height / 2)}" text-anchor="middle">{escape(gap.reason)}</text>'
            )
    return parts


def _marks(lane: Lane, axis: ClockAxis, up: Scale) -> list[str]:
    parts = []
    # Starts closer to each other than a screen can part share one mark, the highest of their peaks.
    peaks: dict[str, float | None] = {}
    for mark in lane.marks:
        place = f"{round(axis.percent(mark.at) * _MARKS_A_PERCENT) / _MARKS_A_PERCENT:.2f}%"
        known = peaks.get(place)
        peaks[place] = mark.peak if known is None else known if mark.peak is None else max(known, mark.peak)
    for place, peak in peaks.items():
        parts.append(f'<line class="startmark" x1="{place}" x2="{place}" y1="0" y2="8"/>')
        if peak is not None:
            low, high = svg.figure(up.from_px), svg.figure(up.clamped(peak))
            parts.append(f'<line class="tr" x1="{place}" x2="{place}" y1="{low}" y2="{high}"/>')
    return parts


def _points(lane: Lane) -> str:
    """Return the samples for the read-out: milliseconds since 1970 and the value, null where it was not usable."""
    pairs = [[at // 1000, None if value is None else round(value, 4)] for at, value in zip(lane.at, lane.values, strict=True)]
    return json.dumps(pairs, separators=(",", ":"))
