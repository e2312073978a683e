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
_NO_CURRENT_RATIO = 0.02
_DEAD_SHARE = 0.3
"""A line below this share of the mean counts as dead."""


class Trip(StrEnum):
    """Why the device switched the motor off."""

    NONE = "none"
    OVERLOAD = "overload"
    START_TIME = "start_time"
    """The start took longer than the set time."""
    STALL = "stall"
    """The shaft did not turn."""
    PHASE_LOSS = "phase_loss"
    """A line carried no current while the others did."""
    UNBALANCE = "unbalance"
    """The currents of the lines differed too much for too long."""
    UNDERVOLTAGE = "undervoltage"
    HOT_WINDING = "hot_winding"
    """The winding's sensor was above its limit."""
    EXTERNAL = "external"
    """From outside: a trip input, a test."""


USUAL_CODES = {
    Trip.NONE: 0,
    Trip.OVERLOAD: 1,
    Trip.START_TIME: 2,
    Trip.STALL: 3,
    Trip.PHASE_LOSS: 4,
    Trip.UNBALANCE: 6,
    Trip.UNDERVOLTAGE: 7,
    Trip.HOT_WINDING: 8,
    Trip.EXTERNAL: 9,
}
"""Codes of trips where a scenario gives none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProtectionSettings:
    """Settings of the protection. None switches a trip off; so does `overload` False.

    phase_loss_s: how long a line may stay without current while the motor is fed. unbalance_ratio: how far a line may lie from the mean of
    the three, for `unbalance_s`. undervoltage_ratio: of rated voltage, for `undervoltage_s`. hot_winding_degc: of the winding's sensor.
    """

    overload: bool = True
    max_start_s: float | None = 30.0
    stall_s: float | None = 5.0
    phase_loss_s: float | None = 1.0
    unbalance_ratio: float | None = None
    unbalance_s: float = 5.0
    undervoltage_ratio: float | None = None
    undervoltage_s: float = 1.0
    hot_winding_degc: float | None = None
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What the device sees in one step. shares: current of each line over the mean. winding_degc None: there is no sensor."""

    current_ratio: float
    speed_ratio: float
    running: bool
    starting: bool
    shares: tuple[float, float, float] = (1.0, 1.0, 1.0)
    voltage_ratio: float = 1.0
    winding_degc: float | None = None


class Protection:
    """Watches one motor and says when to trip."""

    def __init__(self, settings: ProtectionSettings) -> None:
        self.settings = settings
        self.thermal = ThermalFigure(settings)
        self._for_s: dict[Trip, float] = {}

    @property
    def is_timing(self) -> bool:
        """True while something other than a start is on its way to a trip: the time to look closely."""
        return any(span_s > 0.0 for trip, span_s in self._for_s.items() if trip not in (Trip.START_TIME, Trip.STALL))

    def judge(self, duration_s: float, seen: Seen) -> Trip:
        """Take a step of constant current in and return the trip it causes, `Trip.NONE` for none."""
        self.thermal.pass_time(duration_s, seen.current_ratio, running=seen.running)
        if not seen.running:
            self._for_s.clear()
            return Trip.NONE
        settings = self.settings
        conducts = seen.current_ratio > _NO_CURRENT_RATIO
        dead = conducts and min(seen.shares) < _DEAD_SHARE
        lasts = (
            (Trip.PHASE_LOSS, settings.phase_loss_s, dead),
            (Trip.STALL, settings.stall_s, seen.starting and seen.speed_ratio < _AT_REST_RATIO),
            (Trip.START_TIME, settings.max_start_s, seen.starting),
            (Trip.UNBALANCE, settings.unbalance_s, conducts and not dead and self._is_unequal(seen.shares)),
            (Trip.UNDERVOLTAGE, settings.undervoltage_s, _is_below(seen.voltage_ratio, settings.undervoltage_ratio)),
        )
        for trip, limit_s, on in lasts:
            if self._has_lasted(trip, duration_s, limit_s, on=on):
                return trip
        if settings.hot_winding_degc is not None and seen.winding_degc is not None and seen.winding_degc >= settings.hot_winding_degc:
            return Trip.HOT_WINDING
        if settings.overload and self.thermal.used_pct >= 100.0:
            return Trip.OVERLOAD
        return Trip.NONE

    def _has_lasted(self, trip: Trip, duration_s: float, limit_s: float | None, *, on: bool) -> bool:
        if limit_s is None or not on:
            self._for_s.pop(trip, None)
            return False
        self._for_s[trip] = self._for_s.get(trip, 0.0) + duration_s
        # The rounding of a sum of steps must not make a trip one step late.
        return self._for_s[trip] >= limit_s - 1e-9

    def _is_unequal(self, shares: tuple[float, float, float]) -> bool:
        allowed = self.settings.unbalance_ratio
        mean = sum(shares) / 3.0
        return allowed is not None and max(abs(share - mean) for share in shares) > allowed * mean

    def may_reset(self, trip: Trip) -> bool:
        """True when the device takes a reset of this trip now."""
        return trip is not Trip.OVERLOAD or self.thermal.used_pct < self.settings.reset_below_pct


def _is_below(ratio: float, limit: float | None) -> bool:
    return limit is not None and ratio < limit
