"""What recorded starts say of the load: the scale of its torque and the total inertia, and how well they are determined.

Least squares of predicted against recorded line current, with the unknown instant of each start as a further parameter: a poll knows the
start only to half its period. Damped Gauss-Newton on logarithms, so that both stay positive. A start held at the current limit shows
little but its length, and length alone cannot tell inertia from load; the running current after the start can. Hence the intervals and
the correlation.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from gateway.machine.drive import Drive
from gateway.machine.run_up import Curve, run_up

_ROUNDS = 25
_NUDGE = 0.02
_LARGEST_MOVE = 0.5
_LARGEST_SHIFT_S = 0.15
_SHIFT_NUDGE_S = 0.01
_MOST_DAMPING = 1e4
_SURE = 0.15
_GOOD_FLC = 0.08
_BEGINNINGS = (1.0, 0.5, 2.0)
"""Inertias over the given one at which the search begins, one after another until the fit is good."""
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


def _jacobian(
    drive: Drive, parameters: Curve, records: Sequence[RecordedStart], curves: Sequence[_Predicted], base: Curve, summed: bool
) -> Curve:
    columns = []
    for i in range(parameters.size):
        step = _NUDGE if i < 2 else _SHIFT_NUDGE_S
        nudged = parameters.copy()
        nudged[i] += step
        moved = _curves(drive, nudged, records) if i < 2 else curves
        columns.append((_residuals(moved, nudged[2:], records, drive.flc_a, summed) - base) / step)
    return np.array(columns).T


def _bounds(drive: Drive, count: int, *, up: bool) -> Curve:
    """Return how far the parameters may go: load and inertia a factor of five, begins a poll and a half."""
    log_inertia = float(np.log(drive.inertia_kg_m2))
    centre = log_inertia if up else -log_inertia
    return np.array([_LARGEST_LOG, centre + _LARGEST_LOG, *([_LARGEST_SHIFT_S] * (count - 2))])


def _searched(drive: Drive, parameters: Curve, records: Sequence[RecordedStart], summed: bool) -> tuple[Curve, Curve, Curve]:
    """Return (parameters, residuals, jacobian) at the least squares, by damped Gauss-Newton; on the running I2t the begins stay."""
    curves = _curves(drive, parameters, records)
    residuals = _residuals(curves, parameters[2:], records, drive.flc_a, summed)
    jacobian = _jacobian(drive, parameters, records, curves, residuals, summed)
    damping = 1e-2
    for _ in range(_ROUNDS):
        free = 2 if summed else parameters.size
        used = jacobian[:, :free]
        normal = used.T @ used
        while True:
            trial = parameters.copy()
            move = -np.linalg.solve(normal + damping * np.diag(np.diag(normal) + 1e-9), used.T @ residuals)
            trial[:free] += np.clip(move, -_LARGEST_MOVE, _LARGEST_MOVE)
            trial = np.clip(trial, -_bounds(drive, trial.size, up=False), _bounds(drive, trial.size, up=True))
            tried_curves = _curves(drive, trial, records)
            tried = _residuals(tried_curves, trial[2:], records, drive.flc_a, summed)
            if tried @ tried < residuals @ residuals:
                break
            damping *= 6.0
            if damping > _MOST_DAMPING:
                return parameters, residuals, jacobian
        gain = 1.0 - (tried @ tried) / (residuals @ residuals)
        parameters, residuals, curves, damping = trial, tried, tried_curves, max(damping / 5.0, 1e-6)
        jacobian = _jacobian(drive, parameters, records, curves, residuals, summed)
        if gain < 1e-3:
            break
    return parameters, residuals, jacobian


def fit_starts(drive: Drive, records: Sequence[RecordedStart]) -> StartFit:
    """Return the load scale and the inertia that fit the recorded starts best; `drive` is where the search begins.

    StartFitError when there is no start or one has fewer than ten samples.
    """
    if not records or any(len(record.at_s) < 10 or len(record.at_s) != len(record.line_current_a) for record in records):
        raise StartFitError("needs one start or more, each with ten samples or more and as many currents as times")
    found: list[tuple[Curve, Curve, Curve]] = []
    for factor in _BEGINNINGS:
        parameters: Curve = np.concatenate([[0.0, np.log(factor * drive.inertia_kg_m2)], np.zeros(len(records))])
        # First the running I2t, which has no edges to get stuck on; then the current itself, which tells load and inertia apart.
        parameters, _, _ = _searched(drive, parameters, records, summed=True)
        found.append(_searched(drive, parameters, records, summed=False))
        if _rms(found[-1][1]) < _GOOD_FLC:
            break
    return _told(drive, *min(found, key=lambda one: _rms(one[1])))


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


def predicted_current_a(fit: StartFit, record: RecordedStart) -> Curve:
    """Return the line current that the fitted machine draws at the times of a recorded start [A], begun where it meets the record best."""
    return _predicted_shifted(fit, record)[0]


def _predicted_shifted(fit: StartFit, record: RecordedStart) -> tuple[Curve, float]:
    """Return (current [A], begin [s]): a poll knows the begin to half its period, and no machine may be blamed for that."""
    load, inertia = float(np.log(fit.load_ratio)), float(np.log(fit.inertia_kg_m2))
    curve = _predicted(fit.drive, load, inertia, record.supply_ratio, record.at_s[-1])
    at, recorded = np.array(record.at_s), np.array(record.line_current_a) / fit.drive.flc_a
    clear = np.abs(at) > _EDGE_S

    def missed(shift_s: float) -> float:
        return float(np.sum((curve.at(at - shift_s) - recorded)[clear] ** 2)) + (_SHIFT_WEIGHT * shift_s) ** 2

    shift_s = min(np.arange(-_LARGEST_SHIFT_S, _LARGEST_SHIFT_S + 1e-9, _SHIFT_NUDGE_S).tolist(), key=missed)
    return curve.at(at - shift_s) * fit.drive.flc_a, float(shift_s)


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
