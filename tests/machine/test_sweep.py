from __future__ import annotations

from dataclasses import replace

import pytest

from gateway.machine.run_up import RunUpOutcome, run_up
from gateway.machine.soft_starter import SoftStarter
from gateway.machine.sweep import Fit, SweepBounds, SweepPoint, SweepRanges, gentlest, sweep
from tests.machine.examples import fan_drive

RANGES = SweepRanges(ramp_times_s=(4.0, 10.0), initial_voltages=(0.3, 0.5), current_limits=(1.8, 3.0, 4.0))
POINT = SweepPoint(
    ramp_time_s=10.0,
    initial_voltage_ratio=0.4,
    current_limit_ratio=3.5,
    fit=Fit.WITHIN,
    duration_s=9.0,
    peak_line_current_ratio=3.5,
    winding_i2t_flc2s=100.0,
    rotor_heat_j=1.7e5,
    heat=0.07,
)


def test_every_combination_is_tried_once_in_order() -> None:
    points = list(sweep(fan_drive(), RANGES, SweepBounds(), 0.001))
    assert len(points) == RANGES.count == 12
    settings = [(point.current_limit_ratio, point.initial_voltage_ratio, point.ramp_time_s) for point in points]
    assert settings == sorted(settings)
    assert {point.fit for point in points if point.current_limit_ratio == 1.8} == {Fit.FAILS}
    assert {point.fit for point in points if point.current_limit_ratio > 1.8} == {Fit.WITHIN}


def test_a_point_is_the_run_up_of_a_prediction() -> None:
    ranges = SweepRanges(ramp_times_s=(10.0,), initial_voltages=(0.4,), current_limits=(3.5,))
    (point,) = sweep(fan_drive(), ranges, SweepBounds(), 0.001)
    curve = run_up(fan_drive(SoftStarter(initial_voltage_ratio=0.4, ramp_time_s=10.0, current_limit_ratio=3.5)))
    assert curve.outcome is RunUpOutcome.AT_SPEED
    assert curve.current_fell_s is not None
    assert point.duration_s == pytest.approx(curve.current_fell_s, rel=2e-3)
    assert point.winding_i2t_flc2s is not None
    assert point.heat == pytest.approx(0.001 * point.winding_i2t_flc2s)
    assert point.peak_line_current_ratio == pytest.approx(3.5, rel=1e-3)


@pytest.mark.parametrize(
    ("bounds", "broken"),
    [
        (SweepBounds(most_current_ratio=3.5), ("current",)),
        (SweepBounds(longest_s=5.0), ("time",)),
        (SweepBounds(most_heat=0.05), ("heat",)),
        (SweepBounds(most_current_ratio=3.5, longest_s=5.0, most_heat=0.05), ("current", "time", "heat")),
    ],
)
def test_a_bound_that_is_broken_is_named(bounds: SweepBounds, broken: tuple[str, ...]) -> None:
    ranges = SweepRanges(ramp_times_s=(4.0,), initial_voltages=(0.5,), current_limits=(4.0,))
    (point,) = sweep(fan_drive(), ranges, bounds, 0.001)
    assert point.fit is Fit.OUTSIDE
    assert point.broken == broken


def test_the_kick_of_the_starter_stays() -> None:
    ranges = SweepRanges(ramp_times_s=(6.0,), initial_voltages=(0.3,), current_limits=(3.0,))
    (plain,) = sweep(fan_drive(), ranges, SweepBounds(), 0.001)
    (kicked,) = sweep(fan_drive(), ranges, SweepBounds(), 0.001, base=SoftStarter(kick_voltage_ratio=0.8, kick_time_s=0.4))
    assert kicked.peak_line_current_ratio > plain.peak_line_current_ratio + 1.0


def test_less_current_takes_longer_and_heats_more() -> None:
    ranges = SweepRanges(ramp_times_s=(2.0,), initial_voltages=(0.5,), current_limits=(2.5, 3.0, 4.0, 5.0))
    points = list(sweep(fan_drive(), ranges, SweepBounds(), 0.001))
    assert all(point.fit is Fit.WITHIN for point in points)
    times = [point.duration_s or 0.0 for point in points]
    heats = [point.heat or 0.0 for point in points]
    assert times == sorted(times, reverse=True)
    assert heats == sorted(heats, reverse=True)


def test_the_gentlest_has_the_least_current_then_the_least_heat_then_the_softest_begin() -> None:
    less_current = replace(POINT, current_limit_ratio=3.0, peak_line_current_ratio=3.0, winding_i2t_flc2s=120.0)
    less_heat = replace(POINT, ramp_time_s=4.0, winding_i2t_flc2s=80.0)
    softer = replace(POINT, initial_voltage_ratio=0.3, winding_i2t_flc2s=100.1)
    longer = replace(softer, ramp_time_s=15.0)
    assert gentlest([POINT, less_current]) is less_current
    assert gentlest([POINT, less_heat]) is less_heat
    assert gentlest([POINT, softer]) is softer
    assert gentlest([softer, longer]) is longer
    assert gentlest([replace(less_current, fit=Fit.OUTSIDE), replace(POINT, fit=Fit.FAILS)]) is None
    assert gentlest([]) is None
