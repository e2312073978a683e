"""The latest start over the earlier ones: the band of the usual behind it, coloured only where it leaves the band."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from markupsafe import Markup

from gateway.motors.records import Outcome, Start
from gateway.services.predicted_curve import PredictedCurves
from gateway.web.shapes import svg
from gateway.web.shapes.label_places import Box, placed_names
from gateway.web.shapes.scales import FRAME_RATIO, FRAME_S, Scale, nice_ticks, thinned
from gateway.web.shapes.start_picture import Tone, current_samples
from gateway.web.usual import FEWEST_STARTS, TOLERANCE, Usual, abnormal, broken, good_starts

WIDTH, HEIGHT = 354.0, 226.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 20.0, 348.0, 10.0, 206.0
_GRID_S = 0.25
NOT_PREDICTED = PredictedCurves()
_OWN_LABELS = (4.2, 3.8, 3.2, 2.2)
"""Heights [x FLC] at which the recorded start's own words stand."""
Envelope = list[tuple[float, float, float]]
"""(time [s], 10th, 90th percentile [x FLC]) of the earlier starts."""


def _span_s(start: Start) -> float:
    longest = max(FRAME_S, start.duration_s or 0.0)
    return FRAME_S if longest <= FRAME_S else math.ceil(longest * 1.1 / 10.0) * 10.0


def _top_ratio(start: Start) -> float:
    return max(FRAME_RATIO, math.ceil((start.peak_ratio or 0.0) / 2.0) * 2.0)


def usual_envelope(earlier: Sequence[Start], flc_a: float, to_s: float) -> Envelope:
    """Return the band of the earlier good starts over time, empty while there are fewer than five with a curve.

    Each curve is followed to its end and then held at its current at speed, since the record stops a few seconds after the start.
    """
    grid = np.arange(0.0, to_s + _GRID_S / 2, _GRID_S)
    rows = []
    for start in good_starts(earlier):
        if start.curve is None:
            continue
        samples = current_samples(start.curve, flc_a)
        known = [(at, value) for at, value in samples if value is not None]
        # A curve with a hole would draw the band where nothing was measured.
        if len(known) == len(samples) > 2:
            rows.append(np.interp(grid, [at for at, _ in known], [value for _, value in known]))
    if len(rows) < FEWEST_STARTS:
        return []
    low, high = np.percentile(np.vstack(rows), (10, 90), axis=0)
    return [(float(at), float(a), float(b)) for at, a, b in zip(grid, low, high, strict=True)]


def latest_start(
    latest: Start,
    earlier: Sequence[Start],
    usual: Usual,
    flc_a: float,
    *,
    clock: str,
    tone: Tone,
    predicted: PredictedCurves = NOT_PREDICTED,
) -> Markup:
    """Return the chart; `earlier` newest first, with curves where they were kept."""
    span_s, top = _span_s(latest), _top_ratio(latest)
    across = Scale(0.0, span_s, _LEFT, _RIGHT)
    up = Scale(0.0, top, _BOTTOM, _TOP)
    envelope = usual_envelope(earlier, flc_a, span_s)
    parts = _axes(across, up, span_s, top) + _band(envelope, across, up) + _predicted(predicted, latest, across, up)
    parts += _actual(latest, envelope, usual, flc_a, across, up, tone) + _labels(latest, usual, across, up, clock, tone)
    duration = "not measured" if latest.duration_s is None else f"{latest.duration_s:.1f} s"
    peak = "" if latest.peak_ratio is None else f", peak {latest.peak_ratio:.2f} × FLC"
    return svg.picture(WIDTH, HEIGHT, f"current of the start at {clock} over time: {duration}{peak}", parts, "chart")


def _axes(across: Scale, up: Scale, span_s: float, top: float) -> list[str]:
    parts = []
    for value in nice_ticks(0.0, top, 5):
        y = up(value)
        parts += [
            svg.path(f"M{svg.figure(_LEFT)} {svg.figure(y)}H{svg.figure(_RIGHT)}", "g2"),
            svg.text(14, y + 4, f"{value:g}", anchor="end"),
        ]
    for at in nice_ticks(0.0, span_s, 4):
        x = across(at)
        last = at >= span_s - 1e-9
        parts += [
            svg.path(f"M{svg.figure(x)} {svg.figure(_TOP)}V{svg.figure(_BOTTOM)}", "g2"),
            svg.text(x, 221, f"{at:g} s" if last else f"{at:g}", anchor="end" if last else "middle"),
        ]
    return parts


def _band(envelope: Envelope, across: Scale, up: Scale) -> list[str]:
    if not envelope:
        return []
    upper = thinned([(across.clamped(at), up.clamped(high)) for at, _, high in envelope], 0.3)
    lower = thinned([(across.clamped(at), up.clamped(low)) for at, low, _ in envelope], 0.3)
    return [svg.path(f"{svg.line_path(upper)}L{svg.line_path(lower[::-1])[1:]}Z", "band")]


def _predicted(predicted: PredictedCurves, latest: Start, across: Scale, up: Scale) -> list[str]:
    """Return the two estimates with their names: dashed by the settings, dotted direct on line."""
    lines = []
    words = "predicted, typical settings" if predicted.assumed else "predicted from the settings"
    for name, css, points in ((words, "pred", predicted.own), ("direct on line, estimate", "dol", predicted.direct)):
        inside = [point for point in points if point[0] <= across.to_value]
        if len(inside) > 1:
            lines.append((name, css, thinned([(across.clamped(at), up.clamped(value)) for at, value in inside], 0.3)))
    parts = [svg.path(svg.line_path(points), css) for _, css, points in lines]
    # The words of the recorded start stand to the right of its end: no name may stand on them, nor on its curve.
    reserved = [("", [(across.from_px, up(share)), (across.to_px, up(share))]) for share in _OWN_LABELS]
    if latest.duration_s is not None and latest.peak_ratio is not None:
        end_px, peak_px = across.clamped(latest.duration_s), up.clamped(latest.peak_ratio)
        reserved.append(("", [(across.from_px, peak_px), (end_px, peak_px), (end_px + 1, up(1.0))]))
    box = Box(across.from_px, up.to_px, across.to_px, up.from_px)
    names = placed_names([(name, points) for name, _, points in lines] + reserved, box)
    return parts + [svg.text(name.x, name.y, name.words) for name in names if name.words]


def _actual(latest: Start, envelope: Envelope, usual: Usual, flc_a: float, across: Scale, up: Scale, tone: Tone) -> list[str]:
    if latest.curve is None:
        return []
    samples = since_begin(current_samples(latest.curve, flc_a))
    coloured = abnormal(latest, usual)
    parts, run, outside = [], list[svg.Point](), False

    def close() -> None:
        if len(run) > 1:
            parts.append(svg.path(svg.line_path(thinned(run, 0.2)), f"act {tone}" if outside else "act in"))

    for at, value in samples:
        if value is None:
            close()
            run = []
            continue
        point = (across.clamped(at), up.clamped(value))
        now_outside = coloured and (broken(latest) or _leaves(at, value, envelope))
        if now_outside != outside and run:
            close()
            run = [run[-1]]
        outside = now_outside
        run.append(point)
    close()
    return parts


def since_begin(samples: Sequence[tuple[float, float | None]]) -> list[tuple[float, float | None]]:
    """Return the samples from the begin on, the first one interpolated at the begin itself where both neighbours are known."""
    shown = [sample for sample in samples if sample[0] >= 0.0]
    before = next((sample for sample in reversed(samples) if sample[0] < 0.0), None)
    if before is None or before[1] is None or not shown or shown[0][1] is None or shown[0][0] == 0.0:
        return shown
    (t0, v0), (t1, v1) = (before[0], before[1]), (shown[0][0], shown[0][1])
    return [(0.0, v0 + (v1 - v0) * (0.0 - t0) / (t1 - t0)), *shown]


def _leaves(at: float, value: float, envelope: Envelope) -> bool:
    if not envelope:
        return False
    _, _, high = envelope[min(len(envelope) - 1, max(0, round(at / _GRID_S)))]
    return value > high * (1.0 + TOLERANCE)


def _labels(latest: Start, usual: Usual, across: Scale, up: Scale, clock: str, tone: Tone) -> list[str]:
    end_s = latest.duration_s or 0.0
    x = across.clamped(end_s) + 8.0
    anchor = "start" if x < 250 else "end"
    x = x if anchor == "start" else _RIGHT - 2.0
    duration = "not measured" if latest.duration_s is None else f"{latest.duration_s:.1f} s"
    y = up(4.2)
    css = f"tu {tone}" if abnormal(latest, usual) else "t2"
    parts = [svg.text(x, y, f"this start, {clock}", "t2", anchor), svg.text(x, y + 16, duration, css, anchor)]
    if latest.outcome not in (Outcome.AT_SPEED, Outcome.UNSEEN):
        parts.append(svg.text(x, y + 32, latest.outcome.value, css, anchor))
    if usual.duration_s is not None:
        low, high = usual.duration_s.low, usual.duration_s.high
        parts.append(svg.text(x, up(2.2), f"usual {low:.1f} to {high:.1f} s", anchor=anchor))
    return parts
