"""Two starts over each other on one scale: the first solid, the second dashed, named on their lines. No colour: neither is judged here."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from gateway.web.shapes import svg
from gateway.web.shapes.label_places import Box, placed_names
from gateway.web.shapes.scales import FRAME_S, Scale, nice_ticks, thinned

WIDTH, HEIGHT = 640.0, 300.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 30.0, 632.0, 22.0, 272.0
_LETTER_PX = 8.0
"""The names are set bold and begin with tags in capitals: wider than the letters of the other pictures."""
Samples = Sequence[tuple[float, float | None]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Laid:
    """One of the starts: its name, its samples (time [s], value; None breaks the line) and its text alternative."""

    name: str
    samples: Samples
    words: str


def overlay(first: Laid, second: Laid, unit: str) -> Markup:
    """Return the picture; both lie on the same scales, time counts from the begin of each start."""
    known = [(at, value) for laid in (first, second) for at, value in laid.samples if value is not None]
    longest_s = max((at for at, _ in known), default=FRAME_S)
    top = _round_up(max((value for _, value in known), default=1.0))
    span_s = _round_up(max(longest_s, 2.0))
    across, up = Scale(0.0, span_s, _LEFT, _RIGHT), Scale(0.0, top, _BOTTOM, _TOP)
    parts = _axes(across, up, unit)
    named = []
    for laid, css in ((first, "act in"), (second, "pred")):
        runs = _runs(laid.samples, across, up)
        parts += [svg.path(svg.line_path(run), css) for run in runs if len(run) > 1]
        named.append((laid.name, max(runs, key=len, default=[])))
    names = placed_names(named, Box(_LEFT, _TOP, _RIGHT, _BOTTOM), letter_px=_LETTER_PX)
    parts += [svg.text(name.x, name.y, name.words, "t2") for name in names]
    return svg.picture(WIDTH, HEIGHT, f"{unit} over seconds: {first.words}; {second.words}", parts, "chart")


def _round_up(value: float) -> float:
    step = nice_ticks(0.0, max(value, 1e-9), 5)[1] / 2.0
    return math.ceil(value / step - 1e-9) * step


def _runs(samples: Samples, across: Scale, up: Scale) -> list[list[svg.Point]]:
    runs: list[list[svg.Point]] = [[]]
    for at, value in samples:
        if value is None:
            runs.append([])
        elif at >= 0.0:
            runs[-1].append((across.clamped(at), up.clamped(value)))
    return [thinned(run, 0.2) for run in runs if run]


def _axes(across: Scale, up: Scale, unit: str) -> list[str]:
    parts = [svg.text(0, 12, unit, "hd2")]
    for value in nice_ticks(up.from_value, up.to_value, 6):
        y = up(value)
        parts.append(svg.path(f"M{svg.figure(_LEFT)} {svg.figure(y)}H{svg.figure(_RIGHT)}", "g2"))
        parts.append(svg.text(_LEFT - 6, y + 4, f"{value:g}", anchor="end"))
    ticks = nice_ticks(across.from_value, across.to_value, 8)
    for at in ticks:
        x = across(at)
        parts.append(svg.path(f"M{svg.figure(x)} {svg.figure(_TOP)}V{svg.figure(_BOTTOM)}", "g2"))
        words = f"{at:g} s" if at == ticks[-1] else f"{at:g}"
        parts.append(svg.text(x, _BOTTOM + 15, words, anchor="end" if x > _RIGHT - 12 else "middle"))
    return parts
