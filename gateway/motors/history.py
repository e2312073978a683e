"""What the limits are told: the recent past of one starter, folded from its readings."""

from __future__ import annotations

from dataclasses import dataclass

from gateway.instants import Instant
from gateway.motors.reading import Quality
from gateway.motors.records import MotorState, Outcome


@dataclass(frozen=True, slots=True, kw_only=True)
class StartMark:
    """A start as far as limits care. An unseen start is placed as late as it can have been, so that it counts as long as it can."""

    began_at: Instant
    ended_at: Instant
    outcome: Outcome
    duration_s: float | None = None
    peak_ratio: float | None = None
    winding_i2t_flc2s: float | None = None
    heat_before: float | None = None
    """Thermal capacity used when it began, of 1; None when not known."""

    @property
    def seen(self) -> bool:
        """False for a start known only from the device's counter."""
        return self.outcome is not Outcome.UNSEEN


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnedStart:
    """What one start of this motor costs, from its last good starts; an estimate from motor data while there are none.

    heat: rise of thermal capacity used, of 1. winding_i2t_flc2s: on the base of FLC [s].
    """

    count: int
    heat: float
    winding_i2t_flc2s: float
    duration_s: float
    estimated: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatState:
    """State of the thermal model at one instant: its node values (see `gateway.motors.thermal`), and whether they can be trusted.

    ambient: thermal capacity that an ambient above the rated one uses, of 1 (see `gateway.motors.temperature`).
    """

    at: Instant
    nodes: tuple[float, ...]
    certain: bool = True
    reason: str = ""
    ambient: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class History:
    """The recent past of one starter at its last reading.

    marks: starts of the last 25 h, oldest first, the one under way included.
    off_since: instant at which the motor last went off; None while it is on or when that is not known.
    blind_since: no usable reading since then, None while readings come.
    unexplained: gaps of the last 25 h in which starts may have happened that no counter tells of.
    run_s, run_ratio: median length and current [x FLC] of the last runs, None when none was seen whole.
    """

    at: Instant
    state: MotorState
    marks: tuple[StartMark, ...]
    off_since: Instant | None
    heat: HeatState
    learned: LearnedStart
    quality: Quality = Quality.GOOD
    reason: str = ""
    blind_since: Instant | None = None
    unexplained: tuple[tuple[Instant, Instant], ...] = ()
    run_s: float | None = None
    run_ratio: float | None = None
