"""Constants of the thermal model, and where each of them comes from.

The best that is known of the motor is used, in this order:

running and stopped time constants
  1. `heating_time_constant_s` / `cooling_time_constant_s` of the motor data; with `winding_time_constant_s` two time constants.
  2. the trip class: the one time constant with which IEC 60255-149's cold curve meets 7.2 x setting in the class time (IEC 60947-4-1:
     class C trips within C seconds at 7.2 x from cold). Derived; it describes the relay, so it is taken as the motor's only for want of
     better.
  3. 30 min running (common practice, no source - confirm with motor data).
  Stopped: 3 x running where not given, since a shaft fan at rest blows nothing (2 to 5 is common practice, no source).

heat of a start
  1. locked-rotor ratio^2 x cold stall time: the I2t that takes the motor from cold to its limit, by definition of the stall time (adiabatic
  law
     t = t_stall (I_LR / I)^2, attributed to IEEE Std 242). The hot stall time alone is taken as if it were the cold one, which is
     pessimistic.
  2. 7.2^2 x trip class, the same law at the relay's test point.
  3. class 10, because NEMA MG 1 12.49 asks for 12 s at locked-rotor current from hot of every motor up to 500 hp (from memory - confirm);
     never more than the running model itself would allow.

Stall times are not fitted into a running time constant: with locked rotor 6 x, 20 s cold and 15 s hot the fit gives tau = 177 s and a
pickup of 1.96 x, a motor that cools ten times too fast and never minds an overload.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

from gateway.motors.facts import MotorData

OVERLOAD_RATIO = 1.1
"""Current, x FLC x service factor, that is just not too much for ever (k of IEC 60255-149); common practice 1.05 to 1.15, no source."""
RUNNING_S = 1800.0
"""Running time constant when nothing is known of the motor; common practice, no source - confirm with motor data."""
STOPPED_FACTOR = 3.0
"""Stopped time constant x running one; 2 to 5 is common practice, no source."""
CLASS_TEST_RATIO = 7.2
"""Test point of the trip classes from cold, x setting (IEC 60947-4-1)."""
DEFAULT_CLASS_S = 10.0
WINDING_WEIGHT = 0.5
"""Share of the fast time constant where it is not given; derived for one typical 45 kW motor."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ThermalConstants:
    """Constants of one motor's thermal model.

    weights, running_s, stopped_s: one entry a time constant; the weights add up to 1.
    overload_ratio: k, x FLC.
    start_capacity_flc2s: I2t on the base of FLC that takes a cold motor to its limit [s]; None: starts are heated by the running law alone.
    rated_used: thermal capacity used after a long run at full load, of 1; None: 1/k^2 as the running law has it.
    """

    weights: tuple[float, ...]
    running_s: tuple[float, ...]
    stopped_s: tuple[float, ...]
    overload_ratio: float
    start_capacity_flc2s: float | None
    rated_used: float | None
    source: str


def class_seconds(trip_class: str | None) -> float | None:
    """Return the seconds of a trip class such as "10", "10A" or "class 20"; None when not given; ValueError when it is none.

    >>> class_seconds("10A"), class_seconds("class 30"), class_seconds(None)
    (10.0, 30.0, None)
    """
    if trip_class is None:
        return None
    text = trip_class.strip().lower().removeprefix("class").strip().rstrip("abcdef")
    if text not in {"2", "3", "5", "10", "20", "30", "40"}:
        raise ValueError(f"trip class {trip_class!r} is not known; allowed: 2, 3, 5, 10A, 10, 20, 30, 40")
    return float(text)


def class_time_constant_s(trip_s: float, pickup_ratio: float, test_ratio: float = CLASS_TEST_RATIO) -> float:
    """Return the time constant whose cold curve trips after `trip_s` at `test_ratio` with the given pickup [s].

    Inversion of t = tau ln(m^2 / (m^2 - q^2)); ValueError unless the test current is above the pickup.

    >>> round(class_time_constant_s(10.0, 1.0), 2)
    513.38
    """
    if test_ratio <= pickup_ratio:
        raise ValueError(f"test current {test_ratio} x must be above the pickup {pickup_ratio} x")
    return trip_s / math.log(test_ratio**2 / (test_ratio**2 - pickup_ratio**2))


@lru_cache(maxsize=4096)
def thermal_constants(motor: MotorData) -> ThermalConstants:
    """Return the constants for a motor by the order in the module's text; ValueError for a trip class that is none.

    >>> motor = MotorData(rated_power_kw=45, rated_voltage_v=400, flc_a=80, locked_rotor_ratio=6.0, cold_stall_s=20.0, hot_stall_s=15.0)
    >>> known = thermal_constants(motor)
    >>> known.start_capacity_flc2s, known.rated_used, known.running_s, known.stopped_s
    (720.0, 0.25, (1800.0,), (5400.0,))
    """
    overload = OVERLOAD_RATIO * motor.service_factor
    weights, running, stopped, tau_source = _time_constants(motor, overload)
    capacity, capacity_source = _start_capacity(motor, overload, weights, running)
    rated, rated_source = _rated_used(motor)
    sources = [source for source in (tau_source, capacity_source, rated_source) if source]
    return ThermalConstants(
        weights=weights,
        running_s=running,
        stopped_s=stopped,
        overload_ratio=overload,
        start_capacity_flc2s=capacity,
        rated_used=rated,
        source=f"IEC 60255-149 model, limit {overload:.3g} x FLC; " + "; ".join(sources),
    )


def _time_constants(motor: MotorData, overload: float) -> tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...], str]:
    trip_s = class_seconds(motor.trip_class)
    if motor.heating_time_constant_s is not None:
        slow, source = motor.heating_time_constant_s, "motor data"
    elif motor.cooling_time_constant_s is not None:
        slow, source = motor.cooling_time_constant_s / STOPPED_FACTOR, f"motor data, stopped / {STOPPED_FACTOR:g}"
    elif trip_s is not None:
        slow, source = class_time_constant_s(trip_s, overload), f"trip class {motor.trip_class}, IEC 60947-4-1"
    else:
        slow, source = RUNNING_S, "common practice, no source - confirm with motor data"
    if motor.cooling_time_constant_s is not None:
        factor, stopped_source = motor.cooling_time_constant_s / slow, "motor data"
    else:
        factor, stopped_source = STOPPED_FACTOR, f"{STOPPED_FACTOR:g} x running, common practice, no source"
    fast = motor.winding_time_constant_s
    text = f"time constant running {slow / 60:.3g} min ({source}), stopped {factor * slow / 60:.3g} min ({stopped_source})"
    if fast is None or motor.heating_time_constant_s is None:
        return (1.0,), (slow,), (factor * slow,), text
    weight = WINDING_WEIGHT if motor.winding_weight is None else motor.winding_weight
    text = f"two time constants, winding {fast:.3g} s with weight {weight:.3g}; " + text
    return (weight, 1.0 - weight), (fast, slow), (factor * fast, factor * slow), text


def _start_capacity(
    motor: MotorData, overload: float, weights: tuple[float, ...], running: tuple[float, ...]
) -> tuple[float | None, str]:
    stall_s = motor.cold_stall_s if motor.cold_stall_s is not None else motor.hot_stall_s
    trip_s = class_seconds(motor.trip_class)
    if stall_s is not None and motor.locked_rotor_ratio is not None:
        which = "cold" if motor.cold_stall_s is not None else "hot"
        capacity = float(motor.locked_rotor_ratio**2 * stall_s)
        stall = f"locked rotor {motor.locked_rotor_ratio:.3g} x, {which} stall {stall_s:.3g} s, motor data"
        return capacity, f"a start uses I2t / {capacity:.4g} FLC2s ({stall})"
    if len(weights) > 1:
        return None, "a start heats by the two time constants"
    if trip_s is not None:
        capacity = CLASS_TEST_RATIO**2 * trip_s
        return capacity, f"a start uses I2t / {capacity:.4g} FLC2s (trip class {motor.trip_class})"
    capacity = min(CLASS_TEST_RATIO**2 * DEFAULT_CLASS_S, overload**2 * running[0])
    return capacity, f"a start uses I2t / {capacity:.4g} FLC2s (as trip class 10, common practice, no source - confirm with motor data)"


def _rated_used(motor: MotorData) -> tuple[float | None, str]:
    cold, hot = motor.cold_stall_s, motor.hot_stall_s
    if cold is None or hot is None:
        return None, ""
    if not 0 < hot < cold:
        return None, f"hot stall {hot:.3g} s is not below cold stall {cold:.3g} s and is not used"
    rated = 1.0 - hot / cold
    return rated, f"full load uses {100 * rated:.3g} % (hot / cold stall {hot:.3g} / {cold:.3g} s, motor data)"
