"""Where the name of a curve stands: on the stretch where it is farthest from every other curve and name."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from gateway.web.shapes.svg import Point

LETTER_PX = 6.1
_HEIGHT_PX, _RISE_PX, _DROP_PX = 11.0, 5.0, 13.0
_STEPS = 25


@dataclass(frozen=True, slots=True)
class Box:
    """The part of a picture that names may stand in."""

    left: float
    top: float
    right: float
    bottom: float


@dataclass(frozen=True, slots=True)
class Name:
    """A placed name: where its text begins, its baseline and its words."""

    x: float
    y: float
    words: str

    @property
    def width(self) -> float:
        """Return about how wide the words are drawn."""
        return LETTER_PX * len(self.words)


def placed_names(curves: Sequence[tuple[str, Sequence[Point]]], box: Box) -> list[Name]:
    """Return one name a curve that has two points or more, in their order; each near its own curve and clear of the others.

    >>> flat, steep = [(0.0, 80.0), (200.0, 80.0)], [(0.0, 75.0), (200.0, 10.0)]
    >>> names = placed_names([("load", flat), ("motor", steep)], Box(0.0, 0.0, 200.0, 100.0))
    >>> [name.words for name in names], names[0].y > 80.0
    (['load', 'motor'], True)
    """
    placed: list[Name] = []
    drawn = [(words, points) for words, points in curves if len(points) > 1]
    for words, points in drawn:
        others = [other for _, other in drawn if other is not points]
        found = [(_clearance(name, points, others, placed, box), name) for name in _candidates(words, points, box)]
        if found:
            placed.append(max(found, key=lambda pair: pair[0])[1])
    return placed


def _candidates(words: str, points: Sequence[Point], box: Box) -> list[Name]:
    width = LETTER_PX * len(words)
    last = min(points[-1][0], box.right)
    right = max(min(last, box.right - width), box.left)
    names: list[Name] = []
    for left in np.linspace(box.left + 2.0, right, _STEPS):
        heights = _heights(points, float(left), float(left) + width)
        above, below = float(heights.min()) - _RISE_PX, float(heights.max()) + _DROP_PX
        sides = (above, below, above - _HEIGHT_PX, below + _HEIGHT_PX)
        names += [Name(float(left), y, words) for y in sides if box.top + _HEIGHT_PX <= y <= box.bottom - 2.0]
    return names


def _heights(points: Sequence[Point], left: float, right: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    across = np.linspace(left, right, 12)
    return np.interp(across, [x for x, _ in points], [y for _, y in points])


def _clearance(name: Name, own: Sequence[Point], others: Sequence[Sequence[Point]], placed: Sequence[Name], box: Box) -> float:
    top, bottom = name.y - _HEIGHT_PX, name.y + 2.0
    gaps = [25.0]
    for curve in others:
        heights = _heights(curve, name.x, name.x + name.width)
        inside = (heights > top) & (heights < bottom)
        gaps.append(-20.0 if bool(inside.any()) else float(np.minimum(abs(heights - top), abs(heights - bottom)).min()))
    for other in placed:
        apart_x = max(other.x - (name.x + name.width), name.x - (other.x + other.width))
        apart_y = abs(other.y - name.y) - _HEIGHT_PX
        apart = max(apart_x, apart_y)
        # Two names on each other cannot be read at all; a name on a line still can.
        gaps.append(apart if apart >= 2.0 else -60.0)
    spread = _heights(own, name.x, name.x + name.width)
    # A steep stretch leaves the name hanging beside its curve.
    away = max(float(spread.min()) - _RISE_PX - name.y, name.y - _DROP_PX - float(spread.max()), 0.0)
    return min(gaps) - 0.5 * float(spread.max() - spread.min()) - away
