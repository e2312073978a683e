"""One predicted start in two pictures, over time and over speed: line current above, torque, load and voltage below.

All methods of a motor share the scales, so that pictures beside each other compare by eye.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from gateway.machine.prediction import MethodPrediction, Prediction
from gateway.machine.run_up import Curve
from gateway.web.shapes import svg
from gateway.web.shapes.label_places import Box, placed_names
from gateway.web.shapes.scales import Scale, nice_step, nice_ticks, thinned

WIDTH, HEIGHT = 224.0, 292.0
_LEFT, _RIGHT = 24.0, 219.0
_ROWS = ((18.0, 122.0), (152.0, 262.0))
_THIN_PX = 0.25
_REACHED_PX = 96.0
_SPEED_TOP = 1.05
_TURNS = 0.05
"""Curves over less of the width than this have no room for names."""
Series = Sequence[tuple[str, str, Curve]]


@dataclass(frozen=True, slots=True, kw_only=True)
class CommonScales:
    """What all pictures of one motor share: time [s], current x FLC, torque and voltage x rated."""

    span_s: float
    current_top: float
    torque_top: float


def common_scales(prediction: Prediction) -> CommonScales:
    """Return scales that hold every method that reaches speed; one that does not is cut at the longest of them."""
    durations = [item.duration_s for item in prediction.methods if item.duration_s is not None]
    longest_s = max((max(item.curve.at_s[-1], 0.1) for item in prediction.methods if item.duration_s is not None), default=10.0)
    longest_s = min(longest_s, 1.35 * max(durations, default=longest_s))
    currents = [float(item.curve.line_current_a.max()) / prediction.flc_a for item in prediction.methods]
    torques = [
        float(max(item.curve.torque_nm.max(), item.curve.load_torque_nm.max())) / prediction.rated_torque_nm for item in prediction.methods
    ]
    return CommonScales(
        span_s=_up_to(longest_s, 5), current_top=max(2.0, _up_to(max(currents), 5)), torque_top=max(1.0, _up_to(max(torques), 5))
    )


def _up_to(value: float, ticks: int) -> float:
    step = nice_step(value, ticks) / 2.0
    return math.ceil(value / step - 1e-9) * step


def run_curves(prediction: Prediction, item: MethodPrediction, scales: CommonScales, words: str) -> tuple[Markup, Markup]:
    """Return the two pictures of one method; `words` is their text alternative."""
    speed = item.curve.speed_rad_s / prediction.rated_speed_rad_s
    over_time = _picture(prediction, item, scales, item.curve.at_s, scales.span_s, nice_ticks(0.0, scales.span_s, 4), "seconds")
    over_speed = _picture(prediction, item, scales, speed, _SPEED_TOP, [0.0, 0.25, 0.5, 0.75, 1.0], "% of rated speed")
    return (
        svg.picture(WIDTH, HEIGHT, f"over time, {words}", over_time + _reached(item, scales), "chart run"),
        svg.picture(WIDTH, HEIGHT, f"over speed, {words}", over_speed, "chart run"),
    )


def _picture(
    prediction: Prediction, item: MethodPrediction, scales: CommonScales, along: Curve, top: float, ticks: Sequence[float], unit: str
) -> list[str]:
    curve, flc, rated = item.curve, prediction.flc_a, prediction.rated_torque_nm
    current: Series = (("", "pc", curve.line_current_a / flc),)
    torque: Series = (
        ("load torque", "pl", curve.load_torque_nm / rated),
        ("motor torque", "pt", curve.torque_nm / rated),
        ("motor voltage", "pv", curve.voltage_ratio),
    )
    across = Scale(0.0, top, _LEFT, _RIGHT)
    parts = [svg.text(0, _ROWS[0][0] - 6, "line current, × FLC", "hd2"), svg.text(0, _ROWS[1][0] - 8, "torque and voltage, × rated", "hd2")]
    for row, (series, height) in enumerate(((current, scales.current_top), (torque, scales.torque_top))):
        upper, lower = _ROWS[row]
        up = Scale(0.0, height, lower, upper)
        parts += _grid(across, up, ticks, height)
        parts += _drawn(series, along, across, up, top)
    factor, y = (100.0 if unit.startswith("%") else 1.0), _ROWS[1][1] + 15
    parts += [svg.text(across(at), y, f"{factor * at:g}", anchor=_anchor(at, ticks)) for at in ticks]
    return [*parts, svg.text(_RIGHT, y + 13, unit, anchor="end")]


def _grid(across: Scale, up: Scale, ticks: Sequence[float], height: float) -> list[str]:
    parts = []
    for value in nice_ticks(0.0, height, 4):
        y = up(value)
        parts.append(svg.path(f"M{svg.figure(across.from_px)} {svg.figure(y)}H{svg.figure(across.to_px)}", "g2"))
        parts.append(svg.text(across.from_px - 5, y + 4, f"{value:g}", anchor="end"))
    for at in ticks:
        x = across(at)
        parts.append(svg.path(f"M{svg.figure(x)} {svg.figure(up.to_px)}V{svg.figure(up.from_px)}", "g2"))
    return parts


def _anchor(at: float, ticks: Sequence[float]) -> str:
    return "start" if at == ticks[0] else "middle"


def _drawn(series: Series, along: Curve, across: Scale, up: Scale, top: float) -> list[str]:
    lines = []
    for words, css, values in series:
        points = thinned([(across.clamped(x), up.clamped(y)) for x, y in _cut(along, values, top)], _THIN_PX)
        lines.append((words, css, points))
    parts = [svg.path(svg.line_path(points), css) for _, css, points in lines if len(points) > 1]
    box = Box(across.from_px, up.to_px, across.to_px, up.from_px)
    if float(along.max()) < _TURNS * top:
        return parts
    names = placed_names([(words, points) for words, _, points in lines if words], box)
    return parts + [svg.text(name.x, name.y, name.words, "nm2") for name in names]


def _cut(along: Curve, values: Curve, top: float) -> list[svg.Point]:
    """Return the points up to the edge of the picture, the last one on it where the curve goes on."""
    inside = int(np.searchsorted(along, top, side="right")) if bool(np.all(np.diff(along) >= 0.0)) else along.size
    points = list(zip(along[:inside].tolist(), values[:inside].tolist(), strict=True))
    if inside < along.size and inside > 0:
        points.append((top, float(np.interp(top, along, values))))
    return points


def _reached(item: MethodPrediction, scales: CommonScales) -> list[str]:
    """Return the line at 95 % speed with its time, or the words that it is not reached."""
    across = Scale(0.0, scales.span_s, _LEFT, _RIGHT)
    if item.time_to_95_pct_speed_s is None or item.duration_s is None:
        return [svg.text(_RIGHT, _ROWS[0][0] + 12, "does not reach speed", "t2", "end")]
    at = across.clamped(item.time_to_95_pct_speed_s)
    upper, lower = _ROWS[0][0], _ROWS[0][1]
    anchor, x = ("end", at - 4) if at + _REACHED_PX > _RIGHT else ("start", at + 4)
    return [
        svg.path(f"M{svg.figure(at)} {svg.figure(upper)}V{svg.figure(lower)}", "g3"),
        svg.text(x, upper + 12, f"95 % at {item.time_to_95_pct_speed_s:.1f} s", "t2", anchor),
    ]
