"""What is said of a start's current besides numbers: its shape, and what it would have been direct on line."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class RampForm(StrEnum):
    """Shape of a start's current in one word (see `gateway.motors.start_shape`)."""

    STEP = "step"
    """At its highest from the begin on, then falling: full voltage at once."""
    PLATEAU = "plateau"
    """Held at its highest for half of the start or longer: a current limit."""
    RAMP = "ramp"
    """Rising for most of the start: a voltage ramp that no limit cuts off."""
    STEPS = "steps"
    """Rising again after it had fallen: a change-over, a kick, a second ramp."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RampShape:
    """Shape of a start's current: `initial_ratio` x FLC at the begin; times from the begin to 90 % of the steady peak, within 5 % of it,
    and from the last time at 90 % to the end [s]."""

    form: RampForm
    initial_ratio: float
    rise_s: float
    plateau_s: float
    fall_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DirectEstimate:
    """An estimate of what this start would have been direct on line, from motor data; `error_pct` is of duration and I2t alike."""

    duration_s: float
    peak_ratio: float
    i2t_flc2s: float
    error_pct: float
