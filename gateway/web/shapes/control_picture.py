"""A control chart of drift: one dot a start, the weighted mean with its limits and the usual above, the CUSUM with its limit below.

Every limit is drawn as it was at that start and carries its name and value at the right edge. An upright dashed line is a note or a changed
setting: what is left of it is held against another baseline.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import groupby, pairwise

from markupsafe import Markup, escape

from gateway.motors.drift_chart import ChartPoint, DriftChart
from gateway.web.shapes import svg
from gateway.web.shapes.scales import Scale, nice_ticks
from gateway.web.usual import Band

WIDTH, HEIGHT = 354.0, 236.0
SHOWN = 40
_LEFT, _RIGHT, _NAMES = 34.0, 236.0, 244.0
_TOP, _BOTTOM = 26.0, 150.0
_SUM_TOP, _SUM_BOTTOM = 172.0, 218.0
_PITCH = 13.0
_MOST_LETTERS = 24
Get = Callable[[ChartPoint], float | None]
Said = list[tuple[float, str, str]]
"""(height on the scale, words, class) of what stands at the right edge."""


def control_picture(chart: DriftChart, band: Band | None, title: str, unit: str, decimals: int, breaks: Sequence[str]) -> Markup:
    """Return the picture of the last SHOWN starts; `breaks`: what was done before each further part of the chart, by number of the part."""
    shown = chart.points[-SHOWN:]
    along = Scale(0.0, max(1.0, SHOWN - 1.0), _LEFT + 4.0, _RIGHT - 4.0)
    place = {point.number: along(SHOWN - len(shown) + at) for at, point in enumerate(shown)}
    up = _value_scale(shown, band)
    parts = [f'<text x="0" y="12" class="t2">{escape(title)} <tspan class="un">{escape(unit)}</tspan></text>']
    parts += _grid(up, decimals) + _usual(band, up) + _cuts(shown, place, breaks)
    if len(breaks) > chart.latest.part:
        # Changed since the last start: what is drawn counts no more.
        parts += _cut(_RIGHT, breaks[-1])
    parts += _line(shown, place, up, lambda point: point.high_limit, "lim") + _line(shown, place, up, lambda point: point.low_limit, "lim")
    parts += _line(shown, place, up, lambda point: point.mean, "g1") + _line(shown, place, up, lambda point: point.level, "lvl")
    parts += [_dot(point, place[point.number], up) for point in shown]
    parts += _names(_value_names(chart, band, up, decimals), _TOP, _BOTTOM)
    parts += _sums(shown, place, decimals)
    first, last = shown[0].number, shown[-1].number
    parts.append(svg.text(_LEFT, HEIGHT - 3, f"start no. {first}"))
    parts.append(svg.text(_RIGHT, HEIGHT - 3, f"no. {last}", anchor="end"))
    return svg.picture(WIDTH, HEIGHT, chart_words(chart, title, unit, decimals), parts, "chart control")


def chart_words(chart: DriftChart, title: str, unit: str, decimals: int) -> str:
    """Return the picture's text alternative: the extremes of what is drawn, the weighted mean and its limits."""
    values = [point.value for point in chart.points[-SHOWN:]]
    said = f"{title}: {len(values)} starts, {min(values):.{decimals}f} to {max(values):.{decimals}f} {unit}"
    latest = chart.stands or ChartPoint(number=0, at=0, value=0.0, part=0)
    if latest.level is None or latest.low_limit is None or latest.high_limit is None:
        return f"{said}; the baseline is still being learned"
    limits = f"{latest.low_limit:.{decimals}f} to {latest.high_limit:.{decimals}f}"
    return f"{said}; weighted mean {latest.level:.{decimals}f}, limits {limits}" + ("; drifts" if latest.drifts else "")


def _value_scale(shown: Sequence[ChartPoint], band: Band | None) -> Scale:
    values = [point.value for point in shown] + ([] if band is None else [band.low, band.high])
    values += [limit for point in shown for limit in (point.low_limit, point.high_limit) if limit is not None]
    low, high = min(values), max(values)
    room = max((high - low) * 0.06, abs(high) * 0.002, 1e-9)
    return Scale(low - room, high + room, _BOTTOM, _TOP)


def _grid(up: Scale, decimals: int) -> list[str]:
    parts = []
    for value in nice_ticks(up.from_value, up.to_value, 4):
        y = up(value)
        parts.append(svg.path(f"M{svg.figure(_LEFT)} {svg.figure(y)}H{svg.figure(_RIGHT)}", "g2"))
        if y > _TOP + 8.0:
            parts.append(svg.text(_LEFT - 4.0, y + 4.0, f"{value:g}".replace("-", "−"), anchor="end"))
    return parts


def _usual(band: Band | None, up: Scale) -> list[str]:
    if band is None:
        return []
    top, foot = up(band.high), up(band.low)
    return [svg.rect(_LEFT, top, _RIGHT - _LEFT, max(1.0, foot - top), "band")]


def _cuts(shown: Sequence[ChartPoint], place: dict[int, float], breaks: Sequence[str]) -> list[str]:
    parts = []
    for before, after in pairwise(shown):
        if after.part > before.part:
            parts += _cut((place[before.number] + place[after.number]) / 2.0, breaks[after.part - 1])
    return parts


def _cut(x: float, words: str) -> list[str]:
    words = words if len(words) <= _MOST_LETTERS else words[: _MOST_LETTERS - 1] + "…"
    anchor, aside = ("start", 4.0) if x < (_LEFT + _RIGHT) / 2.0 else ("end", -4.0)
    line = svg.path(f"M{svg.figure(x)} {svg.figure(_TOP - 8.0)}V{svg.figure(_SUM_BOTTOM)}", "cutline")
    return [line, svg.text(x + aside, _TOP - 1.0, words, anchor=anchor)]


def _line(shown: Sequence[ChartPoint], place: dict[int, float], up: Scale, get: Get, css: str) -> list[str]:
    """Return the line of a figure: broken where there is none and where another baseline begins."""
    parts = []
    for (_, known), points in groupby(shown, key=lambda point: (point.part, get(point) is not None)):
        run = [(place[point.number], up(value)) for point in points if (value := get(point)) is not None]
        if known and len(run) > 1:
            parts.append(svg.path(svg.line_path(run), css))
    return parts


def _dot(point: ChartPoint, x: float, up: Scale) -> str:
    css = "dot" if point.mean is not None else "learn"
    return f'<circle class="{css}" cx="{svg.figure(x)}" cy="{svg.figure(up(point.value))}" r="1.8"/>'


def _value_names(chart: DriftChart, band: Band | None, up: Scale, decimals: int) -> Said:
    said: Said = []
    latest = chart.latest

    def add(value: float | None, words: str, css: str) -> None:
        if value is not None:
            said.append((up(value), f"{words} {value:.{decimals}f}".replace("-", "−"), css))

    add(latest.high_limit, "EWMA limit", "")
    add(latest.level, "EWMA", "tu c" if latest.drifts else "t2")
    add(latest.low_limit, "EWMA limit", "")
    if band is not None:
        add(band.high, "usual to", "")
        add(band.low, "usual from", "")
    if chart.stands is None:
        said.append((_TOP + 10.0, "learning anew" if latest.mean is not None else "still learning", ""))
    return said


def _names(said: Said, top: float, bottom: float) -> list[str]:
    """Return the words at the right edge, each as near its own height as the others leave room, with a line that leads to it."""
    ordered = sorted(said, key=lambda each: each[0])
    heights = [min(max(y, top + 4.0), bottom) for y, _, _ in ordered]
    for at in range(1, len(heights)):
        heights[at] = max(heights[at], heights[at - 1] + _PITCH)
    # Too low at the foot: pushed up again from below.
    for at in range(len(heights) - 1, -1, -1):
        most = bottom if at == len(heights) - 1 else heights[at + 1] - _PITCH
        heights[at] = min(heights[at], most)
    parts = []
    for (y, words, css), height in zip(ordered, heights, strict=True):
        parts.append(svg.path(svg.line_path([(_RIGHT, y), (_NAMES - 2.0, height)]), "g1"))
        parts.append(svg.text(_NAMES, height + 4.0, words, css))
    return parts


def _sums(shown: Sequence[ChartPoint], place: dict[int, float], decimals: int) -> list[str]:
    """Return the CUSUM: the sum above the baseline solid, the sum below it dotted, and the limit of both."""
    values = [value for point in shown for value in (point.high_sum, point.low_sum, point.decision) if value is not None]
    if not values:
        return []
    parts = [svg.text(_LEFT - 4.0, _SUM_TOP + 8.0, "sum", anchor="end")]
    parts.append(svg.path(f"M{svg.figure(_LEFT)} {svg.figure(_SUM_BOTTOM)}H{svg.figure(_RIGHT)}", "g1"))
    up = Scale(0.0, max(*values, 1e-9) * 1.1, _SUM_BOTTOM, _SUM_TOP)
    parts += _line(shown, place, up, lambda point: point.decision, "lim")
    parts += _line(shown, place, up, lambda point: point.low_sum, "dol") + _line(shown, place, up, lambda point: point.high_sum, "lvl")
    latest = shown[-1]
    said: Said = []
    if latest.decision is not None and latest.high_sum is not None and latest.low_sum is not None:
        said.append((up(latest.decision), f"CUSUM limit {latest.decision:.{decimals + 1}f}", ""))
        said.append((up(latest.high_sum), f"above {latest.high_sum:.{decimals + 1}f}", ""))
        said.append((up(latest.low_sum), f"below {latest.low_sum:.{decimals + 1}f}", ""))
    return parts + _names(said, _SUM_TOP - 4.0, _SUM_BOTTOM + 2.0)
