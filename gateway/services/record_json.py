"""Records in the shapes that commands print and others build on: fields are added, never renamed. Instants ISO 8601 UTC, ratios x FLC."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from gateway.instants import Instant, seconds_between, to_iso
from gateway.motors.drift_terms import Drift
from gateway.motors.outlook_terms import Outlook
from gateway.motors.records import Budget, LimitVerdict, Start, Stop

Json = dict[str, Any]


def start_json(start: Start) -> Json:
    """Return a start in the published shape, without its curve."""
    rating = start.equivalent_rating
    return {
        "number": start.number,
        "began_at": to_iso(start.began_at),
        "ended_at": to_iso(start.ended_at),
        "outcome": start.outcome.value,
        "began_error_s": start.began_error_s,
        "duration_s": start.duration_s,
        "duration_error_s": start.duration_error_s,
        "peak_current_a": start.peak_current_a,
        "peak_ratio": start.peak_ratio,
        "steady_peak_current_a": start.steady_peak_current_a,
        "i2t_a2s": start.i2t_a2s,
        "i2t_flc2s": start.i2t_flc2s,
        "i2t_error_pct": start.i2t_error_pct,
        "winding_i2t_flc2s": start.winding_i2t_flc2s,
        "mean_current_a": start.mean_current_a,
        "equivalent_rating": None if rating is None else {"x": rating.x, "t_s": rating.t_s},
        "at_speed_current_a": start.at_speed_current_a,
        "unbalance_pct": start.unbalance_pct,
        "thermal_before": start.heat_before,
        "thermal_after": start.heat_after,
        "trip_code": start.trip_code,
        "samples": start.samples,
        "quality": start.quality.name.lower(),
        "remark": start.remark,
        "peak_error_pct": start.peak_error_pct,
        "rms_current_a": start.rms_current_a,
        "lowest_voltage_v": start.lowest_voltage_v,
        "voltage_dip_pct": start.voltage_dip_pct,
        "voltage_dip_error_pct": start.voltage_dip_error_pct,
        "command_to_begin_s": start.command_to_begin_s,
        "command_to_speed_s": start.command_to_speed_s,
        "command_error_s": start.command_error_s,
        "shape": None if start.shape is None else asdict(start.shape) | {"form": start.shape.form.value},
        "direct_estimate": None if start.direct is None else asdict(start.direct),
    }


def stop_json(stop: Stop) -> Json:
    """Return a stop in the published shape."""
    return {
        "began_at": to_iso(stop.began_at),
        "ended_at": to_iso(stop.ended_at),
        "kind": stop.kind.value,
        "run_began_at": _iso(stop.run_began_at),
        "trip_code": stop.trip_code,
    }


def drift_json(drift: Drift) -> Json:
    """Return a drift: the figure, its baseline and where it is now, and where to look."""
    return {
        "figure": drift.figure.value,
        "starts_from": drift.begun.value,
        "baseline": drift.baseline,
        "now": drift.now,
        "unit": drift.unit,
        "since_at": to_iso(drift.since_at),
        "starts": drift.starts,
        "text": drift.text,
        "hint": drift.hint,
    }


def budget_json(budget: Budget) -> Json:
    """Return a budget in the published shape, with its outlook where it has one."""
    return {
        "as_of": to_iso(budget.as_of),
        "starts_left": budget.starts_left,
        "next_start_at": _iso(budget.next_start_at),
        "wait_s": None if budget.next_start_at is None else max(0.0, seconds_between(budget.as_of, budget.next_start_at)),
        "deciding_limit": None if budget.deciding_limit is None else budget.deciding_limit.value,
        "quality": budget.quality.name.lower(),
        "reason": budget.reason,
        "limits": [_limit(verdict) for verdict in budget.limits],
        "outlook": None if budget.outlook is None else _outlook(budget.outlook),
    }


def _outlook(outlook: Outlook) -> Json:
    made, sustained = outlook.if_started, outlook.sustained
    return {
        "runner_up": None if outlook.runner_up is None else outlook.runner_up.value,
        "decides_by_s": outlook.decides_by_s,
        "decides_by_starts": outlook.decides_by_starts,
        "heat": [{"at": to_iso(at), "thermal_used": used} for at, used in outlook.heat],
        "if_started_now": {
            "thermal_before": made.heat_before,
            "thermal_after": made.heat_after,
            "over_by": made.over_by,
            "broken_limits": [limit.value for limit in made.broken],
            "next_start_at": _iso(made.next_start_at),
            "estimated": made.estimated,
        },
        "sustained": None
        if sustained is None
        else {
            "run_s": sustained.run_s,
            "run_ratio": sustained.run_ratio,
            "starts_per_hour": {limit.value: rate for limit, rate in sustained.starts_per_hour.items()},
        },
    }


def _limit(verdict: LimitVerdict) -> Json:
    return {
        "limit": verdict.limit.value,
        "source": verdict.source,
        "starts_left": verdict.starts_left,
        "next_start_at": _iso(verdict.next_start_at),
        "wait_s": verdict.wait_s,
        "reason": verdict.reason,
        "allowed": verdict.allowed,
        "used": verdict.used,
        "certain": verdict.certain,
    }


def _iso(at: Instant | None) -> str | None:
    return None if at is None else to_iso(at)
