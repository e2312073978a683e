"""What a watch tells of its state: the history that limits are judged by, and the live row. Reading it changes nothing."""

from __future__ import annotations

from dataclasses import replace
from statistics import median
from types import MappingProxyType

from gateway.instants import HOUR, SECOND, Instant, seconds_between
from gateway.motors.facts import Starter
from gateway.motors.history import HeatState, History, LearnedStart, StartMark
from gateway.motors.ledger import unseen_mark
from gateway.motors.reading import Quality, Scalar
from gateway.motors.records import Live, MotorState, Outcome
from gateway.motors.signs import HELD_FOR, PHASES, line_current_a
from gateway.motors.thermal import ThermalModel
from gateway.motors.watch_state import WatchState

NO_READING = "no usable reading yet"
CURRENTS = frozenset({"current", *PHASES})
TELLING = CURRENTS | {"running", "starting", "at_speed", "stopping", "tripped", "start_count"}
"""Keys that starts are told by: one of them missing makes the whole uncertain."""
KEPT_FOR: Instant = 180 * SECOND
"""A value that readings leave out is shown for so long."""


def history_of(state: WatchState, starter: Starter, model: ThermalModel, learned: LearnedStart, at: Instant | None) -> History:
    """Return the recent past of one starter, at `at` or as of its last reading."""
    last_at = 0 if state.last is None else state.last.at
    now = last_at if at is None else max(at, last_at)
    quality, reason = _trust(state, starter, now)
    runs = state.course.runs
    return History(
        at=now,
        state=state.told,
        marks=_marks(state, now),
        off_since=state.course.off_at if state.told in (MotorState.STOPPED, MotorState.TRIPPED) else None,
        heat=_heat(state, model, learned),
        learned=learned,
        quality=quality,
        reason=reason,
        blind_since=_blind_since(state, starter, now),
        unexplained=tuple(state.ledger.unexplained) + tuple(state.ledger.open_gaps),
        run_s=max(0.0, median(length_s for length_s, _ in runs) - learned.duration_s) if runs else None,
        run_ratio=median(ratio for _, ratio in runs) if runs else None,
    )


def _heat(state: WatchState, model: ThermalModel, learned: LearnedStart) -> HeatState:
    heat = state.heat.state_now(model)
    # Counted starts that may yet turn out unseen are charged already here, so that no limit is optimistic meanwhile.
    for _ in state.ledger.pending():
        heat = model.charged(heat, learned.heat)
    return heat


def _marks(state: WatchState, now: Instant) -> tuple[StartMark, ...]:
    under_way = state.course.under_way
    open_number = under_way.number if under_way is not None and under_way.ended is None else 0
    entries = state.ledger.entries
    marks = [replace(entry.mark, ended_at=now) if entry.number == open_number else entry.mark for entry in entries]
    pending = [unseen_mark(start.ended_at) for start in state.ledger.pending()]
    return tuple(sorted((*marks, *pending), key=lambda mark: mark.began_at)) if pending else tuple(marks)


def _blind_since(state: WatchState, starter: Starter, now: Instant) -> Instant | None:
    usable_at, gap_s = state.recogniser.usable_at, starter.thresholds.gap_s
    if usable_at is not None:
        return usable_at if seconds_between(usable_at, now) > gap_s else None
    longest = now - round((gap_s + 1.0) * SECOND)
    return longest if state.first_at is None else min(state.first_at, longest)


def _trust(state: WatchState, starter: Starter, now: Instant) -> tuple[Quality, str]:
    if state.recogniser.usable_at is None:
        return Quality.BAD, NO_READING
    if _blind_since(state, starter, now) is not None:
        return Quality.BAD, "no usable reading now"
    if state.ledger.unexplained or state.ledger.open_gaps:
        return Quality.UNCERTAIN, "starts may have been missed while no readings came"
    return Quality.GOOD, ""


def live_of(state: WatchState, starter: Starter, model: ThermalModel) -> Live:
    """Return what is known at the last reading."""
    last, ledger = state.last, state.ledger
    at = None if last is None else last.at
    current_a = _current_a(state)
    quality, reason = _trust(state, starter, 0 if at is None else at)
    heat = state.heat.state_now(model) if state.heat.state is not None else None
    recent = ledger.since((at or 0) - HOUR)
    flaws = _flaws(state)
    # A signal that decides nothing (a power factor of a motor that stands) is shown as bad where it stands; it makes the rest no less good.
    telling = {key: why for key, why in flaws.items() if key in TELLING or why.startswith("implausible")}
    if quality is Quality.GOOD and telling:
        quality, reason = Quality.UNCERTAIN, "; ".join(f"{key}: {why}" for key, why in sorted(telling.items()))
    elif quality is Quality.BAD and flaws:
        reason = next(iter(flaws.values()))
    return Live(
        starter=starter.name,
        at=at,
        state=state.told,
        state_since=state.told_at,
        current_a=current_a,
        current_ratio=None if current_a is None else current_a / starter.motor.flc_a,
        starts_last_hour=len(recent),
        unseen_last_hour=sum(1 for entry in recent if entry.mark.outcome is Outcome.UNSEEN),
        heat=None if heat is None else model.used(heat),
        heat_quality=Quality.BAD if heat is None else Quality.GOOD if heat.certain else Quality.UNCERTAIN,
        quality=quality,
        reason=reason,
        last_good_at=state.recogniser.usable_at,
        last_start=state.last_start,
        total_starts=ledger.total,
        values=MappingProxyType(_values(state)),
        flaws=MappingProxyType(flaws),
        lost_phase=state.phases.lost,
        drifts=state.drift.found,
    )


def _current_a(state: WatchState) -> float | None:
    last = state.last
    if last is None or not last.values:
        return None
    recent = {key: value for key, (at, value) in state.kept.items() if last.at - at <= HELD_FOR and key not in last.flaws}
    found = line_current_a(last.values)
    return line_current_a(recent) if found is None and last.flaws.keys().isdisjoint(CURRENTS) else found


def _flaws(state: WatchState) -> dict[str, str]:
    last = state.last
    if last is None:
        return {}
    held = {
        key: reason
        for key, (at, reason) in state.flawed.items()
        if key not in last.values and key not in last.flaws and last.at - at <= KEPT_FOR
    }
    return held | {key: flaw.reason for key, flaw in last.flaws.items()}


def _values(state: WatchState) -> dict[str, Scalar]:
    last = state.last
    if last is None:
        return {}
    kept = {key: value for key, (at, value) in state.kept.items() if last.at - at <= KEPT_FOR and key not in last.flaws}
    return {**kept, **last.values}
