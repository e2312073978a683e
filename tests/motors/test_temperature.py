"""Ambient and winding temperature on top of the thermal model, and unbalance weighted into the heat of the watch."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from hypothesis import given as cases
from hypothesis import strategies as st

from gateway.instants import HOUR, MINUTE, SECOND
from gateway.motors.facts import LimitSettings, Starter
from gateway.motors.history import HeatState
from gateway.motors.reading import Quality, Reading, Scalar
from gateway.motors.records import Budget, LimitName
from gateway.motors.temperature import HOT_SPOT_K, RATED_AMBIENT_C, RATED_RISE_K, SETTLED_S, ambient_used, winding_used
from gateway.motors.thermal import thermal_model
from gateway.motors.unbalance import heating_square, k_for
from gateway.motors.watch import Watch
from tests.motors.past import T0
from tests.motors.strips import FLC_A, OFF, RAMPS, SPEED, Piece, falling, fold, starter, strip

MODEL = thermal_model(starter())
PAIR = thermal_model(replace(starter(), motor=replace(starter().motor, heating_time_constant_s=2087.0, winding_time_constant_s=258.0)))


def limited() -> Starter:
    return replace(starter(), limits=LimitSettings(cold_hot=True))


def of(budget: Budget, limit: LimitName) -> tuple[int | None, float | None]:
    """Return starts left and wait of one limit."""
    (verdict,) = [verdict for verdict in budget.limits if verdict.limit is limit]
    return verdict.starts_left, verdict.wait_s


# The figures themselves. 40 degC and 80 K are of IEC 60034-1 (from memory - confirm).


def test_rated_rise_at_rated_ambient_is_rated_load() -> None:
    assert winding_used(RATED_AMBIENT_C + RATED_RISE_K, 0.8264) == pytest.approx(0.8264)
    assert winding_used(RATED_AMBIENT_C, 0.8264) == winding_used(-20.0, 0.8264) == 0.0


@pytest.mark.parametrize(("ambient_c", "used"), [(14.0, 0.0), (40.0, 0.0), (48.0, 0.1), (60.0, 0.25), (120.0, 1.0)])
def test_each_kelvin_of_ambient_is_one_of_rise(ambient_c: float, used: float) -> None:
    assert ambient_used(ambient_c, 1.0) == pytest.approx(used)


# In the model.


@cases(st.floats(0.0, 1.2), st.floats(0.0, 1.2), st.booleans())
def test_no_less_than_measured_and_never_less_than_before(used: float, measured: float, pair: bool) -> None:
    model = PAIR if pair else MODEL
    raised = model.at_least(model.warm(T0, used), measured)
    assert model.used(raised) == pytest.approx(max(used, measured))
    assert raised.certain


@pytest.mark.parametrize("model", [MODEL, PAIR])
def test_a_hot_ambient_counts_and_does_not_cool_away(model: object) -> None:
    assert isinstance(model, type(MODEL))
    state = replace(model.warm(T0, 0.5), ambient=0.1)
    assert model.used(state) == pytest.approx(0.6)
    later = model.after(state, T0 + 24 * HOUR, 0.0, False)
    assert later.ambient == 0.1 and model.used(later) == pytest.approx(0.1, abs=1e-4)
    assert model.used_when_stopped(state, T0 + 24 * HOUR) == pytest.approx(0.1, abs=1e-4)
    assert model.cooled_to(state, 0.1) is None, "never below what the ambient uses"
    at = model.cooled_to(state, 0.4)
    assert at is not None and model.used_when_stopped(state, at) == pytest.approx(0.4, abs=1e-6)
    bare = model.cooled_to(model.warm(T0, 0.5), 0.3)
    assert bare == at
    assert model.cooled_to(state, 0.6) == T0
    assert model.charged(state, 0.2).ambient == model.after(state, T0 + SECOND, None, True).ambient == 0.1
    hot = model.after(state, T0 + SECOND, 6.0, True)
    assert hot.ambient == 0.1


# Through the watch.

STAND = {"running": False, "starting": False, "at_speed": False, "stopping": False, "tripped": False}


def standing(seconds: int, every_s: int = 5, from_s: int = 0, **values: Scalar) -> list[Reading]:
    return [Reading((from_s + at) * SECOND, {"current": 0.0, **STAND, **values}) for at in range(0, seconds, every_s)]


def test_without_temperatures_the_past_stays_unknown_for_hours() -> None:
    watch = Watch(limited())
    fold(watch, standing(3600))
    assert watch.history().heat.certain is False


def test_a_cold_winding_after_five_minutes_makes_the_past_known() -> None:
    watch = Watch(limited())
    fold(watch, standing(int(SETTLED_S) - 20, winding_temperature=22.0))
    assert watch.history().heat.certain is False, "a sensor lags: not yet"
    fold(watch, standing(60, from_s=int(SETTLED_S), winding_temperature=22.0))
    live = watch.live()
    assert (live.heat_quality, live.heat) == (Quality.GOOD, pytest.approx(0.0))
    assert of(watch.budget(watch.live().at or 0), LimitName.COLD_HOT) == (2, 0.0)


def test_a_warm_winding_makes_it_known_too_with_an_allowance() -> None:
    watch = Watch(limited())
    fold(watch, standing(int(SETTLED_S) + 60, winding_temperature=70.0))
    expected = winding_used(70.0 + HOT_SPOT_K, MODEL.rated_used)
    assert watch.live().heat == pytest.approx(expected, rel=0.02)
    assert watch.live().heat_quality is Quality.GOOD


def test_a_running_motor_is_never_made_cooler_by_its_sensor() -> None:
    with_sensor, without = Watch(limited()), Watch(limited())
    pieces = [Piece(10.0, 0.0, OFF), Piece(5.0, 3.5, RAMPS), Piece(0.6, falling(3.5, 0.9, 0.6), RAMPS), Piece(600.0, 0.9, SPEED)]
    for reading in strip(pieces, 0.5):
        without.take(reading)
        with_sensor.take(Reading(reading.at, {**reading.values, "winding_temperature": 25.0}))
    assert with_sensor.live().heat == pytest.approx(without.live().heat)


def test_a_winding_hotter_than_its_current_says_counts() -> None:
    # Blocked cooling: half load, and 150 degC all the same.
    watch = Watch(limited())
    values: dict[str, Scalar] = {"winding_temperature": 150.0}
    fold(watch, standing(30))
    pieces = [Piece(5.0, 3.5, RAMPS, values), Piece(0.6, falling(3.5, 0.5, 0.6), RAMPS, values), Piece(120.0, 0.5, SPEED, values)]
    fold(watch, strip(pieces, 0.5, from_at=31 * SECOND))
    heat = watch.live().heat
    assert heat is not None and heat >= winding_used(150.0, MODEL.rated_used) * 0.98


def test_a_hot_ambient_takes_starts_away() -> None:
    cool, hot = Watch(limited()), Watch(limited())
    fold(cool, standing(int(SETTLED_S) + 60, winding_temperature=30.0, ambient_temperature=30.0))
    fold(hot, standing(int(SETTLED_S) + 60, winding_temperature=60.0, ambient_temperature=60.0))
    assert cool.history().heat.ambient == 0.0
    assert hot.history().heat.ambient == pytest.approx(ambient_used(60.0, MODEL.rated_used))
    at = cool.live().at or 0
    left = [of(watch.budget(at), LimitName.THERMAL_CAPACITY)[0] for watch in (cool, hot)]
    assert left[0] is not None and left[1] is not None and left[0] > left[1]
    again = Watch.restored(hot.starter, json.loads(json.dumps(hot.snapshot())))
    assert again.history() == hot.history()


def test_an_ambient_that_is_read_seldom_holds() -> None:
    watch = Watch(limited())
    fold(watch, standing(60, ambient_temperature=56.0))
    fold(watch, standing(3600, from_s=60))
    assert watch.history().heat.ambient == pytest.approx(ambient_used(56.0, MODEL.rated_used))


def test_a_bad_temperature_changes_nothing() -> None:
    watch, plain = Watch(limited()), Watch(limited())
    fold(watch, standing(600, winding_temperature="hot"))
    fold(plain, standing(600))
    assert watch.history().heat == plain.history().heat


# Unbalance: Ieq^2 = I1^2 + K I2^2.


def currents(a: float, b: float, c: float) -> dict[str, Scalar]:
    return {"current_l1": a, "current_l2": b, "current_l3": c}


def run_heat(phases: dict[str, Scalar], minutes: int = 30, every_s: float = 1.0) -> float:
    watch = Watch(starter())
    fold(watch, [Reading(0, {"current": 0.0, **STAND})])
    at_s = 1.0
    while at_s < 60 * minutes:
        watch.take(Reading(round(at_s * SECOND), {**phases, **SPEED}))
        at_s += every_s
    return watch.live().heat or 0.0


def driven(square: float, minutes: int = 30) -> float:
    """Return the heat that a balanced current of that square [FLC^2] ends at, by the model alone from the watch's own begin."""
    state: HeatState = MODEL.initial(0)
    return MODEL.used(MODEL.after(state, minutes * MINUTE, square**0.5, True))


@pytest.mark.parametrize("phases", [(72.0, 72.0, 72.0), (76.0, 72.0, 68.0), (79.0, 72.0, 65.0)])
def test_the_watch_heats_by_the_equivalent_current(phases: tuple[float, float, float]) -> None:
    square = heating_square(*phases, k_for(starter().motor)) / FLC_A**2
    assert run_heat(currents(*phases)) == pytest.approx(driven(square), rel=0.01)


def test_unbalance_heats_more_than_the_mean_says() -> None:
    assert run_heat(currents(80.0, 72.0, 64.0)) > run_heat(currents(72.0, 72.0, 72.0)) * 1.005


def test_two_phases_heat_as_two_and_a_lost_one() -> None:
    # I1 = I2 = I / sqrt 3, so Ieq^2 = I^2 (1 + K) / 3; the model reaches its limit in minutes at 1.5 x FLC.
    k = k_for(starter().motor)
    lost = 1.5 * FLC_A
    assert heating_square(lost, lost, 0.0, k) == pytest.approx(lost**2 * (1.0 + k) / 3.0)
    assert run_heat(currents(lost, lost, 0.0), minutes=10) > 1.0


@cases(st.floats(0.0, 200.0), st.floats(0.0, 200.0), st.floats(0.0, 200.0), st.floats(1.0, 10.0))
def test_the_equivalent_current_is_no_less_than_the_true_heat_of_three_windings(a: float, b: float, c: float, k: float) -> None:
    square = heating_square(a, b, c, k)
    assert square >= (a * a + b * b + c * c) / 3.0 * (1.0 - 1e-9)
    assert square <= (1.0 + k) * max(a, b, c) ** 2
    assert heating_square(c, a, b, k) == pytest.approx(square)


def test_the_poll_period_hardly_matters() -> None:
    assert run_heat(currents(80.0, 72.0, 64.0), every_s=0.5) == pytest.approx(run_heat(currents(80.0, 72.0, 64.0), every_s=2.0), rel=0.01)


# A text-book check: voltage unbalance u at a negative-sequence impedance of 1 / I_LR gives I2 = u I_LR: 1 % gives 6 % at 6 x.
@pytest.mark.parametrize(("u", "ratio"), [(0.01, 6.0), (0.02, 6.0), (0.03, 6.5)])
def test_what_a_voltage_unbalance_costs(u: float, ratio: float) -> None:
    motor = replace(starter().motor, locked_rotor_ratio=ratio)
    negative = u * ratio
    extra = k_for(motor) * negative**2
    assert extra == pytest.approx(230.0 * u**2), "whatever the locked-rotor current: K falls as it grows"
