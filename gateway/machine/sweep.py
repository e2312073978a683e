"""Which settings of a soft starter bring a motor up within bounds, and which of them is the gentlest.

Every combination of ramp time, initial voltage and current limit is run up in the same model as a prediction. Gentle means gentle to the
supply first: among the settings inside all bounds the lowest peak line current (in steps of 0.05 x FLC, since less cannot be set), then
the least heat (winding I2t, in steps of 2 %), then the lowest initial voltage and the longest ramp, which jolt the machine least. A gentle
start is not a cool one: against a load, less current means more heat.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from math import inf, log

from gateway.machine.drive import Drive
from gateway.machine.prediction import until_up
from gateway.machine.run_up import RunUpOutcome, run_up
from gateway.machine.soft_starter import SoftStarter

_SAMPLE_S = 0.05
_LONGEST_RUN_S = 60.0
_SAME_PEAK_RATIO = 0.05
_SAME_HEAT = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepRanges:
    """The settings to try: ramp times [s], initial voltages x rated, current limits x FLC."""

    ramp_times_s: tuple[float, ...] = (2.0, 4.0, 6.0, 8.0, 10.0, 15.0, 20.0)
    initial_voltages: tuple[float, ...] = (0.3, 0.4, 0.5, 0.6)
    current_limits: tuple[float, ...] = (2.5, 3.0, 3.5, 4.0, 4.5, 5.0)

    @property
    def count(self) -> int:
        """Return how many combinations there are."""
        return len(self.ramp_times_s) * len(self.initial_voltages) * len(self.current_limits)


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepBounds:
    """What a start may be at most: peak line current x FLC, duration [s], heat as part of the thermal capacity, of 1; inf is no bound."""

    most_current_ratio: float = inf
    longest_s: float = inf
    most_heat: float = inf


class Fit(StrEnum):
    """What a setting does."""

    WITHIN = "within"
    """Reaches speed inside all bounds."""
    OUTSIDE = "outside"
    """Reaches speed, but outside a bound."""
    FAILS = "fails"
    """Does not reach speed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepPoint:
    """One combination. Figures are None when it does not reach speed, but for the current; broken: names of the bounds it breaks."""

    ramp_time_s: float
    initial_voltage_ratio: float
    current_limit_ratio: float
    fit: Fit
    duration_s: float | None
    peak_line_current_ratio: float
    winding_i2t_flc2s: float | None
    rotor_heat_j: float | None
    heat: float | None
    broken: tuple[str, ...] = ()


def sweep(
    drive: Drive,
    ranges: SweepRanges,
    bounds: SweepBounds,
    heat_per_i2t: float,
    *,
    base: SoftStarter | None = None,
    supply_ratio: float = 1.0,
) -> Iterator[SweepPoint]:
    """Yield one point a combination, in the order limits, voltages, ramps.

    heat_per_i2t: thermal capacity used by 1 FLC2s of winding I2t, of 1. base: a soft starter whose other settings (kick) stay.

    >>> from gateway.machine.drive import drive_for
    >>> from gateway.machine.loads import Fan
    >>> from gateway.machine.methods import DirectOnLine
    >>> from gateway.machine.nameplate import EXAMPLE_45_KW
    >>> fan = Fan(rated_torque_nm=0.9 * EXAMPLE_45_KW.rated_torque_nm)
    >>> drive = drive_for(EXAMPLE_45_KW, load=fan, inertia_kg_m2=10.45, method=DirectOnLine())
    >>> ranges = SweepRanges(ramp_times_s=(5.0,), initial_voltages=(0.4,), current_limits=(2.0, 3.5, 5.0))
    >>> points = list(sweep(drive, ranges, SweepBounds(longest_s=7.0), 0.001))
    >>> [(point.current_limit_ratio, point.fit.value) for point in points]
    [(2.0, 'fails'), (3.5, 'outside'), (5.0, 'within')]
    """
    kept = SoftStarter() if base is None else base
    for limit in ranges.current_limits:
        for voltage in ranges.initial_voltages:
            for ramp_s in ranges.ramp_times_s:
                method = replace(kept, initial_voltage_ratio=voltage, ramp_time_s=ramp_s, current_limit_ratio=limit)
                yield _point(replace(drive, method=method), method, bounds, heat_per_i2t, supply_ratio)


def _point(drive: Drive, method: SoftStarter, bounds: SweepBounds, heat_per_i2t: float, supply_ratio: float) -> SweepPoint:
    curve = run_up(drive, supply_ratio=supply_ratio, time_limit_s=_LONGEST_RUN_S, sample_s=_SAMPLE_S, tail_s=0.0)
    reached = curve.outcome is RunUpOutcome.AT_SPEED
    tally, flc = until_up(curve), drive.flc_a
    peak, i2t = tally.peak_line_a / flc, tally.winding_i2t_a2s / flc**2
    heat = i2t * heat_per_i2t
    excess = (
        ("current", peak > bounds.most_current_ratio * (1.0 + 1e-6)),
        ("time", tally.elapsed_s > bounds.longest_s),
        ("heat", heat > bounds.most_heat),
    )
    broken = tuple(name for name, over in excess if over) if reached else ()
    return SweepPoint(
        ramp_time_s=method.ramp_time_s,
        initial_voltage_ratio=method.initial_voltage_ratio,
        current_limit_ratio=method.current_limit_ratio,
        fit=Fit.FAILS if not reached else Fit.OUTSIDE if broken else Fit.WITHIN,
        duration_s=tally.elapsed_s if reached else None,
        peak_line_current_ratio=peak,
        winding_i2t_flc2s=i2t if reached else None,
        rotor_heat_j=tally.rotor_heat_j if reached else None,
        heat=heat if reached else None,
        broken=broken,
    )


def gentlest(points: Sequence[SweepPoint]) -> SweepPoint | None:
    """Return the gentlest point inside all bounds, None when there is none."""
    within = [point for point in points if point.fit is Fit.WITHIN]
    return min(within, key=gentleness, default=None)


def gentleness(point: SweepPoint) -> tuple[int, int, float, float]:
    """Return what settings are ordered by, the gentlest first."""
    peak = round(point.peak_line_current_ratio / _SAME_PEAK_RATIO)
    heat = round(log(max(point.winding_i2t_flc2s or 0.0, 1e-9)) / _SAME_HEAT)
    return (peak, heat, point.initial_voltage_ratio, -point.ramp_time_s)
