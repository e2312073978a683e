"""The few SVG elements that the pictures use. Text is escaped here and nowhere else; everything returned is safe markup."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from markupsafe import Markup, escape

Point = tuple[float, float]


def figure(value: float) -> str:
    """Return a coordinate with one decimal, without a needless ".0" or "-0".

    >>> figure(3.0), figure(2.449), figure(-0.01)
    ('3', '2.4', '0')
    """
    text = f"{value:.1f}"
    return text[:-2].replace("-0", "0") if text.endswith(".0") else text


def line_path(points: Sequence[Point]) -> str:
    """Return the path data of an open line."""
    return "M" + "L".join(f"{figure(x)} {figure(y)}" for x, y in points)


def area_path(points: Sequence[Point], floor: float) -> str:
    """Return the path data of the area between the line and the floor."""
    return f"M{figure(points[0][0])} {figure(floor)}L{line_path(points)[1:]}V{figure(floor)}Z"


def path(data: str, css: str) -> str:
    """Return a path of that class."""
    return f'<path class="{css}" d="{data}"/>'


def rect(x: float, y: float, width: float, height: float, css: str) -> str:
    """Return a rectangle of that class."""
    return f'<rect class="{css}" x="{figure(x)}" y="{figure(y)}" width="{figure(width)}" height="{figure(height)}"/>'


def text(x: float, y: float, words: str, css: str = "", anchor: str = "") -> str:
    """Return a text element; the words are escaped."""
    marks = (f' class="{css}"' if css else "") + (f' text-anchor="{anchor}"' if anchor else "")
    return f'<text x="{figure(x)}" y="{figure(y)}"{marks}>{escape(words)}</text>'


def picture(width: float, height: float, label: str, parts: Iterable[str], css: str = "") -> Markup:
    """Return the finished picture with its text alternative."""
    marks = f' class="{css}"' if css else ""
    size = f'width="{figure(width)}" height="{figure(height)}" viewBox="0 0 {figure(width)} {figure(height)}"'
    return Markup(f'<svg{marks} {size} role="img" aria-label="{escape(label)}">{"".join(parts)}</svg>')
