"""The device's own protection: its thermal figure and the trips it makes.

A device sees line current only, so star is underrated as in life. Thermal figure: two exponentials of the square of current x FLC,
H = w x1 + (1 - w) x2 with dx/dt = (i^2 - x) / tau, both time constants longer at standstill; 100 % is (1.1 x FLC)^2. Form after
IEC 60255-149; the constants are common practice, no source: with them 7 x FLC trips a cold motor after 11.6 s and 3.5 x FLC after 49.4 s.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from math import exp

_FULL = 1.21
_AT_REST_RATIO = 0.10
"""Speed below which the shaft counts as not turning, x rated."""


class Trip(StrEnum):
    """Why the device switched the motor off."""

    NONE = "none"
    OVERLOAD = "overload"
    START_TIME = "start_time"
    """The start took longer than the set time."""
    STALL = "stall"
    """The shaft did not turn."""
    EXTERNAL = "external"
    """From outside: a trip input, a test."""


USUAL_CODES = {Trip.NONE: 0, Trip.OVERLOAD: 1, Trip.START_TIME: 2, Trip.STALL: 3, Trip.EXTERNAL: 9}
"""Codes of trips where a scenario gives none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProtectionSettings:
    """Settings of the protection. A time of None switches that trip off; so does `overload` False."""

    overload: bool = True
    max_start_s: float | None = 30.0
    stall_s: float | None = 5.0
    fast_weight: float = 0.5
    fast_time_constant_s: float = 258.0
    slow_time_constant_s: float = 2087.0
    standstill_factor: float = 3.0
    reset_below_pct: float = 85.0
    """An overload trip cannot be reset while the thermal figure is above this."""


class ThermalFigure:
    """The device's estimate of thermal capacity used.

    >>> figure = ThermalFigure(ProtectionSettings())
    >>> figure.pass_time(11.6, 7.0, running=True)
    >>> round(figure.used_pct)
    100
    """

    def __init__(self, settings: ProtectionSettings) -> None:
        self._settings = settings
        self._fast = 0.0
        self._slow = 0.0

    def pass_time(self, duration_s: float, current_ratio: float, *, running: bool) -> None:
        """Take a time of constant current x FLC in; exact for any duration."""
        settings = self._settings
        factor = 1.0 if running else settings.standstill_factor
        target = current_ratio * current_ratio
        self._fast = target + (self._fast - target) * exp(-duration_s / (factor * settings.fast_time_constant_s))
        self._slow = target + (self._slow - target) * exp(-duration_s / (factor * settings.slow_time_constant_s))

    @property
    def used_pct(self) -> float:
        """Thermal capacity used [%], not above 250."""
        weight = self._settings.fast_weight
        return min(100.0 * (weight * self._fast + (1.0 - weight) * self._slow) / _FULL, 250.0)


class Protection:
    """Watches one motor and says when to trip."""

    def __init__(self, settings: ProtectionSettings) -> None:
        self.settings = settings
        self.thermal = ThermalFigure(settings)
        self._starting_for_s = 0.0
        self._still_for_s = 0.0

    def judge(self, duration_s: float, current_ratio: float, speed_ratio: float, *, running: bool, starting: bool) -> Trip:
        """Take a step of constant current in and return the trip it causes, `Trip.NONE` for none."""
        self.thermal.pass_time(duration_s, current_ratio, running=running)
        settings = self.settings
        self._starting_for_s = self._starting_for_s + duration_s if starting else 0.0
        standing = starting and speed_ratio < _AT_REST_RATIO
        self._still_for_s = self._still_for_s + duration_s if standing else 0.0
        if not running:
            return Trip.NONE
        if settings.stall_s is not None and self._still_for_s >= settings.stall_s:
            return Trip.STALL
        if settings.max_start_s is not None and self._starting_for_s >= settings.max_start_s:
            return Trip.START_TIME
        if settings.overload and self.thermal.used_pct >= 100.0:
            return Trip.OVERLOAD
        return Trip.NONE

    def may_reset(self, trip: Trip) -> bool:
        """True when the device takes a reset of this trip now."""
        return trip is not Trip.OVERLOAD or self.thermal.used_pct < self.settings.reset_below_pct
