"""Where the constants come from, and the trip-class arithmetic."""

from __future__ import annotations

import math

import pytest

from gateway.motors.thermal_constants import class_seconds, class_time_constant_s, thermal_constants
from tests.motors.past import starter


# Single time constant anchored to a class, pickup 1.00 at 7.2 x (computed): tau = 51.338 x class.
@pytest.mark.parametrize(("trip_s", "tau_s"), [(10.0, 513.38), (20.0, 1026.77), (30.0, 1540.15)])
def test_time_constant_of_a_trip_class(trip_s: float, tau_s: float) -> None:
    assert class_time_constant_s(trip_s, 1.0) == pytest.approx(tau_s, abs=0.005)


def test_time_constant_at_the_nema_test_point() -> None:
    # NEMA ICS 2 classes at 6 x: tau = 35.498 x class for pickup 1 (computed).
    assert class_time_constant_s(1.0, 1.0, 6.0) == pytest.approx(35.498, abs=5e-4)


# The class 10 curve that follows (computed).
@pytest.mark.parametrize(("ratio", "trip_s"), [(1.2, 608.7), (1.5, 301.8), (2.0, 147.7), (3.0, 60.5), (6.0, 14.5)])
def test_class_10_curve(ratio: float, trip_s: float) -> None:
    tau_s = class_time_constant_s(10.0, 1.0)
    assert tau_s * math.log(ratio**2 / (ratio**2 - 1.0)) == pytest.approx(trip_s, abs=0.06)


def test_a_test_current_below_the_pickup_is_refused() -> None:
    with pytest.raises(ValueError, match="above the pickup"):
        class_time_constant_s(10.0, 1.2, 1.1)


@pytest.mark.parametrize(("text", "seconds"), [("2", 2.0), ("10A", 10.0), (" Class 20 ", 20.0), ("30E", 30.0), (None, None)])
def test_class_texts(text: str | None, seconds: float | None) -> None:
    assert class_seconds(text) == seconds


@pytest.mark.parametrize("text", ["", "11", "fast", "10.5"])
def test_class_texts_that_are_none(text: str) -> None:
    with pytest.raises(ValueError, match="allowed: 2, 3, 5, 10A, 10, 20, 30, 40"):
        class_seconds(text)


def test_given_time_constants_come_first() -> None:
    known = thermal_constants(starter(heating_time_constant_s=1500.0, cooling_time_constant_s=4000.0, trip_class="20").motor)
    assert (known.running_s, known.stopped_s) == ((1500.0,), (4000.0,))
    assert known.start_capacity_flc2s == pytest.approx(51.84 * 20.0)
    assert "motor data" in known.source and "trip class 20" in known.source


def test_a_cooling_time_constant_alone_gives_the_running_one() -> None:
    known = thermal_constants(starter(cooling_time_constant_s=5400.0).motor)
    assert (known.running_s, known.stopped_s) == ((1800.0,), (5400.0,))


def test_a_trip_class_gives_both() -> None:
    known = thermal_constants(starter(trip_class="10").motor)
    assert known.running_s[0] == pytest.approx(10.0 / math.log(51.84 / (51.84 - 1.21)))
    assert known.stopped_s[0] == pytest.approx(3.0 * known.running_s[0])


def test_nothing_known_is_said_in_the_source() -> None:
    known = thermal_constants(starter().motor)
    assert (known.running_s, known.stopped_s, known.rated_used) == ((1800.0,), (5400.0,), None)
    assert known.start_capacity_flc2s == pytest.approx(518.4)
    assert known.source.count("no source - confirm with motor data") == 2


def test_a_short_given_time_constant_bounds_the_default_capacity() -> None:
    assert thermal_constants(starter(heating_time_constant_s=300.0).motor).start_capacity_flc2s == pytest.approx(1.21 * 300.0)


def test_two_time_constants_need_the_slow_one() -> None:
    pair = thermal_constants(starter(heating_time_constant_s=2087.0, cooling_time_constant_s=6261.0, winding_time_constant_s=258.0).motor)
    assert (pair.weights, pair.running_s, pair.start_capacity_flc2s) == ((0.5, 0.5), (258.0, 2087.0), None)
    assert pair.stopped_s == pytest.approx((774.0, 6261.0))
    assert thermal_constants(starter(winding_time_constant_s=258.0).motor).weights == (1.0,)


def test_the_hot_stall_time_alone_is_taken_as_the_cold_one() -> None:
    known = thermal_constants(starter(locked_rotor_ratio=6.0, hot_stall_s=12.0).motor)
    assert (known.start_capacity_flc2s, known.rated_used) == (432.0, None)
    assert "hot stall 12 s" in known.source


def test_a_hot_stall_time_that_is_not_shorter_is_not_used_and_said() -> None:
    known = thermal_constants(starter(locked_rotor_ratio=6.0, cold_stall_s=12.0, hot_stall_s=12.0).motor)
    assert known.rated_used is None
    assert "is not below cold stall" in known.source


def test_service_factor_raises_the_limit() -> None:
    assert thermal_constants(starter(service_factor=1.15).motor).overload_ratio == pytest.approx(1.265)
