"""What recorded starts say of the load: the scale of its torque and the total inertia, and how well they are determined.

Least squares of predicted against recorded line current, with the unknown instant of each start as a further parameter: a poll knows the
start only to half its period. Damped Gauss-Newton on logarithms, so that both stay positive; the begins, which cost no run-up, are
searched anew for every trial of the two. A start held at the current limit shows little but its length, and length alone cannot tell
inertia from load; the running current after the start can. Hence the intervals and the correlation.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from gateway.machine.drive import Drive
from gateway.machine.run_up import Curve, run_up
from gateway.machine.steady_running import load_of_current

_ROUNDS = 25
_NUDGE = 0.02
_LARGEST_MOVE = 0.5
_LEAST_GAIN = 1e-4
_LARGEST_SHIFT_S = 0.15
_SHIFT_NUDGE_S = 0.01
_SHIFT_STEP_S = 0.002
_SHIFTS_S = np.arange(-_LARGEST_SHIFT_S, _LARGEST_SHIFT_S + 1e-9, _SHIFT_STEP_S)
_MOST_DAMPING = 1e4
_SURE = 0.15
_GOOD_FLC = 0.08
_BEGINNINGS = ((1.0, 1.0), (0.8, 1.0), (1.0, 0.5), (1.0, 2.0), (0.6, 1.0))
"""(load, inertia) over the given ones at which the search begins where the running current says nothing, one after another until the fit
is good."""
_TAIL_S = 1.0
_RUNNING_RATIO = 1.2
_FACTOR = 5.0
_HALVINGS = 12
_LONGEST_S = 120.0
_LARGEST_LOG = 1.6
_EDGE_S = 0.15
_SHIFT_WEIGHT = 0.4
"""A begin that is off by 50 ms, half a poll of 100 ms, weighs as much as 0.02 x FLC in one sample."""


class StartFitError(ValueError):
    """The recorded starts cannot be fitted; the text says why."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedStart:
    """Line current of one start: seconds since its begin (negative before it) and amperes, in order of time, a few seconds past the end."""

    at_s: tuple[float, ...]
    line_current_a: tuple[float, ...]
    supply_ratio: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class StartFit:
    """The fitted machine. Errors are half widths of 95 % intervals, in per cent; a `correlation` near -1 or 1 says that they trade.

    residual_flc: RMS difference of predicted and recorded current x FLC. determined: whether both are known to 15 % and the curve fits.
    """

    drive: Drive
    load_ratio: float
    inertia_kg_m2: float
    load_error_pct: float
    inertia_error_pct: float
    correlation: float
    residual_flc: float
    determined: bool
    shifts_s: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Departure:
    """How a new start differs from the fitted machine. Positive: longer, more I2t than predicted."""

    duration_pct: float | None
    i2t_pct: float
    residual_flc: float
    departs: bool


@dataclass(frozen=True, slots=True)
class _Predicted:
    """Predicted line current x FLC over time of one recorded start."""

    at_s: Curve
    ratio: Curve

    def at(self, at_s: Curve) -> Curve:
        """Return the ratio at times: nothing before the begin, the last value after the end."""
        return np.where(at_s < 0.0, 0.0, np.interp(at_s, self.at_s, self.ratio))


def _predicted(drive: Drive, log_load: float, log_inertia: float, supply_ratio: float, until_s: float) -> _Predicted:
    machine = replace(drive, inertia_kg_m2=float(np.exp(log_inertia)))
    tail_s = 1.0 + max(drive.load.changes_s, default=0.0)
    length_s = max(until_s, 1.0) + _LARGEST_SHIFT_S
    curve = run_up(
        machine,
        supply_ratio=supply_ratio,
        load_ratio=float(np.exp(log_load)),
        time_limit_s=length_s,
        sample_s=0.02,
        tail_s=tail_s,
    )
    return _Predicted(curve.at_s, curve.line_current_a / drive.flc_a)


def _curves(drive: Drive, parameters: Curve, records: Sequence[RecordedStart]) -> list[_Predicted]:
    """Return the predicted curve of every record; records at the same supply share one run-up, which is what costs."""
    longest_s: dict[float, float] = {}
    for record in records:
        longest_s[record.supply_ratio] = max(record.at_s[-1], longest_s.get(record.supply_ratio, 0.0))
    load, inertia = float(parameters[0]), float(parameters[1])
    shared = {supply: _predicted(drive, load, inertia, supply, until_s) for supply, until_s in longest_s.items()}
    return [shared[record.supply_ratio] for record in records]


def _residuals(curves: Sequence[_Predicted], shifts_s: Curve, records: Sequence[RecordedStart], flc_a: float, summed: bool) -> Curve:
    """Return predicted less recorded, x FLC: of the current, or of its running I2t, which is smooth where the current has edges."""
    parts = [_SHIFT_WEIGHT * shifts_s]
    for curve, shift, record in zip(curves, shifts_s, records, strict=True):
        at = np.array(record.at_s)
        predicted, recorded = curve.at(at - shift), np.array(record.line_current_a) / flc_a
        if summed:
            parts.append(_running_i2t(at, predicted) - _running_i2t(at, recorded))
        else:
            # On the edge of the start a sample is either side by chance; it says nothing of the machine.
            parts.append(np.where(np.abs(at) > _EDGE_S, predicted - recorded, 0.0))
    return np.concatenate(parts)


def _running_i2t(at_s: Curve, current: Curve) -> Curve:
    square = current**2
    return np.concatenate([[0.0], np.cumsum(0.5 * (square[1:] + square[:-1]) * np.diff(at_s))])


def _begun(curves: Sequence[_Predicted], records: Sequence[RecordedStart], flc_a: float) -> Curve:
    """Return the begin of each start at which its predicted curve meets the record best [s]."""
    return np.array([_best_shift_s(curve, record, flc_a) for curve, record in zip(curves, records, strict=True)])


def _best_shift_s(curve: _Predicted, record: RecordedStart, flc_a: float) -> float:
    at, recorded = np.array(record.at_s), np.array(record.line_current_a) / flc_a
    clear = np.abs(at) > _EDGE_S
    at, recorded = at[clear], recorded[clear]
    missed = np.sum((curve.at(at[None, :] - _SHIFTS_S[:, None]) - recorded) ** 2, axis=1) + (_SHIFT_WEIGHT * _SHIFTS_S) ** 2
    return float(_SHIFTS_S[int(np.argmin(missed))])


def _tried(drive: Drive, two: Curve, records: Sequence[RecordedStart], summed: bool) -> tuple[Curve, Curve]:
    """Return (residuals, begins) at a load and an inertia; on the running I2t the begins stay where they were recorded."""
    curves = _curves(drive, two, records)
    shifts = np.zeros(len(records)) if summed else _begun(curves, records, drive.flc_a)
    return _residuals(curves, shifts, records, drive.flc_a, summed), shifts


def _slopes(drive: Drive, two: Curve, records: Sequence[RecordedStart], base: Curve, summed: bool) -> Curve:
    columns = []
    for i in range(2):
        nudged = two.copy()
        nudged[i] += _NUDGE
        columns.append((_tried(drive, nudged, records, summed)[0] - base) / _NUDGE)
    return np.array(columns).T


def _jacobian(drive: Drive, two: Curve, shifts_s: Curve, records: Sequence[RecordedStart]) -> Curve:
    """Return the slopes of the residuals over load, inertia and every begin."""
    curves = _curves(drive, two, records)
    base = _residuals(curves, shifts_s, records, drive.flc_a, False)
    columns = []
    for i in range(2 + shifts_s.size):
        step = _NUDGE if i < 2 else _SHIFT_NUDGE_S
        nudged = np.concatenate([two, shifts_s])
        nudged[i] += step
        moved = _curves(drive, nudged[:2], records) if i < 2 else curves
        columns.append((_residuals(moved, nudged[2:], records, drive.flc_a, False) - base) / step)
    return np.array(columns).T


def _searched(drive: Drive, two: Curve, records: Sequence[RecordedStart], summed: bool) -> Curve:
    """Return log load and log inertia at the least squares, by damped Gauss-Newton."""
    centre = np.array([0.0, np.log(drive.inertia_kg_m2)])
    residuals, _ = _tried(drive, two, records, summed)
    damping = 1e-2
    for _ in range(_ROUNDS):
        slopes = _slopes(drive, two, records, residuals, summed)
        normal = slopes.T @ slopes
        while True:
            move = -np.linalg.solve(normal + damping * np.diag(np.diag(normal) + 1e-9), slopes.T @ residuals)
            trial = np.clip(two + np.clip(move, -_LARGEST_MOVE, _LARGEST_MOVE), centre - _LARGEST_LOG, centre + _LARGEST_LOG)
            tried, _ = _tried(drive, trial, records, summed)
            if tried @ tried < residuals @ residuals:
                break
            damping *= 6.0
            if damping > _MOST_DAMPING:
                return two
        gain = 1.0 - (tried @ tried) / (residuals @ residuals)
        two, residuals, damping = trial, tried, max(damping / 5.0, 1e-6)
        if gain < _LEAST_GAIN:
            break
    return two


def fit_starts(drive: Drive, records: Sequence[RecordedStart]) -> StartFit:
    """Return the load scale and the inertia that fit the recorded starts best; `drive` is where the search begins.

    StartFitError when there is no start or one has fewer than ten samples.
    """
    if not records or any(len(record.at_s) < 10 or len(record.at_s) != len(record.line_current_a) for record in records):
        raise StartFitError("needs one start or more, each with ten samples or more and as many currents as times")
    found: list[tuple[float, Curve]] = []
    first = _first_guess(drive, records)
    guesses: list[tuple[Curve, bool]] = [] if first is None else [(first, True)]
    guesses += [(np.log(np.array([load, inertia * drive.inertia_kg_m2])), False) for load, inertia in _BEGINNINGS]
    for guess, is_near in guesses:
        # First the running I2t, which has no edges to get stuck on; then the current itself, which tells load and inertia apart.
        two = _searched(drive, guess if is_near else _searched(drive, guess, records, summed=True), records, summed=False)
        found.append((_rms(_tried(drive, two, records, False)[0]), two))
        if found[-1][0] < _GOOD_FLC:
            break
    _, best = min(found, key=lambda one: one[0])
    residuals, shifts = _tried(drive, best, records, False)
    return _told(drive, np.concatenate([best, shifts]), residuals, _jacobian(drive, best, shifts, records))


def _first_guess(drive: Drive, records: Sequence[RecordedStart]) -> Curve | None:
    """Return log load and log inertia told apart one after the other: the load from the running current after the start, then the inertia
    from the I2t of the start, which grows with it; None when the records end before the motor runs.

    From here the search need not find its way along the narrow valley of equal lengths.
    """
    loads = []
    for record in records:
        at, current = np.array(record.at_s), np.array(record.line_current_a)
        running_a = float(current[at > at[-1] - _TAIL_S].mean())
        if running_a < _RUNNING_RATIO * drive.flc_a:
            load = load_of_current(drive, running_a, supply_ratio=record.supply_ratio)
            loads += [] if load is None or load <= 0.0 else [load]
    if not loads:
        return None
    log_load = float(np.log(np.mean(loads)))
    recorded = sum(_i2t(np.array(record.at_s), np.array(record.line_current_a) / drive.flc_a) for record in records)
    low, high = np.log(drive.inertia_kg_m2) - np.log(_FACTOR), np.log(drive.inertia_kg_m2) + np.log(_FACTOR)
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        curves = _curves(drive, np.array([log_load, middle]), records)
        predicted = sum(_i2t(np.array(record.at_s), curve.at(np.array(record.at_s))) for curve, record in zip(curves, records, strict=True))
        low, high = (middle, high) if predicted < recorded else (low, middle)
    return np.array([log_load, 0.5 * (low + high)])


def _i2t(at_s: Curve, current: Curve) -> float:
    return float(np.trapezoid(current**2, at_s))


def _rms(residuals: Curve) -> float:
    return float(np.sqrt(np.mean(residuals**2)))


def _told(drive: Drive, parameters: Curve, residuals: Curve, jacobian: Curve) -> StartFit:
    free = max(residuals.size - parameters.size, 1)
    variance = float(residuals @ residuals) / free
    covariance = variance * np.linalg.pinv(jacobian.T @ jacobian)
    load_sd, inertia_sd = (float(np.sqrt(max(covariance[i, i], 0.0))) for i in (0, 1))
    together = float(covariance[0, 1]) / (load_sd * inertia_sd) if load_sd > 0 and inertia_sd > 0 else 0.0
    inertia = float(np.exp(parameters[1]))
    return StartFit(
        drive=replace(drive, inertia_kg_m2=inertia),
        load_ratio=float(np.exp(parameters[0])),
        inertia_kg_m2=inertia,
        load_error_pct=100.0 * 1.96 * load_sd,
        inertia_error_pct=100.0 * 1.96 * inertia_sd,
        correlation=together,
        residual_flc=float(np.sqrt(variance)),
        determined=1.96 * max(load_sd, inertia_sd) < _SURE and _rms(residuals) < 2 * _GOOD_FLC,
        shifts_s=tuple(float(shift) for shift in parameters[2:]),
    )


def load_sensitivity(fit: StartFit) -> float:
    """Return by how many per cent the inertia is wrong for each per cent that the load is: mean load over surplus torque on the way up.

    Both together make the length of a start, J dw = (T - TL) dt. A start that hardly breaks away has a large one.
    """
    curve = run_up(fit.drive, load_ratio=fit.load_ratio, time_limit_s=_LONGEST_S, sample_s=0.02)
    surplus = curve.torque_nm - curve.load_torque_nm
    up = (surplus > 0.0) & (curve.at_s <= (curve.current_fell_s or curve.at_s[-1]))
    return float(np.mean(curve.load_torque_nm[up] / surplus[up].clip(min=1e-9))) if bool(up.any()) else 0.0


def predicted_current_a(fit: StartFit, record: RecordedStart) -> Curve:
    """Return the line current that the fitted machine draws at the times of a recorded start [A], begun where it meets the record best."""
    return _predicted_shifted(fit, record)[0]


def _predicted_shifted(fit: StartFit, record: RecordedStart) -> tuple[Curve, float]:
    """Return (current [A], begin [s]): a poll knows the begin to half its period, and no machine may be blamed for that."""
    load, inertia = float(np.log(fit.load_ratio)), float(np.log(fit.inertia_kg_m2))
    curve = _predicted(fit.drive, load, inertia, record.supply_ratio, record.at_s[-1])
    shift_s = _best_shift_s(curve, record, fit.drive.flc_a)
    return curve.at(np.array(record.at_s) - shift_s) * fit.drive.flc_a, shift_s


def departure(fit: StartFit, record: RecordedStart, *, tolerance_pct: float = 10.0) -> Departure:
    """Return how a new start differs from the fitted machine; it departs when duration or I2t is off by more than the tolerance."""
    at, recorded = np.array(record.at_s), np.array(record.line_current_a)
    predicted, shift_s = _predicted_shifted(fit, record)
    i2t_pct = 100.0 * float(np.trapezoid(recorded**2, at) / np.trapezoid(predicted**2, at) - 1.0)
    line = fit.drive.at_speed_current_ratio * fit.drive.flc_a
    ended, expected = _last_above_s(at, recorded, line), _last_above_s(at, predicted, line)
    duration_pct = None if ended is None or expected is None else 100.0 * ((ended - shift_s) / (expected - shift_s) - 1.0)
    off = max(abs(i2t_pct), 0.0 if duration_pct is None else abs(duration_pct))
    return Departure(
        duration_pct=duration_pct,
        i2t_pct=i2t_pct,
        residual_flc=float(np.sqrt(np.mean(((predicted - recorded) / fit.drive.flc_a) ** 2))),
        departs=off > tolerance_pct or (ended is None) != (expected is None),
    )


def _last_above_s(at: Curve, current: Curve, line: float) -> float | None:
    """Return when the current last fell through a line, straight between samples; None when it never stood above or never fell."""
    above = np.flatnonzero(current > line)
    if above.size == 0 or int(above[-1]) + 1 >= at.size:
        return None
    i = int(above[-1])
    return float(at[i] + (at[i + 1] - at[i]) * (current[i] - line) / (current[i] - current[i + 1]))
