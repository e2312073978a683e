"""One start as curves and figures: what predictions, plots and tests look at."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from math import pi

import numpy as np
from numpy.typing import NDArray

from gateway.machine.drive import Drive, DriveState, Phase, Tally, observe, start
from gateway.machine.motion import advance

Curve = NDArray[np.float64]

_COLUMNS = (
    "at_s",
    "speed_rad_s",
    "line_current_a",
    "winding_current_a",
    "voltage_ratio",
    "torque_nm",
    "load_torque_nm",
    "heat_k",
    "i2t_a2s",
)


class RunUpOutcome(StrEnum):
    """How a run-up ended."""

    AT_SPEED = "at_speed"
    STALLED = "stalled"
    """The motor stands, or hangs at a speed below, when the time is up."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunUp:
    """One start. The arrays have one entry a sample and run a little past the end of the start.

    tally: sums up to full voltage and fallen current, or up to the time limit. `i2t_a2s` is of the winding current, `heat_k` the
    winding's rise. to_95_pct_s: time to 95 % of rated speed, None when it was not reached.
    current_fell_s, full_s: when the line current fell for good, and when that was so at full voltage; None when they did not happen.
    """

    at_s: Curve
    speed_rad_s: Curve
    line_current_a: Curve
    winding_current_a: Curve
    voltage_ratio: Curve
    torque_nm: Curve
    load_torque_nm: Curve
    heat_k: Curve
    i2t_a2s: Curve
    outcome: RunUpOutcome
    to_95_pct_s: float | None
    current_fell_s: float | None
    full_s: float | None
    tally: Tally
    tally_when_current_fell: Tally | None
    end: DriveState


def run_up(
    drive: Drive,
    state: DriveState | None = None,
    *,
    supply_ratio: float = 1.0,
    load_ratio: float = 1.0,
    time_limit_s: float = 120.0,
    sample_s: float = 0.01,
    tail_s: float = 0.5,
) -> RunUp:
    """Return a start from `state` (default: a cold motor at rest) until `tail_s` after it is over, or for `time_limit_s`.

    Sub-steps are at most `sample_s` long.

    >>> from gateway.machine.drive import drive_for
    >>> from gateway.machine.nameplate import EXAMPLE_45_KW
    >>> from gateway.machine.loads import Fan
    >>> from gateway.machine.methods import DirectOnLine
    >>> fan = Fan(rated_torque_nm=0.9 * EXAMPLE_45_KW.rated_torque_nm)
    >>> curve = run_up(drive_for(EXAMPLE_45_KW, load=fan, inertia_kg_m2=10.45, method=DirectOnLine()))
    >>> curve.outcome.value, round(curve.to_95_pct_s, 2), round(curve.tally.line_i2t_a2s / EXAMPLE_45_KW.flc_a ** 2, 1)
    ('at_speed', 2.5, 83.8)
    """
    state = advance(drive, DriveState() if state is None else state, 0.0, supply_ratio, load_ratio)
    state = start(drive, state)
    rows = [_row(drive, state, 0.0)]
    at, over_at = 0.0, None
    while at < time_limit_s and (over_at is None or at < over_at + tail_s):
        state = advance(drive, state, sample_s, supply_ratio, load_ratio, longest_step_s=sample_s)
        at += sample_s
        rows.append(_row(drive, state, at))
        if state.phase is Phase.RUNNING and over_at is None:
            over_at = at
        if state.settled and state.phase is Phase.STARTING and state.over_for_s is None and at < time_limit_s:
            # Nothing can change any more before the time is up: the motor hangs or stands.
            state = advance(drive, state, time_limit_s - at, supply_ratio, load_ratio)
            at = time_limit_s
            rows.append(_row(drive, state, at))
    table = dict(zip(_COLUMNS, np.array(rows).T, strict=True))
    started = state.phase is Phase.RUNNING
    fell = state.tally_when_current_fell
    full = state.tally_when_full if started else None
    return RunUp(
        **table,
        outcome=RunUpOutcome.AT_SPEED if started else RunUpOutcome.STALLED,
        to_95_pct_s=_reached_s(table["at_s"], table["speed_rad_s"], _goal(drive)),
        current_fell_s=None if fell is None else fell.elapsed_s,
        full_s=None if full is None else full.elapsed_s,
        tally=state.tally if full is None else full,
        tally_when_current_fell=fell,
        end=state,
    )


def _goal(drive: Drive) -> float:
    return 0.95 * drive.rated_speed_rad_s


def _row(drive: Drive, state: DriveState, at: float) -> tuple[float, ...]:
    seen = observe(drive, state)
    return (
        at,
        state.speed_rad_s,
        seen.line_current_a,
        seen.winding_current_a,
        state.feed.voltage_ratio,
        seen.torque_nm,
        seen.load_torque_nm,
        seen.winding_rise_k,
        state.tally.winding_i2t_a2s,
    )


def _reached_s(at: Curve, speed: Curve, goal: float) -> float | None:
    """Return when the speed first reached a goal, straight between samples; None when it never did."""
    above = np.flatnonzero(speed >= goal)
    if above.size == 0:
        return None
    i = int(above[0])
    if i == 0:
        return float(at[0])
    return float(at[i - 1] + (at[i] - at[i - 1]) * (goal - speed[i - 1]) / (speed[i] - speed[i - 1]))


def torque_over_speed(drive: Drive, points: int = 200) -> tuple[Curve, Curve, Curve]:
    """Return (speed rpm, motor torque at full voltage N m, load torque N m) from standstill to synchronous speed, for a torque-speed
    picture.
    """
    speed = np.linspace(0.0, drive.circuit.sync_speed_rad_s, points)
    motor = np.array([drive.circuit.at(drive.circuit.slip_at(float(w))).torque_nm for w in speed])
    load = np.array([drive.load.torque_nm(float(w) / drive.rated_speed_rad_s, 0.0) for w in speed])
    return speed * 30.0 / pi, motor, load
