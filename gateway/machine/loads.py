"""Load torque over speed. Shapes are common practice, no source; every constant is a field and may be set.

A load answers `torque_nm(speed_ratio, at_speed_for_s)`: speed x rated motor speed (>= 0), and how long the motor has been at speed, which
only a load that changes after the start looks at. `changes_s` names those moments, so that integration lands on them. Torque opposes
motion: at standstill it is the torque needed to break away.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from math import exp, isfinite, sqrt
from typing import Protocol


class Load(Protocol):
    """Anything the motor can drive."""

    @property
    def changes_s(self) -> tuple[float, ...]:
        """Return the times after full speed at which the torque jumps [s]."""

    def torque_nm(self, speed_ratio: float, at_speed_for_s: float) -> float:
        """Return the torque that opposes motion [N m]."""


def _check(name: str, value: float, low: float, high: float) -> None:
    if not (isfinite(value) and low <= value <= high):
        raise ValueError(f"{name}: found {value:g}, allowed {low:g} to {high:g}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Fan:
    """A fan or blower: torque grows with the square of speed from a small constant part.

    `rated_torque_nm` at rated motor speed; `constant_part` of it at standstill; `breakaway_part` comes on top at standstill and is gone
    at 8 % speed.

    >>> round(Fan(rated_torque_nm=100.0).torque_nm(0.5, 0.0), 2)
    27.25
    """

    rated_torque_nm: float
    constant_part: float = 0.03
    breakaway_part: float = 0.0

    def __post_init__(self) -> None:
        _check("rated_torque_nm", self.rated_torque_nm, 0.0, 1e9)
        _check("constant_part", self.constant_part, 0.0, 1.0)
        _check("breakaway_part", self.breakaway_part, 0.0, 3.0)

    @property
    def changes_s(self) -> tuple[float, ...]:
        """Return nothing: a fan does not change after the start."""
        return ()

    def torque_nm(self, speed_ratio: float, at_speed_for_s: float) -> float:
        """Return the fan's torque [N m]."""
        part = self.constant_part + (1.0 - self.constant_part) * speed_ratio * speed_ratio
        if self.breakaway_part and speed_ratio < 0.08:
            part += self.breakaway_part * (1.0 - speed_ratio / 0.08)
        return self.rated_torque_nm * part


@dataclass(frozen=True, slots=True, kw_only=True)
class Pump:
    """A centrifugal pump against a static head with a check valve that opens at sqrt(static head part) of rated speed.

    `shut_off_part` of rated torque is the torque at rated speed against the closed valve.

    >>> pump = Pump(rated_torque_nm=100.0, static_head_part=0.64)
    >>> round(pump.torque_nm(0.8, 0.0), 1), round(pump.torque_nm(1.0, 0.0), 1)
    (27.6, 102.0)
    """

    rated_torque_nm: float
    static_head_part: float = 0.0
    shut_off_part: float = 0.4
    stiction_part: float = 0.15

    def __post_init__(self) -> None:
        _check("rated_torque_nm", self.rated_torque_nm, 0.0, 1e9)
        _check("static_head_part", self.static_head_part, 0.0, 0.95)
        _check("shut_off_part", self.shut_off_part, 0.0, 1.0)
        _check("stiction_part", self.stiction_part, 0.0, 3.0)

    @property
    def changes_s(self) -> tuple[float, ...]:
        """Return nothing: a pump does not change after the start."""
        return ()

    @property
    def valve_opens_at(self) -> float:
        """Return the speed x rated at which water begins to flow."""
        return sqrt(self.static_head_part)

    def torque_nm(self, speed_ratio: float, at_speed_for_s: float) -> float:
        """Return the pump's torque [N m]."""
        square = speed_ratio * speed_ratio
        part = 0.02 + self.shut_off_part * square
        if square > self.static_head_part:
            part += (1.0 - self.shut_off_part) * (square - self.static_head_part) / (1.0 - self.static_head_part)
        if speed_ratio < 0.08:
            part += self.stiction_part * (1.0 - speed_ratio / 0.08)
        return self.rated_torque_nm * part


@dataclass(frozen=True, slots=True, kw_only=True)
class Conveyor:
    """A loaded belt: nearly constant torque, and `breakaway_ratio` x as much to get it moving.

    >>> belt = Conveyor(rated_torque_nm=100.0, breakaway_ratio=1.5)
    >>> round(belt.torque_nm(0.0, 0.0), 1), round(belt.torque_nm(1.0, 0.0), 1)
    (140.0, 100.0)
    """

    rated_torque_nm: float
    breakaway_ratio: float = 1.4

    def __post_init__(self) -> None:
        _check("rated_torque_nm", self.rated_torque_nm, 0.0, 1e9)
        _check("breakaway_ratio", self.breakaway_ratio, 1.0, 5.0)

    @property
    def changes_s(self) -> tuple[float, ...]:
        """Return nothing: a belt does not change after the start."""
        return ()

    def torque_nm(self, speed_ratio: float, at_speed_for_s: float) -> float:
        """Return the belt's torque [N m]."""
        breakaway = (self.breakaway_ratio - 1.0) * exp(-speed_ratio / 0.03) if speed_ratio < 1.0 else 0.0
        return self.rated_torque_nm * (0.9 + 0.1 * speed_ratio + breakaway)


@dataclass(frozen=True, slots=True, kw_only=True)
class Compressor:
    """A screw compressor that starts unloaded and takes its load `loads_after_s` after full speed. Constant torque; a piston's ripple is
    averaged.

    >>> screw = Compressor(rated_torque_nm=100.0, loads_after_s=5.0)
    >>> screw.torque_nm(1.0, 0.0), screw.torque_nm(1.0, 6.0)
    (25.0, 100.0)
    """

    rated_torque_nm: float
    unloaded_part: float = 0.25
    loads_after_s: float = 5.0

    def __post_init__(self) -> None:
        _check("rated_torque_nm", self.rated_torque_nm, 0.0, 1e9)
        _check("unloaded_part", self.unloaded_part, 0.0, 1.0)
        _check("loads_after_s", self.loads_after_s, 0.0, 1e6)

    @property
    def changes_s(self) -> tuple[float, ...]:
        """Return the moment the load comes on [s after full speed]."""
        return (self.loads_after_s,)

    def torque_nm(self, speed_ratio: float, at_speed_for_s: float) -> float:
        """Return the compressor's torque [N m]."""
        loaded = at_speed_for_s > 0.0 and at_speed_for_s >= self.loads_after_s
        return self.rated_torque_nm * (1.0 if loaded else self.unloaded_part)


@dataclass(frozen=True, slots=True, kw_only=True)
class TorqueTable:
    """A user's own curve: (speed x rated, torque N m) points, straight between them, level beyond them.

    >>> round(TorqueTable(points=((0.0, 30.0), (0.2, 10.0), (1.0, 90.0))).torque_nm(0.6, 0.0), 1)
    50.0
    """

    points: tuple[tuple[float, float], ...]

    def __post_init__(self) -> None:
        if len(self.points) < 2:
            raise ValueError(f"points: found {len(self.points)}, allowed two or more")
        for speed, torque in self.points:
            _check("speed", speed, 0.0, 2.0)
            _check("torque", torque, 0.0, 1e9)
        if any(later[0] <= earlier[0] for earlier, later in pairwise(self.points)):
            raise ValueError("points: speeds must rise from point to point")

    @property
    def changes_s(self) -> tuple[float, ...]:
        """Return nothing: a table does not change after the start."""
        return ()

    def torque_nm(self, speed_ratio: float, at_speed_for_s: float) -> float:
        """Return the interpolated torque [N m]."""
        first, last = self.points[0], self.points[-1]
        if speed_ratio <= first[0]:
            return first[1]
        for (x0, y0), (x1, y1) in pairwise(self.points):
            if speed_ratio <= x1:
                return y0 + (y1 - y0) * (speed_ratio - x0) / (x1 - x0)
        return last[1]
