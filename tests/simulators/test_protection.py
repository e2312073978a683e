"""The device's thermal figure against trip times worked out from its own equation, and the trips."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from simulators.protection import Protection, ProtectionSettings, Seen, ThermalFigure, Trip


def time_to_full_s(ratio: float, before: float = 0.0) -> float:
    """Return the time to 100 % from a long run at `before` x FLC, in steps of 10 ms."""
    figure = ThermalFigure(ProtectionSettings())
    if before:
        figure.pass_time(1e6, before, running=True)
    spent = 0.0
    while figure.used_pct < 100.0:
        figure.pass_time(0.01, ratio, running=True)
        spent += 0.01
    return spent


@pytest.mark.parametrize(
    ("ratio", "cold_s", "hot_s"),
    # Worked out from w = 0.5, 258 s and 2087 s, 100 % at 1.21 FLC^2: cold, and from a long run at FLC.
    [(1.5, 507.0, 89.8), (2.0, 188.6, 34.1), (3.5, 49.4, 8.7), (7.0, 11.6, 2.0)],
)
def test_trip_times(ratio: float, cold_s: float, hot_s: float) -> None:
    assert time_to_full_s(ratio) == pytest.approx(cold_s, rel=0.003)
    assert time_to_full_s(ratio, before=1.0) == pytest.approx(hot_s, rel=0.03)


def test_the_figure_does_not_depend_on_the_step() -> None:
    fine, coarse = ThermalFigure(ProtectionSettings()), ThermalFigure(ProtectionSettings())
    for _ in range(1000):
        fine.pass_time(0.1, 0.9, running=True)
    coarse.pass_time(100.0, 0.9, running=True)
    assert fine.used_pct == pytest.approx(coarse.used_pct, rel=1e-9)


def test_cooling_at_standstill_is_three_times_slower() -> None:
    settings = ProtectionSettings(fast_weight=1.0)
    still, turning = ThermalFigure(settings), ThermalFigure(settings)
    for figure, running in ((still, False), (turning, True)):
        figure.pass_time(1e6, 1.0, running=True)
        figure.pass_time(258.0, 0.0, running=running)
    assert turning.used_pct == pytest.approx(100 / 1.21 * math.exp(-1))
    assert still.used_pct == pytest.approx(100 / 1.21 * math.exp(-1 / 3))


def judged(protection: Protection, seconds: float, ratio: float, speed: float, *, starting: bool, running: bool = True) -> list[Trip]:
    seen = Seen(current_ratio=ratio, speed_ratio=speed, running=running, starting=starting)
    return [protection.judge(0.02, seen) for _ in range(round(seconds * 50))]


def test_stall_start_time_and_overload() -> None:
    assert judged(Protection(ProtectionSettings(stall_s=2.0)), 2.1, 3.5, 0.0, starting=True).count(Trip.NONE) in (99, 100)
    slow = judged(Protection(ProtectionSettings(max_start_s=3.0)), 3.1, 3.5, 0.5, starting=True)
    assert set(slow) == {Trip.NONE, Trip.START_TIME}
    hot = judged(Protection(ProtectionSettings()), 12.0, 7.0, 1.0, starting=False)
    assert set(hot) == {Trip.NONE, Trip.OVERLOAD}


def test_what_is_switched_off_does_not_trip() -> None:
    none = ProtectionSettings(overload=False, max_start_s=None, stall_s=None)
    assert set(judged(Protection(none), 60.0, 7.0, 0.0, starting=True)) == {Trip.NONE}
    assert set(judged(Protection(ProtectionSettings()), 60.0, 7.0, 0.0, starting=False, running=False)) == {Trip.NONE}


def test_an_overload_resets_only_when_cool() -> None:
    protection = Protection(ProtectionSettings())
    judged(protection, 12.0, 7.0, 1.0, starting=False)
    assert not protection.may_reset(Trip.OVERLOAD)
    assert protection.may_reset(Trip.EXTERNAL)
    protection.judge(900.0, Seen(current_ratio=0.0, speed_ratio=0.0, running=False, starting=False))
    assert protection.may_reset(Trip.OVERLOAD)


RUNS = Seen(current_ratio=0.9, speed_ratio=1.0, running=True, starting=False)


def lasting(settings: ProtectionSettings, seen: Seen, seconds: float) -> tuple[float, Trip] | None:
    """Return after which time [s] the protection trips, and why; None when it does not."""
    protection = Protection(settings)
    for number in range(1, round(seconds * 50) + 1):
        trip = protection.judge(0.02, seen)
        if trip is not Trip.NONE:
            return round(number * 0.02, 6), trip
    return None


@pytest.mark.parametrize(
    ("settings", "seen", "expected"),
    [
        (ProtectionSettings(), replace(RUNS, shares=(1.0, 0.0, 1.0)), (1.0, Trip.PHASE_LOSS)),
        (ProtectionSettings(phase_loss_s=None), replace(RUNS, shares=(1.0, 0.0, 1.0)), None),
        (ProtectionSettings(), replace(RUNS, shares=(1.2, 0.8, 1.0)), None),
        (ProtectionSettings(unbalance_ratio=0.1, unbalance_s=3.0), replace(RUNS, shares=(1.2, 0.8, 1.0)), (3.0, Trip.UNBALANCE)),
        (ProtectionSettings(unbalance_ratio=0.3), replace(RUNS, shares=(1.2, 0.8, 1.0)), None),
        (ProtectionSettings(), replace(RUNS, voltage_ratio=0.7), None),
        (ProtectionSettings(undervoltage_ratio=0.8), replace(RUNS, voltage_ratio=0.7), (1.0, Trip.UNDERVOLTAGE)),
        (ProtectionSettings(hot_winding_degc=150.0), replace(RUNS, winding_degc=151.0), (0.02, Trip.HOT_WINDING)),
        (ProtectionSettings(hot_winding_degc=150.0), replace(RUNS, winding_degc=149.0), None),
        (ProtectionSettings(hot_winding_degc=150.0), RUNS, None),
        # Without current no line is missing: the open gap of a star-delta starter.
        (ProtectionSettings(), replace(RUNS, current_ratio=0.0, shares=(1.0, 0.0, 1.0)), None),
    ],
)
def test_what_the_supply_and_the_winding_do(settings: ProtectionSettings, seen: Seen, expected: tuple[float, Trip] | None) -> None:
    assert lasting(settings, seen, 10.0) == expected


def test_a_pause_begins_the_time_anew() -> None:
    protection = Protection(ProtectionSettings())
    lost = replace(RUNS, shares=(1.0, 1.0, 0.0))
    for _ in range(20):
        assert protection.judge(0.5, lost) is Trip.NONE
        assert protection.is_timing
        assert protection.judge(0.02, RUNS) is Trip.NONE
        assert not protection.is_timing
