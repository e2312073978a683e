"""A sweep over the settings of a soft starter for one starter of the site: ranges, bounds, points and the gentlest, with its reasons."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import isfinite
from pathlib import Path

from gateway.machine.soft_starter import SoftStarter
from gateway.machine.starter_drive import method_of, starter_drive
from gateway.machine.sweep import Fit, SweepBounds, SweepPoint, SweepRanges, gentlest, sweep
from gateway.motors.facts import Method, Starter
from gateway.motors.thermal import thermal_model
from gateway.services.site_data import told_of_site

Json = dict[str, object]

MOST_POINTS = 2000
"""More combinations than this are refused: they would take minutes; own choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingSweep:
    """All points in the order limits, voltages, ramps, and the gentlest inside the bounds (None: there is none)."""

    starter: str
    ranges: SweepRanges
    bounds: SweepBounds
    points: tuple[SweepPoint, ...]
    best: SweepPoint | None
    answer: str


def usual_bounds(starter: Starter) -> SweepBounds:
    """Return the bounds where the user gives none: the longest start the recogniser knows, and heat that a hot motor can still take."""
    return SweepBounds(longest_s=starter.thresholds.max_start_s, most_heat=1.0 - thermal_model(starter).rated_used)


def sweep_settings(
    starter: Starter,
    file: Path,
    ranges: SweepRanges,
    bounds: SweepBounds,
    *,
    supply_ratio: float = 1.0,
    advance: Callable[[], None] = lambda: None,
) -> SettingSweep:
    """Return the sweep of a starter's motor by a soft starter, with the starter's own kick; `advance` is called after every combination.

    InputError naming the entry of the site file that is missing or cannot be.
    """

    def work() -> tuple[SweepPoint, ...]:
        drive = starter_drive(starter).drive
        own = method_of(Method.SOFT_STARTER, starter.device, drive)
        base = own if isinstance(own, SoftStarter) else None
        found = []
        for point in sweep(drive, ranges, bounds, thermal_model(starter).start_heat(1.0), base=base, supply_ratio=supply_ratio):
            found.append(point)
            advance()
        return tuple(found)

    points = told_of_site(starter, file, work)
    best = gentlest(points)
    return SettingSweep(
        starter=starter.name, ranges=ranges, bounds=bounds, points=points, best=best, answer=_answer(points, best, bounds)
    )


def setting_words(point: SweepPoint) -> str:
    """Return the settings of a point in words.

    >>> point = SweepPoint(ramp_time_s=6.0, initial_voltage_ratio=0.4, current_limit_ratio=3.5, fit=Fit.WITHIN, duration_s=9.0,
    ...     peak_line_current_ratio=3.5, winding_i2t_flc2s=105.0, rotor_heat_j=1.7e5, heat=0.07)
    >>> setting_words(point)
    'ramp 6 s, initial voltage 40 %, current limit 3.5 x FLC'
    """
    return (
        f"ramp {point.ramp_time_s:g} s, initial voltage {100 * point.initial_voltage_ratio:.0f} %,"
        f" current limit {point.current_limit_ratio:g} x FLC"
    )


def bound_words(bounds: SweepBounds) -> str:
    """Return the bounds in words.

    >>> bound_words(SweepBounds(most_current_ratio=4.0, longest_s=15.0))
    'at most 4 x FLC, at most 15 s'
    """
    words = []
    if isfinite(bounds.most_current_ratio):
        words.append(f"at most {bounds.most_current_ratio:g} x FLC")
    if isfinite(bounds.longest_s):
        words.append(f"at most {bounds.longest_s:g} s")
    if isfinite(bounds.most_heat):
        words.append(f"at most {100 * bounds.most_heat:.0f} % of the thermal capacity a start")
    return ", ".join(words) or "no bound"


def _answer(points: tuple[SweepPoint, ...], best: SweepPoint | None, bounds: SweepBounds) -> str:
    within = sum(1 for point in points if point.fit is Fit.WITHIN)
    failing = sum(1 for point in points if point.fit is Fit.FAILS)
    if best is not None:
        return (
            f"Gentlest inside the bounds: {setting_words(best)}. Up in {best.duration_s or 0.0:.1f} s, peak"
            f" {best.peak_line_current_ratio:.1f} x FLC, {100 * (best.heat or 0.0):.0f} % of the thermal capacity."
            f" {within} of {len(points)} settings keep the bounds, {failing} do not reach speed."
        )
    if failing == len(points):
        return f"None of the {len(points)} settings reaches speed: raise the current limits or the initial voltages."
    missed = [name for name in ("current", "time", "heat") if any(name in point.broken for point in points)]
    return (
        f"No setting keeps the bounds ({bound_words(bounds)}): {len(points) - failing} of {len(points)} reach speed,"
        f" and break the bound of {' or '.join(missed)}."
    )


def as_json(found: SettingSweep) -> Json:
    """Return the sweep as JSON; a bound that is not set is null."""

    def told(point: SweepPoint) -> Json:
        return {
            "ramp_time_s": point.ramp_time_s,
            "initial_voltage_ratio": point.initial_voltage_ratio,
            "current_limit_ratio": point.current_limit_ratio,
            "fit": point.fit.value,
            "broken": list(point.broken),
            "duration_s": point.duration_s,
            "peak_line_current_ratio": point.peak_line_current_ratio,
            "winding_i2t_flc2s": point.winding_i2t_flc2s,
            "rotor_heat_j": point.rotor_heat_j,
            "heat": point.heat,
        }

    def bound(value: float) -> float | None:
        return value if isfinite(value) else None

    return {
        "bounds": {
            "most_current_ratio": bound(found.bounds.most_current_ratio),
            "longest_s": bound(found.bounds.longest_s),
            "most_heat": bound(found.bounds.most_heat),
        },
        "gentlest": None if found.best is None else told(found.best),
        "answer": found.answer,
        "points": [told(point) for point in found.points],
    }
