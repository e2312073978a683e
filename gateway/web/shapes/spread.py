"""Last starts against what is usual: one dot a start, the band at the same height in every picture, a triangle for the one beyond it."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from gateway.web.shapes import svg
from gateway.web.shapes.scales import Scale
from gateway.web.shapes.start_picture import Tone
from gateway.web.usual import Band

WIDTH, HEIGHT = 170.0, 96.0
_BAND_TOP, _BAND_BOTTOM = 45.0, 79.0
_PLOT_TOP, _PLOT_BOTTOM = 22.0, 94.0
SHOWN = 40


def spread(
    name: str,
    unit: str,
    values: Sequence[float | None],
    band: Band | None,
    decimals: int,
    tone: Tone,
    *,
    cuts: Sequence[int] = (),
    drifts: bool = False,
) -> Markup:
    """Return the picture of one figure over the last starts, oldest on the left; None (not measured) leaves its place empty.

    cuts: how many of the starts came before each note or changed setting; a line is drawn there. drifts: it slowly leaves what it was.
    """
    latest = values[-1] if values else None
    beyond = band is not None and latest is not None and band.beyond(latest)
    parts = [svg.text(0, 12, name, "t2")]
    if drifts:
        parts.append(svg.text(8.0 * len(name) + 6, 12, "drifts", f"tu {tone}"))
    shown = "—" if latest is None else f"{latest:.{decimals}f}"
    parts.append(
        f'<text x="168" y="12" text-anchor="end" class="{f"tu {tone}" if beyond else "t2"}">{shown} <tspan class="un">{unit}</tspan></text>'
    )
    if band is None:
        parts.append(svg.text(0, 64, "too few good starts yet"))
        return svg.picture(WIDTH, HEIGHT, f"{name}: latest {shown} {unit}, too few starts to tell the usual", parts)
    parts += _band_marks(band, decimals)
    # A band without height (all starts alike) is drawn as wide as one percent of its value, the starts in its middle.
    half = max((band.high - band.low) / 2.0, abs(band.high) * 0.005, 1e-9)
    middle = (band.high + band.low) / 2.0
    up = Scale(middle - half, middle + half, _BAND_BOTTOM, _BAND_TOP)
    along = Scale(0, max(1, SHOWN - 1), 4.0, 162.0)
    first = SHOWN - len(values)
    for cut in cuts:
        at = svg.figure(along(first + cut - 0.5))
        parts.append(svg.path(f"M{at} {_PLOT_TOP:g}V{HEIGHT:g}", "cutline"))
    for place, value in enumerate(values):
        if value is None:
            continue
        x, y = along(first + place), up(value)
        if beyond and place == len(values) - 1:
            parts.append(svg.path(f"M{svg.figure(x - 5)} 30h10l-5 -10Z", f"out {tone}"))
        else:
            parts.append(f'<circle class="dot" cx="{svg.figure(x)}" cy="{svg.figure(min(max(y, _PLOT_TOP), _PLOT_BOTTOM))}" r="1.8"/>')
    words = f"{name}: latest {shown} {unit}, usual {band.low:.{decimals}f} to {band.high:.{decimals}f}" + (", drifts" if drifts else "")
    return svg.picture(WIDTH, HEIGHT, words, parts)


def _band_marks(band: Band, decimals: int) -> list[str]:
    """Return the band with its two figures, written so fine (by two decimals at most) that they are not one and the same."""
    finer = (more for more in range(decimals, decimals + 3) if f"{band.high:.{more}f}" != f"{band.low:.{more}f}")
    decimals = next(finer, decimals)
    edges = f"M0 {svg.figure(_BAND_TOP)}H170M0 {svg.figure(_BAND_BOTTOM)}H170"
    return [
        svg.rect(0, _BAND_TOP, WIDTH, _BAND_BOTTOM - _BAND_TOP, "band"),
        svg.path(edges, "g3"),
        svg.text(0, _BAND_TOP - 3, f"{band.high:.{decimals}f}"),
        svg.text(0, _BAND_BOTTOM + 12, f"{band.low:.{decimals}f}"),
    ]
