"""The words of drift: which figures are watched, and what is said of one that has left its baseline."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from gateway.instants import Instant


class Figure(StrEnum):
    """A figure that is watched from start to start. The order is that in which drifts are told."""

    DURATION = "duration"
    I2T = "i2t"
    PEAK = "peak"
    AT_SPEED = "at_speed"
    UNBALANCE = "unbalance"
    STOP = "stop"


class Begun(StrEnum):
    """From what heat a start began; figures of the whole run make no difference."""

    COLD = "cold"
    WARM = "warm"
    EITHER = "either"


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """One figure that has left its baseline.

    baseline: mean of the starts it was learned from; now: its weighted mean now; unit in the figure's own. since_at: the start at which it
    was found. starts: how many the baseline and the drift rest on.
    """

    figure: Figure
    begun: Begun
    baseline: float
    now: float
    unit: str
    since_at: Instant
    starts: int
    text: str
    """At most 44 characters."""
    hint: str
    """Where to look, in trade words; common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftBreak:
    """Where baselines begin anew: a maintenance note or a changed setting."""

    at: Instant
    reason: str
