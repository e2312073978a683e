"""The latest start over the earlier ones: the band of the usual behind it, coloured only where it leaves it, every name off the lines."""

from __future__ import annotations

import math
from collections.abc import Sequence

from markupsafe import Markup

from gateway.motors.records import Outcome, Start
from gateway.web.shapes import svg
from gateway.web.shapes.label_places import PITCH_PX, Box, placed_names
from gateway.web.shapes.scales import FRAME_RATIO, Scale, nice_ticks, thinned
from gateway.web.shapes.start_lines import Along, Lines, lines_over_time
from gateway.web.shapes.start_picture import Tone
from gateway.web.usual import TOLERANCE, Usual, abnormal, broken

WIDTH, HEIGHT = 354.0, 226.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 20.0, 348.0, 10.0, 206.0
_BOLD_PX = 7.4
"""About the width of a letter of the recorded start's own words."""


def latest_start(
    latest: Start, earlier: Sequence[Start], usual: Usual, flc_a: float, *, clock: str, tone: Tone, lines: Lines | None = None
) -> Markup:
    """Return the chart; `earlier` newest first, with curves where they were kept. lines: what to draw, over time where none are given."""
    lines = lines_over_time(latest, earlier, flc_a) if lines is None else lines
    top = max(FRAME_RATIO, math.ceil((latest.peak_ratio or 0.0) / 2.0) * 2.0)
    across = Scale(0.0, lines.span, _LEFT, _RIGHT)
    up = Scale(0.0, top, _BOTTOM, _TOP)
    parts = _axes(across, up, lines) + _band(lines, across, up)
    estimates = _estimates(lines, across, up)
    parts += [svg.path(svg.line_path(points), css) for _, css, points in estimates]
    parts += _actual(latest, lines, usual, across, up, tone) + _names(latest, usual, lines, estimates, across, up, clock, tone)
    duration = "not measured" if latest.duration_s is None else f"{latest.duration_s:.1f} s"
    peak = "" if latest.peak_ratio is None else f", peak {latest.peak_ratio:.2f} × FLC"
    words = f"current of the start at {clock} over {lines.along}: {duration}{peak}"
    return svg.picture(WIDTH, HEIGHT, words, parts, "chart")


def _axes(across: Scale, up: Scale, lines: Lines) -> list[str]:
    parts = []
    for value in nice_ticks(0.0, up.to_value, 5):
        y = up(value)
        parts += [
            svg.path(f"M{svg.figure(_LEFT)} {svg.figure(y)}H{svg.figure(_RIGHT)}", "g2"),
            svg.text(14, y + 4, f"{value:g}", anchor="end"),
        ]
    ticks = nice_ticks(0.0, lines.span, 4 if lines.along is Along.TIME else 6)
    for at in ticks:
        x = across(at)
        last = at >= ticks[-1]
        parts += [
            svg.path(f"M{svg.figure(x)} {svg.figure(_TOP)}V{svg.figure(_BOTTOM)}", "g2"),
            svg.text(x, 221, f"{at:g} {lines.unit}" if last else f"{at:g}", anchor="end" if last and x > _RIGHT - 20 else "middle"),
        ]
    return parts


def _edges(lines: Lines, across: Scale, up: Scale) -> tuple[list[svg.Point], list[svg.Point]]:
    upper = thinned([(across.clamped(at), up.clamped(high)) for at, _, high in lines.envelope], 0.3)
    lower = thinned([(across.clamped(at), up.clamped(low)) for at, low, _ in lines.envelope], 0.3)
    return upper, lower


def _band(lines: Lines, across: Scale, up: Scale) -> list[str]:
    if not lines.envelope:
        return []
    upper, lower = _edges(lines, across, up)
    return [svg.path(f"{svg.line_path(upper)}L{svg.line_path(lower[::-1])[1:]}Z", "band")]


def _estimates(lines: Lines, across: Scale, up: Scale) -> list[tuple[str, str, list[svg.Point]]]:
    """Return name, class and points of the two estimates: dashed by the settings, dotted direct on line."""
    found = []
    words = "predicted, typical settings" if lines.assumed else "predicted from the settings"
    for name, css, points in ((words, "pred", lines.own), ("direct on line, estimate", "dol", lines.direct)):
        inside = [point for point in points if point[0] <= across.to_value]
        if len(inside) > 1:
            found.append((name, css, thinned([(across.clamped(at), up.clamped(value)) for at, value in inside], 0.3)))
    return found


def _actual(latest: Start, lines: Lines, usual: Usual, across: Scale, up: Scale, tone: Tone) -> list[str]:
    coloured = abnormal(latest, usual)
    parts, run, outside = [], list[svg.Point](), False

    def close() -> None:
        if len(run) > 1:
            parts.append(svg.path(svg.line_path(thinned(run, 0.2)), f"act {tone}" if outside else "act in"))

    for at, value in lines.samples:
        if value is None:
            close()
            run = []
            continue
        point = (across.clamped(at), up.clamped(value))
        now_outside = coloured and (broken(latest) or lines.leaves(at, value, TOLERANCE))
        if now_outside != outside and run:
            close()
            run = [run[-1]]
        outside = now_outside
        run.append(point)
    close()
    return parts


def _names(
    latest: Start,
    usual: Usual,
    lines: Lines,
    estimates: Sequence[tuple[str, str, list[svg.Point]]],
    across: Scale,
    up: Scale,
    clock: str,
    tone: Tone,
) -> list[str]:
    """Return the words of the recorded start, of the usual and of the estimates, each beside its own line and on none."""
    css = f"tu {tone}" if abnormal(latest, usual) else "t2"
    said = [("this start, " + clock, "t2"), ("not measured" if latest.duration_s is None else f"{latest.duration_s:.1f} s", css)]
    if latest.outcome not in (Outcome.AT_SPEED, Outcome.UNSEEN):
        said.append((latest.outcome.value, css))
    own = [(across.clamped(at), up.clamped(value)) for at, value in lines.samples if value is not None]
    middle = [(across.from_px, up(FRAME_RATIO / 2)), (across.to_px, up(FRAME_RATIO / 2))]
    upper, lower = _edges(lines, across, up)
    box = Box(across.from_px, up.to_px, across.to_px, up.from_px)
    others = [("", points) for _, _, points in estimates] + [("", upper), ("", lower)]
    words = "\n".join(line for line, _ in said)
    placed = placed_names([(words, own if len(own) > 1 else middle), *others], box, letter_px=_BOLD_PX)
    parts = [svg.text(name.x, name.y + PITCH_PX * row, line, look) for name in placed for row, (line, look) in enumerate(said)]
    taken = [("", [(name.x, y), (name.x + name.width, y)]) for name in placed for y in _rows(name.top, name.bottom)]
    if usual.duration_s is not None:
        band = f"usual {usual.duration_s.low:.1f} to {usual.duration_s.high:.1f} s"
        # Beside the upper edge of the band where there is one, else beside the start itself.
        taken = [(band, upper if len(upper) > 1 else own), ("", lower), *taken] if len(upper) > 1 or len(own) > 1 else taken
    named = [(name, points) for name, _, points in estimates]
    found = placed_names([*taken, ("", own), *named], box)
    return parts + [svg.text(name.x, name.y, name.words) for name in found]


def _rows(top: float, bottom: float) -> list[float]:
    """Return heights close enough to each other that no name fits between them."""
    count = max(2, int((bottom - top) / 8.0) + 1)
    return [top + (bottom - top) * place / (count - 1) for place in range(count)]
