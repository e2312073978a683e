"""Starters and pasts for the tests of the limits, built from a few words."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from gateway.instants import MINUTE, SECOND, Instant
from gateway.motors.facts import LimitSettings, LoadData, MotorData, Starter, StarterData
from gateway.motors.history import HeatState, History, LearnedStart, StartMark
from gateway.motors.reading import Quality
from gateway.motors.records import LimitVerdict, MotorState, Outcome

T0: Instant = 1_700_000_000 * SECOND
"""The instant that the tests call now."""


def starter(
    limits: dict[str, Any] | None = None, device: dict[str, Any] | None = None, load: LoadData | None = None, **motor: Any
) -> Starter:
    """Return a starter of a 45 kW fan with what the test adds or changes."""
    data: dict[str, Any] = {"rated_power_kw": 45.0, "rated_voltage_v": 400.0, "flc_a": 80.0} | motor
    return Starter(
        name="F-101", motor=MotorData(**data), load=load, device=StarterData(**(device or {})), limits=LimitSettings(**(limits or {}))
    )


def learned(heat: float = 0.14, i2t_flc2s: float = 72.0, duration_s: float = 9.4, estimated: bool = False) -> LearnedStart:
    """Return the cost of a start."""
    return LearnedStart(count=0 if estimated else 5, heat=heat, winding_i2t_flc2s=i2t_flc2s, duration_s=duration_s, estimated=estimated)


def mark(minutes_ago: float, outcome: Outcome = Outcome.AT_SPEED, duration_s: float = 10.0, **figures: Any) -> StartMark:
    """Return a start that began so many minutes before T0."""
    began_at = T0 - round(minutes_ago * MINUTE)
    return StartMark(began_at=began_at, ended_at=began_at + round(duration_s * SECOND), outcome=outcome, duration_s=duration_s, **figures)


def heat(x: float, *, certain: bool = True, at: Instant = T0) -> HeatState:
    """Return a state of the model with one time constant: x times full-load heat."""
    return HeatState(at=at, nodes=(x / 1.21, 0.0 if certain else 0.5), certain=certain, reason="" if certain else "heat is a guess")


def past(
    marks: Iterable[StartMark] = (),
    state: MotorState = MotorState.STOPPED,
    off_minutes: float | None = 600.0,
    **more: Any,
) -> History:
    """Return a past that ends at T0: by default a cold motor, off for ten hours."""
    off_since = None if off_minutes is None or state in (MotorState.RUNNING, MotorState.STARTING) else T0 - round(off_minutes * MINUTE)
    fields: dict[str, Any] = {"at": T0, "heat": heat(0.0), "learned": learned(), "quality": Quality.GOOD} | more
    return History(state=state, marks=tuple(marks), off_since=off_since, **fields)


def given(verdict: LimitVerdict | None) -> LimitVerdict:
    """Return a verdict that must be there."""
    assert verdict is not None
    return verdict
