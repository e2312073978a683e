"""The heat of a motor on the clock: what was, what will be while it stands, and what a start at the answer would make of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from gateway.instants import MINUTE, Instant
from gateway.motors.facts import Starter
from gateway.motors.history import HeatState, History
from gateway.motors.records import Budget, MotorState
from gateway.motors.thermal import ThermalModel, thermal_model

HeatPoint = tuple[Instant, float]
_STEPS = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatView:
    """Thermal capacity used, of 1, on the clock; empty parts are not drawn.

    needed: a start needs this or less. at_answer, after_start: used at the next permitted start and after it, None when none is to come.
    """

    source: str
    past: tuple[HeatPoint, ...]
    forecast: tuple[HeatPoint, ...] = ()
    after: tuple[HeatPoint, ...] = ()
    now: float | None = None
    needed: float | None = None
    at_answer: float | None = None
    after_start: float | None = None
    certain: bool = True
    estimated: bool = False


def heat_view(starter: Starter, history: History, budget: Budget, trail: Sequence[HeatPoint], to_at: Instant) -> HeatView:
    """Return the heat picture's figures up to `to_at`. The forecast holds while the motor stands; a running motor has none."""
    model = thermal_model(starter)
    at, state = budget.as_of, history.heat
    needed = 1.0 - history.learned.heat * starter.limits.heat_margin
    stands = history.state in (MotorState.STOPPED, MotorState.TRIPPED)
    forecast = _standing(model, state, at, to_at) if stands else ()
    used_now = model.used_when_stopped(state, at) if stands else model.used(state)
    after = _started(model, history, budget, to_at) if stands else ()
    start_at = budget.next_start_at
    return HeatView(
        source=model.source,
        past=tuple(trail),
        forecast=forecast,
        after=after,
        now=used_now,
        needed=max(0.0, needed),
        at_answer=model.used_when_stopped(state, start_at) if stands and start_at is not None else None,
        after_start=after[1][1] if len(after) > 1 else None,
        certain=state.certain,
        estimated=history.learned.estimated,
    )


def _standing(model: ThermalModel, state: HeatState, from_at: Instant, to_at: Instant) -> tuple[HeatPoint, ...]:
    step = max((to_at - from_at) // _STEPS, MINUTE // 6)
    return tuple((at, model.used_when_stopped(state, at)) for at in range(from_at, to_at + 1, step))


def _started(model: ThermalModel, history: History, budget: Budget, to_at: Instant) -> tuple[HeatPoint, ...]:
    """Return the heat from a start at the answer on: the rise of a learned start, then running at rated current."""
    start_at = budget.next_start_at
    if start_at is None or start_at >= to_at:
        return ()
    cooled = model.after(history.heat, start_at, 0.0, running=False)
    state = model.charged(cooled, history.learned.heat)
    points: list[HeatPoint] = [(start_at, model.used(cooled)), (start_at, model.used(state))]
    step = max((to_at - start_at) // _STEPS, MINUTE // 6)
    for at in range(start_at + step, to_at + 1, step):
        state = model.after(state, at, 1.0, running=True)
        points.append((at, model.used(state)))
    return tuple(points)
