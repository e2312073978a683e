"""What one reading says of the motor: its line current and the starter's status bits, each of them possibly unknown.

The line current is the role `current` where it is read, else the mean of the phases that are there. The mean is used for the peak too, so
that one definition holds for a whole record; single phases stand in the curve and in the unbalance.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from gateway.instants import SECOND, Instant
from gateway.motors.reading import Reading, Scalar, TimeSource

PHASES = ("current_l1", "current_l2", "current_l3")
STATUS = ("running", "starting", "at_speed", "stopping", "tripped", "command", "trip_code", "start_count", "phase_loss")
"""Roles whose change is never steady running."""
HELD_FOR: Instant = 5 * SECOND
"""A status bit that a reading leaves out (it carries only what changed) holds for so long; own choice."""

Kept = dict[str, tuple[Instant, Scalar]]
"""Last known value of each key with the instant at which it was read."""


@dataclass(frozen=True, slots=True)
class Signs:
    """What one reading tells the recogniser; None is unknown.

    ratio: line current x FLC.
    drive: output frequency or speed, as far as it is read: still changing means still ramping.
    exact: the device itself stamped the instant at which a value changed.
    """

    at: Instant
    current_a: float | None
    ratio: float | None
    running: bool | None = None
    starting: bool | None = None
    at_speed: bool | None = None
    stopping: bool | None = None
    tripped: bool | None = None
    command: bool | None = None
    drive: float | None = None
    exact: bool = False

    @property
    def usable(self) -> bool:
        """True when the reading tells whether the motor is on.

        >>> Signs(0, None, None, tripped=False).usable, Signs(0, None, None, running=False).usable
        (False, True)
        """
        return self.ratio is not None or self.running is not None or self.starting is not None or self.at_speed is not None


def line_current_a(values: Mapping[str, Scalar]) -> float | None:
    """Return the line current [A]: `current`, else the mean of the phases that are there, else None.

    >>> line_current_a({"current_l1": 10.0, "current_l2": 11.0, "current_l3": 12.0}), line_current_a({"current_l1": 4}), line_current_a({})
    (11.0, 4.0, None)
    """
    current = values.get("current")
    if current is not None and not isinstance(current, str):
        return float(current)
    phases = [float(value) for value in map(values.get, PHASES) if value is not None and not isinstance(value, str)]
    return sum(phases) / len(phases) if phases else None


def signs_of(reading: Reading, kept: Kept, flc_a: float, on_ratio: float = 0.15) -> Signs:
    """Return what a reading says; a bit that it leaves out is taken from `kept` while that is fresh, one that is flawed is unknown.

    A reading without any value says nothing: nothing is taken from `kept` for it. A run bit that was read before the current rose above
    `on_ratio` says nothing either.

    >>> reading = Reading(2_000_000, {"current": 40.0})
    >>> signs = signs_of(reading, {"running": (1_000_000, True), "at_speed": (-9_000_000, True)}, 80.0)
    >>> signs.ratio, signs.running, signs.at_speed
    (0.5, True, None)
    """
    values, flaws, at = reading.values, reading.flaws, reading.at

    def bit(key: str) -> bool | None:
        value = values.get(key)
        if value is None and values and key not in flaws and key in kept and at - kept[key][0] <= HELD_FOR:
            value = kept[key][1]
        return None if value is None or isinstance(value, str) else bool(value)

    current_a = line_current_a(values)
    ratio = None if current_a is None else current_a / flc_a
    running = bit("running")
    if running is False and "running" not in values and ratio is not None and ratio >= on_ratio:
        running, kept = None, {}
    drive = reading.number("frequency")
    return Signs(
        at=at,
        current_a=current_a,
        ratio=ratio,
        running=running,
        starting=bit("starting"),
        at_speed=bit("at_speed"),
        stopping=bit("stopping"),
        tripped=bit("tripped"),
        command=bit("command"),
        drive=reading.number("speed") if drive is None else drive,
        exact=reading.time_source is TimeSource.SOURCE,
    )
