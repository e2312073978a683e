"""The start picture: every start in one frame, 8 x FLC high and 30 s wide, everywhere on one scale."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from markupsafe import Markup

from gateway.motors.reading import Quality
from gateway.motors.records import Curve, Outcome, Start
from gateway.web.shapes import svg
from gateway.web.shapes.scales import FRAME_RATIO, FRAME_S, TAIL_S, Scale, thinned
from gateway.web.usual import Usual, beyond_duration, beyond_peak, broken

Tone = Literal["u", "c"]
"""Colour of what lies beyond the usual: urgent or caution."""
FEW_SAMPLES = 12
LONGEST_STEP_S = 2.5
"""Two samples of a start further apart than this are not joined (a slow standby poll before the first fast one); own choice."""
_THIN_PX = 0.3
_PHASES = ("current_l1", "current_l2", "current_l3")


@dataclass(frozen=True, slots=True)
class Frame:
    """Size of the frame on a page; all frames of a page have the same."""

    width: float = 34.0
    height: float = 27.0
    gap: float = 3.0

    @property
    def pitch(self) -> float:
        """Distance from one frame to the next."""
        return self.width + self.gap


PANEL_FRAME = Frame()
WALL_FRAME = Frame(width=28.0, height=24.0, gap=2.3)


def current_samples(curve: Curve, flc_a: float) -> list[tuple[float, float | None]]:
    """Return (time [s], current x FLC) of a curve, the largest phase where no line current was read; None where a sample is missing.

    A None stands also where two samples lie far apart: what happened between them is not known and no line may say it.
    """
    column = curve.columns.get("current")
    if column is None:
        phases = [curve.columns[key] for key in _PHASES if key in curve.columns]
        rows = list(zip(*phases, strict=True)) if phases else []
        column = tuple(max((value for value in row if value is not None), default=None) for row in rows)
    found: list[tuple[float, float | None]] = []
    for at, value in zip(curve.at_s, column, strict=False):
        if found and at - found[-1][0] > LONGEST_STEP_S:
            found.append((at, None))
        found.append((at, None if value is None else value / flc_a))
    return found


def _runs(samples: Sequence[tuple[float, float | None]], from_s: float, to_s: float) -> list[list[svg.Point]]:
    """Return the unbroken stretches between two times, cut there by interpolation; a missing sample breaks the line."""
    runs: list[list[svg.Point]] = [[]]
    before: svg.Point | None = None
    for at, value in samples:
        if value is None:
            runs.append([])
            before = None
            continue
        if before is not None and (before[0] < from_s < at or before[0] < to_s < at):
            runs[-1] += _crossings(before, (at, value), from_s, to_s)
        if from_s <= at <= to_s:
            runs[-1].append((at, value))
        before = (at, value)
    return [run for run in runs if len(run) > 1]


def _crossings(first: svg.Point, second: svg.Point, *edges: float) -> list[svg.Point]:
    (t0, v0), (t1, v1) = first, second
    return [(edge, v0 + (v1 - v0) * (edge - t0) / (t1 - t0)) for edge in edges if t0 < edge < t1]


def start_picture(start: Start, usual: Usual, flc_a: float, x: float, frame: Frame, tone: Tone) -> str:
    """Return one start in its frame at `x`, without the surrounding svg element."""
    if start.outcome is Outcome.UNSEEN:
        return svg.rect(x + 0.75, 0.75, frame.width - 1.5, frame.height - 1.5, "unseen")
    back = svg.rect(x, 0, frame.width, frame.height, "fr")
    if start.curve is None or start.duration_s is None:
        return back + svg.path(f"M{svg.figure(x + 4)} {svg.figure(frame.height - 4)}h8", "cut")
    samples = current_samples(start.curve, flc_a)
    across = Scale(0.0, FRAME_S, x, x + frame.width)
    up = Scale(0.0, FRAME_RATIO, frame.height, 0.0)
    if start.samples < 3 or (start.quality is not Quality.GOOD and start.samples < FEW_SAMPLES):
        return back + _dots(samples, start.duration_s, across, up)
    return back + "".join(_drawn(start, start.duration_s, samples, usual, across, up, tone)) + _edge_marks(start, across, up)


def _drawn(
    start: Start, duration_s: float, samples: list[tuple[float, float | None]], usual: Usual, across: Scale, up: Scale, tone: Tone
) -> list[str]:
    parts: list[str] = []
    whole = broken(start) or beyond_peak(start, usual)
    late = beyond_duration(start, usual) and usual.duration_s is not None
    plain_until = 0.0 if whole else usual.duration_s.high if late and usual.duration_s is not None else duration_s
    if start.outcome is Outcome.AT_SPEED:
        parts += _areas(samples, duration_s, duration_s + TAIL_S, across, up, "tl")
    if plain_until > 0.0:
        parts += _areas(samples, 0.0, plain_until, across, up, "st")
    if plain_until < duration_s:
        parts += _areas(samples, plain_until, duration_s, across, up, f"st {tone}")
        middle = across.clamped((plain_until + duration_s) / 2.0)
        parts.append(svg.path(f"M{svg.figure(middle - 4)} 2h8l-4 6Z", f"st {tone}"))
    if start.outcome in (Outcome.ABORTED, Outcome.STALLED, Outcome.TRIPPED):
        left = min(across.clamped(duration_s) + 2.0, across.to_px - 6.0)
        parts.append(svg.path(f"M{svg.figure(left)} {svg.figure(up.from_px - 8)}l5 5m0 -5l-5 5", f"cut {tone}" if broken(start) else "cut"))
    return parts


def _areas(samples: list[tuple[float, float | None]], from_s: float, to_s: float, across: Scale, up: Scale, css: str) -> list[str]:
    floor = up(0.0)
    found = []
    for run in _runs(samples, from_s, to_s):
        points = thinned([(across.clamped(at), up.clamped(value)) for at, value in run], _THIN_PX)
        found.append(svg.path(svg.area_path(points, floor), css))
    return found


def _dots(samples: list[tuple[float, float | None]], duration_s: float, across: Scale, up: Scale) -> str:
    shown = [(at, value) for at, value in samples if value is not None and 0.0 <= at <= duration_s + TAIL_S]
    return "".join(
        f'<circle class="sp" cx="{svg.figure(across.clamped(at))}" cy="{svg.figure(up.clamped(value) - 1.5)}" r="1.5"/>'
        for at, value in shown
    )


def _edge_marks(start: Start, across: Scale, up: Scale) -> str:
    """Return a small arrow at each edge that the start runs over."""
    marks = ""
    if start.duration_s is not None and start.duration_s > FRAME_S:
        marks += svg.path(f"M{svg.figure(across.to_px - 4)} {svg.figure(up.from_px - 22)}l4 3l-4 3Z", "st")
    if start.peak_ratio is not None and start.peak_ratio > FRAME_RATIO:
        marks += svg.path(f"M{svg.figure(across.from_px + 6)} 4l3 -4l3 4Z", "st")
    return marks


def strip(starts: Sequence[Start], usual: Usual, flc_a: float, *, places: int = 10, frame: Frame = PANEL_FRAME, tone: Tone = "c") -> Markup:
    """Return the last starts beside each other, newest on the right, on one common scale. `starts` newest first."""
    shown = list(reversed(starts[:places]))
    first = places - len(shown)
    parts = [start_picture(start, usual, flc_a, (first + place) * frame.pitch, frame, tone) for place, start in enumerate(shown)]
    return svg.picture(places * frame.pitch - frame.gap, frame.height, _strip_words(shown), parts, "strip")


def _strip_words(shown: Sequence[Start]) -> str:
    if not shown:
        return "no start recorded yet"
    unseen = sum(1 for start in shown if start.outcome is Outcome.UNSEEN)
    cut = sum(1 for start in shown if start.outcome not in (Outcome.AT_SPEED, Outcome.UNSEEN))
    latest = shown[-1]
    last = f"the latest took {latest.duration_s:.1f} s" if latest.duration_s is not None else "the latest was not seen"
    extras = (f", {unseen} not seen" if unseen else "") + (f", {cut} cut off" if cut else "")
    return f"last {len(shown)} starts, newest on the right{extras}; {last}"


def wall(starts: Sequence[Start], usual: Usual, flc_a: float, *, columns: int = 18, tone: Tone = "c") -> Markup:
    """Return all the given starts in ledger order, oldest top left. `starts` newest first."""
    frame = WALL_FRAME
    shown = list(reversed(starts))
    rows = [shown[at : at + columns] for at in range(0, len(shown), columns)]
    pitch = frame.height + 5.0
    parts = []
    for number, row in enumerate(rows):
        pictures = "".join(start_picture(start, usual, flc_a, place * frame.pitch, frame, tone) for place, start in enumerate(row))
        parts.append(f'<g transform="translate(0 {svg.figure(number * pitch)})">{pictures}</g>')
    return svg.picture(
        columns * frame.pitch - frame.gap, max(1, len(rows)) * pitch - 5.0, f"{len(shown)} starts, oldest top left", parts, "wall"
    )


def single(start: Start, usual: Usual, flc_a: float, *, tone: Tone = "c") -> Markup:
    """Return one start as a picture of its own, for a line of the ledger."""
    duration = f"{start.duration_s:.1f} s" if start.duration_s is not None else "not seen"
    frame = Frame(width=40.0, height=24.0)
    return svg.picture(
        frame.width, frame.height, f"start {start.number}, {duration}", [start_picture(start, usual, flc_a, 0.0, frame, tone)]
    )
