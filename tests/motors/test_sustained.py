"""Sustained rates against the closed form, against stepping, and at their edges."""

from __future__ import annotations

import math

import pytest

from gateway.instants import SECOND
from gateway.motors.facts import LoadData, LoadKind
from gateway.motors.history import HeatState
from gateway.motors.records import LimitName
from gateway.motors.sustained import Duty, sustained_starts_per_hour, thermal_rate
from gateway.motors.thermal import thermal_model
from tests.motors.past import learned, starter

DUTY = Duty(run_s=300.0, run_ratio=0.9)


def closed_form(tau_s: float, tau_stop_s: float, k: float, heat: float, start_s: float, duty: Duty) -> float:
    steady = duty.run_ratio**2 / k**2
    after_run = steady + (1.0 - steady) * math.exp(-duty.run_s / tau_s)
    return 3600.0 / (start_s + duty.run_s + tau_stop_s * max(0.0, math.log(after_run / (1.0 - heat))))


def test_one_time_constant_is_the_closed_form() -> None:
    model = thermal_model(starter())
    found = thermal_rate(model, 1.0, learned(heat=0.14), DUTY)
    assert found == pytest.approx(closed_form(1800.0, 5400.0, 1.1, 0.14, 9.4, DUTY), rel=1e-5)


def test_margin_counts_as_a_hotter_start() -> None:
    model = thermal_model(starter())
    assert thermal_rate(model, 1.1, learned(heat=0.14), DUTY) == pytest.approx(closed_form(1800.0, 5400.0, 1.1, 0.154, 9.4, DUTY), rel=1e-5)


def test_two_time_constants_agree_with_stepping_second_by_second() -> None:
    fan = starter(heating_time_constant_s=2087.0, winding_time_constant_s=258.0)
    model, cost = thermal_model(fan), learned(heat=0.44, duration_s=20.0)
    # Cold motor, then 300 cycles by steps of one second: start whenever the limit permits, run, stop.
    state, cycle_s = model.cold(0), 0
    for _ in range(60):
        charged = model.charged(state, cost.heat)
        state, cycle_s = HeatState(at=state.at, nodes=(*charged.nodes[:-1], 0.0)), 20
        for _ in range(300):
            state = model.after(state, state.at + SECOND, 0.9, True)
        cycle_s += 300
        while model.used(state) + cost.heat > 1.0:
            state = model.after(state, state.at + SECOND, 0.0, False)
            cycle_s += 1
    assert thermal_rate(model, 1.0, cost, DUTY) == pytest.approx(3600.0 / cycle_s, rel=0.003)


def test_a_duty_that_has_not_settled_is_said_too_low_rather_than_too_high(monkeypatch: pytest.MonkeyPatch) -> None:
    model = thermal_model(starter(heating_time_constant_s=2087.0, winding_time_constant_s=258.0))
    cost = learned(heat=0.44, duration_s=20.0)
    settled = thermal_rate(model, 1.0, cost, DUTY)
    monkeypatch.setattr("gateway.motors.sustained.CYCLES_TO_SETTLE", 2)
    assert 0.0 < thermal_rate(model, 1.0, cost, DUTY) < settled


def test_a_start_that_takes_everything_is_permitted_never() -> None:
    assert thermal_rate(thermal_model(starter()), 1.0, learned(heat=1.0), DUTY) == 0.0


def test_every_limit_in_force_has_its_rate() -> None:
    fan = starter(
        limits={"starts_per_hour": 4, "off_time_s": 300.0, "nema_mg10": True},
        device={"rating": "80 A: AC-53b: 3-10: 350"},
        load=LoadData(kind=LoadKind.FAN, inertia_kg_m2=50 * 0.0421401101),
        rated_power_kw=25 * 0.745699872,
        frequency_hz=60.0,
        poles=4,
        design="B",
        starts_per_hour=0.5,
    )
    found = sustained_starts_per_hour(fan, learned(i2t_flc2s=90.0, duration_s=10.0), Duty(run_s=90.0, run_ratio=0.9))
    assert found[LimitName.SITE_STARTS_PER_HOUR] == 4.0
    assert found[LimitName.SITE_OFF_TIME] == pytest.approx(3600.0 / 400.0)
    assert found[LimitName.STARTER_RATING] == pytest.approx(10.0)
    assert found[LimitName.MOTOR_DATA] == 0.5
    assert found[LimitName.NEMA_MG10] == 2.0  # 2.44 an hour is two in any hour; C = 58 s would allow more
    assert LimitName.COLD_HOT not in found


@pytest.mark.parametrize(
    ("rating", "i2t_flc2s", "run_s", "rate"),
    [
        ("AC-53b: 3-10: 350", 180.0, 90.0, 3600.0 / 710.0),  # twice the rated I2t: 700 s rest
        ("AC-53b: 3-10: 350", 90.0, 1000.0, 3600.0 / 1010.0),  # the duty itself is longer
        ("AC-53a: 3.5-17: 90-5", 90.0, 90.0, 5.0),
        ("AC-53a: 3.5-17: 90-5", 90.0, 1000.0, 3600.0 / 1082.0),  # 72 s off part
    ],
)
def test_rate_of_a_starter_rating(rating: str, i2t_flc2s: float, run_s: float, rate: float) -> None:
    fan = starter(device={"rating": rating})
    found = sustained_starts_per_hour(fan, learned(i2t_flc2s=i2t_flc2s, duration_s=10.0), Duty(run_s=run_s, run_ratio=0.9))
    assert found[LimitName.STARTER_RATING] == pytest.approx(rate)
