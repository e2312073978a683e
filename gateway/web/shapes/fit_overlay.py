"""Recorded starts over what the fitted machine makes of them: grey as recorded, dashed as predicted, coloured what departs."""

from __future__ import annotations

import math

from markupsafe import Markup

from gateway.services.motor_fit import FittedStart
from gateway.web.shapes import svg
from gateway.web.shapes.scales import Scale, nice_step, nice_ticks, thinned

WIDTH, HEIGHT = 340.0, 190.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 24.0, 334.0, 20.0, 158.0


def overlay_scales(starts: tuple[FittedStart, ...], flc_a: float) -> tuple[float, float]:
    """Return (span [s], top [x FLC]) that hold every start."""
    span = max(each.record.at_s[-1] for each in starts)
    top = max(max(*each.record.line_current_a, *each.predicted_a) for each in starts) / flc_a
    return _up_to(span), _up_to(top)


def _up_to(value: float) -> float:
    step = nice_step(value, 5)
    return math.ceil(value / step) * step


def fit_overlay(start: FittedStart, flc_a: float, span_s: float, top: float, title: str) -> Markup:
    """Return the picture of one start on scales that all starts share."""
    across, up = Scale(0.0, span_s, _LEFT, _RIGHT), Scale(0.0, top, _BOTTOM, _TOP)
    parts = [svg.text(0, 12, title, "t2")]
    for value in nice_ticks(0.0, top, 4):
        parts.append(svg.path(f"M{svg.figure(_LEFT)} {svg.figure(up(value))}H{svg.figure(_RIGHT)}", "g2"))
        parts.append(svg.text(_LEFT - 5, up(value) + 4, f"{value:g}", anchor="end"))
    for at in nice_ticks(0.0, span_s, 5):
        parts.append(svg.path(f"M{svg.figure(across(at))} {svg.figure(_TOP)}V{svg.figure(_BOTTOM)}", "g2"))
        parts.append(svg.text(across(at), _BOTTOM + 14, f"{at:g}", anchor="middle"))
    parts.append(svg.text(_RIGHT, _BOTTOM + 28, "seconds; × FLC upwards", anchor="end"))
    departs = start.departure is not None and start.departure.departs
    for css, values in (("pd" if departs else "po", start.record.line_current_a), ("px", start.predicted_a)):
        shown = [(at, value / flc_a) for at, value in zip(start.record.at_s, values, strict=True) if at >= 0.0]
        points = thinned([(across.clamped(at), up.clamped(value)) for at, value in shown], 0.25)
        if len(points) > 1:
            parts.append(svg.path(svg.line_path(points), css))
    words = f"{title}: recorded and predicted current over time" + (", departs from the fitted machine" if departs else "")
    return svg.picture(WIDTH, HEIGHT, words, parts, "chart fit")
