"""Where the names of curves stand: near their own curve, off every curve and off each other. Curves may turn back and may stand upright."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gateway.web.shapes.svg import Point

LETTER_PX = 6.1
PITCH_PX = 15.0
"""From one line of a name to the next."""
_HEIGHT_PX, _RISE_PX, _DROP_PX = 11.0, 5.0, 13.0
_STEPS = 25
_DENSE_PX = 3.0
"""Curves are looked at in points so far apart: less than a name is high, so that no upright stretch slips through one."""
_FAR_PX = 25.0
_ON_CURVE, _ON_NAME = -20.0, -60.0
"""Two names on each other cannot be read at all; a name on a line still can."""
Dense = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Box:
    """The part of a picture that names may stand in."""

    left: float
    top: float
    right: float
    bottom: float


@dataclass(frozen=True, slots=True)
class Name:
    """A placed name: where its text begins, the baseline of its first line, and its words, lines parted by a line feed."""

    x: float
    y: float
    words: str
    letter_px: float = LETTER_PX

    @property
    def lines(self) -> list[str]:
        """Return the words line by line."""
        return self.words.split("\n")

    @property
    def width(self) -> float:
        """Return about how wide the words are drawn."""
        return self.letter_px * max(len(line) for line in self.lines)

    @property
    def top(self) -> float:
        """Return the upper edge of the first line."""
        return self.y - _HEIGHT_PX

    @property
    def bottom(self) -> float:
        """Return the lower edge of the last line."""
        return self.y + PITCH_PX * (len(self.lines) - 1) + 2.0


def placed_names(curves: Sequence[tuple[str, Sequence[Point]]], box: Box, *, letter_px: float = LETTER_PX) -> list[Name]:
    """Return one name a curve that has words and two points or more, in their order; a curve without words only keeps names away.

    >>> flat, steep = [(0.0, 80.0), (200.0, 80.0)], [(0.0, 75.0), (200.0, 10.0)]
    >>> names = placed_names([("load", flat), ("motor", steep)], Box(0.0, 0.0, 200.0, 100.0))
    >>> [name.words for name in names], names[0].y > 80.0
    (['load', 'motor'], True)
    """
    drawn = [(words, _dense(points)) for words, points in curves if len(points) > 1]
    placed: list[Name] = []
    for words, own in drawn:
        if not words:
            continue
        others = [points for _, points in drawn if points is not own]
        far = np.concatenate(others) if others else np.empty((0, 2))
        found = [(_clearance(name, own, far, placed), name) for name in _candidates(words, own, box, letter_px)]
        if found:
            placed.append(max(found, key=lambda pair: pair[0])[1])
    return placed


def _dense(points: Sequence[Point]) -> Dense:
    """Return the curve as points no further apart than `_DENSE_PX`."""
    corners = np.asarray(points, dtype=np.float64)
    lengths = np.hypot(*np.diff(corners, axis=0).T)
    along = np.concatenate(([0.0], np.cumsum(lengths)))
    at = np.linspace(0.0, along[-1], max(2, int(along[-1] / _DENSE_PX) + 2))
    return np.column_stack((np.interp(at, along, corners[:, 0]), np.interp(at, along, corners[:, 1])))


def _candidates(words: str, own: Dense, box: Box, letter_px: float) -> list[Name]:
    shape = Name(0.0, 0.0, words, letter_px)
    more = shape.bottom - 2.0
    last = min(float(own[:, 0].max()), box.right)
    right = max(min(last, box.right - shape.width), box.left)
    names: list[Name] = []
    for left in np.linspace(box.left + 2.0, right, _STEPS):
        over = own[(own[:, 0] >= left - _DENSE_PX) & (own[:, 0] <= left + shape.width + _DENSE_PX), 1]
        if not over.size:
            continue
        above, below = float(over.min()) - _RISE_PX - more, float(over.max()) + _DROP_PX
        sides = [place for step in range(4) for place in (above - step * _HEIGHT_PX, below + step * _HEIGHT_PX)]
        names += [Name(float(left), y, words, letter_px) for y in sides if box.top + _HEIGHT_PX <= y <= box.bottom - 2.0 - more]
    return names


def _clearance(name: Name, own: Dense, others: Dense, placed: Sequence[Name]) -> float:
    gaps = [_FAR_PX, *(_apart(name, other) for other in placed)]
    near = _distances(name, others)
    if near.size:
        gaps.append(float(near.min()) if near.min() > 0.0 else _ON_CURVE - 0.2 * int((near == 0.0).sum()))
    mine = _distances(name, own)
    if not mine.min():
        gaps.append(_ON_CURVE)
    under = own[(own[:, 0] >= name.x) & (own[:, 0] <= name.x + name.width), 1]
    # A steep stretch leaves the name hanging beside its curve.
    steep = float(under.max() - under.min()) if under.size else 0.0
    return min(gaps) - 0.5 * steep - float(mine.min())


def _distances(name: Name, points: Dense) -> NDArray[np.float64]:
    """Return how far each point lies from the name's rectangle, 0 within it."""
    x, y = points[:, 0], points[:, 1]
    aside = np.maximum(np.maximum(name.x - x, x - name.x - name.width), 0.0)
    up = np.maximum(np.maximum(name.top - y, y - name.bottom), 0.0)
    return np.hypot(aside, up)


def _apart(name: Name, other: Name) -> float:
    aside = max(other.x - name.x - name.width, name.x - other.x - other.width)
    up = max(other.top - name.bottom, name.top - other.bottom)
    apart = max(aside, up)
    return apart if apart >= 2.0 else _ON_NAME
