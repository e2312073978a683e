"""Draws the project's own pictures on a PDF: reads back the few SVG elements that the shapes write, and no others."""

from __future__ import annotations

import re
from collections.abc import Iterator
from xml.etree import ElementTree

from markupsafe import Markup
from reportlab.lib.colors import HexColor
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable

from gateway.web.reports.fonts import BOLD, REGULAR
from gateway.web.reports.paper import Look, look_of

PT_PER_PX = 0.75
_STEP = re.compile(r"[MLHVhvlmZz]|-?\d+(?:\.\d+)?")
_COUNTS = {"M": 2, "m": 2, "L": 2, "l": 2, "H": 1, "h": 1, "V": 1, "v": 1}
Step = tuple[str, float, float]


class Picture(Flowable):
    """One picture, in its own size: 12 px of type are 9 pt on paper."""

    def __init__(self, markup: Markup) -> None:
        super().__init__()
        self._root = ElementTree.fromstring(markup)
        self.width = float(self._root.get("width", "0")) * PT_PER_PX
        self.height = float(self._root.get("height", "0")) * PT_PER_PX

    def wrap(self, width: float, height: float) -> tuple[float, float]:
        """Return its size, whatever room there is."""
        return self.width, self.height

    def draw(self) -> None:
        """Draw it with the canvas's origin at the lower left corner."""
        canvas = self.canv
        canvas.saveState()
        canvas.translate(0, self.height)
        canvas.scale(PT_PER_PX, -PT_PER_PX)
        for element in self._root:
            _draw(canvas, element)
        canvas.restoreState()


def _draw(canvas: Canvas, element: ElementTree.Element) -> None:
    look = look_of(element.get("class", ""))
    match element.tag:
        case "g":
            _draw_group(canvas, element)
        case "rect":
            x, y, width, height = (float(element.get(name, "0")) for name in ("x", "y", "width", "height"))
            _paint(canvas, look)
            canvas.rect(x, y, width, height, stroke=int(bool(look.stroke)), fill=int(bool(look.fill)))
        case "circle":
            x, y, radius = (float(element.get(name, "0")) for name in ("cx", "cy", "r"))
            _paint(canvas, look)
            canvas.circle(x, y, radius, stroke=int(bool(look.stroke)), fill=int(bool(look.fill)))
        case "path":
            _draw_path(canvas, element.get("d", ""), look)
        case "text":
            _draw_text(canvas, element)
        case other:
            raise ValueError(f"no picture of this project has an element {other}")


def _draw_group(canvas: Canvas, element: ElementTree.Element) -> None:
    moved = re.fullmatch(r"translate\((-?[\d.]+) (-?[\d.]+)\)", element.get("transform", "translate(0 0)"))
    if moved is None:
        raise ValueError("a group of a picture may be moved and nothing else")
    canvas.saveState()
    canvas.translate(float(moved.group(1)), float(moved.group(2)))
    for child in element:
        _draw(canvas, child)
    canvas.restoreState()


def _paint(canvas: Canvas, look: Look) -> None:
    if look.fill:
        canvas.setFillColor(HexColor(look.fill))
    if look.stroke:
        canvas.setStrokeColor(HexColor(look.stroke))
        canvas.setLineWidth(look.width)
        canvas.setDash(*(([*look.dash],) if look.dash else ()))


def _draw_path(canvas: Canvas, data: str, look: Look) -> None:
    path = canvas.beginPath()
    for kind, x, y in path_steps(data):
        if kind == "M":
            path.moveTo(x, y)
        elif kind == "L":
            path.lineTo(x, y)
        else:
            path.close()
    _paint(canvas, look)
    canvas.drawPath(path, stroke=int(bool(look.stroke)), fill=int(bool(look.fill)))


def path_steps(data: str) -> Iterator[Step]:
    """Yield the steps of path data in absolute coordinates: M to move, L to draw, Z to close.

    >>> list(path_steps("M1 2h3l-1 4Z"))
    [('M', 1.0, 2.0), ('L', 4.0, 2.0), ('L', 3.0, 6.0), ('Z', 1.0, 2.0)]
    """
    tokens = _STEP.findall(data)
    x = y = first_x = first_y = 0.0
    place, kind = 0, "M"
    while place < len(tokens):
        if tokens[place].isalpha():
            kind = tokens[place]
            place += 1
        if kind in "Zz":
            x, y = first_x, first_y
            yield "Z", x, y
            continue
        count = _COUNTS[kind]
        numbers = [float(token) for token in tokens[place : place + count]]
        place += count
        x, y = _moved(kind, numbers, x, y)
        if kind in "Mm":
            first_x, first_y = x, y
        yield ("M" if kind in "Mm" else "L"), x, y
        # Further pairs after a move are lines (SVG 1.1, 8.3.2).
        kind = {"M": "L", "m": "l"}.get(kind, kind)


def _moved(kind: str, numbers: list[float], x: float, y: float) -> tuple[float, float]:
    match kind:
        case "H":
            return numbers[0], y
        case "h":
            return x + numbers[0], y
        case "V":
            return x, numbers[0]
        case "v":
            return x, y + numbers[0]
        case "l" | "m":
            return x + numbers[0], y + numbers[1]
    return numbers[0], numbers[1]


def _draw_text(canvas: Canvas, element: ElementTree.Element) -> None:
    """Draw a text with its parts, each in its own look, placed by its anchor as a whole."""
    parts = [(element.text or "", look_of(element.get("class", "")))]
    for child in element:
        parts += [(child.text or "", look_of(child.get("class", ""))), (child.tail or "", look_of(element.get("class", "")))]
    widths = [canvas.stringWidth(words, _font(look), look.size) for words, look in parts]
    shift = {"middle": sum(widths) / 2, "end": sum(widths)}.get(element.get("text-anchor", ""), 0.0)
    canvas.saveState()
    canvas.translate(float(element.get("x", "0")) - shift, float(element.get("y", "0")))
    canvas.scale(1, -1)
    x = 0.0
    for (words, look), width in zip(parts, widths, strict=True):
        canvas.setFont(_font(look), look.size)
        canvas.setFillColor(HexColor(look.fill))
        canvas.drawString(x, 0, words)
        x += width
    canvas.restoreState()


def _font(look: Look) -> str:
    return BOLD if look.bold else REGULAR
