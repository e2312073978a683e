from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from gateway.motors.facts import LimitSettings, LoadData, LoadKind, Method, MotorData, Starter, StarterData
from gateway.motors.records import LimitName
from gateway.services.prediction import Forecast, MethodOutlook, as_json, forecast
from gateway.services.setting_words import setting_texts

FILE = Path("site.yaml")
FAN = Starter(
    name="DC-01",
    motor=MotorData(
        rated_power_kw=45,
        rated_voltage_v=400,
        flc_a=80.2,
        poles=4,
        rated_speed_rpm=1478,
        power_factor=0.86,
        efficiency=0.942,
        locked_rotor_ratio=7.0,
        locked_rotor_torque_ratio=2.4,
        breakdown_torque_ratio=2.8,
        inertia_kg_m2=0.45,
        cold_stall_s=30.0,
        hot_stall_s=18.0,
    ),
    load=LoadData(kind=LoadKind.FAN, torque_ratio=0.9, inertia_kg_m2=10.0),
    device=StarterData(
        initial_voltage_ratio=0.4, ramp_time_s=10.0, current_limit_ratio=3.5, rating="84 A: AC-53b: 3.5-19: 1781"
    ),
    limits=LimitSettings(starts_per_hour=3, off_time_s=120.0),
)


def _of(found: Forecast, method: Method) -> MethodOutlook:
    return next(outlook for outlook in found.methods if outlook.start.method is method)


def test_heat_of_a_start_is_its_i2t_over_what_the_stall_time_carries() -> None:
    found = forecast(FAN, FILE)
    for outlook in found.methods:
        assert outlook.heat == pytest.approx(outlook.start.winding_i2t_flc2s / (7.0**2 * 30.0), rel=1e-9)
    assert found.hot_used == pytest.approx(1 - 18 / 30)
    # IEC 60255-149 model: 45 kW fan direct on line, 83.8 FLC2 s of 1470.
    assert _of(found, Method.DIRECT_ON_LINE).heat == pytest.approx(83.8 / 1470, rel=0.005)


def test_each_limit_permits_a_rate_and_the_lowest_decides() -> None:
    found = forecast(FAN, FILE, run_s=600.0)
    own = found.own
    assert own.start.method is Method.SOFT_STARTER
    assert own.deciding is LimitName.STARTER_RATING
    # AC-53b 3.5-19: 1781 means a rest of 1781 s after a start; this start takes 8.8 s.
    assert own.permitted_per_hour == pytest.approx(3600 / (1781 + (own.start.duration_s or 0.0)), rel=1e-6)
    assert own.starts_per_hour[LimitName.SITE_STARTS_PER_HOUR] == 3.0
    assert own.starts_per_hour[LimitName.SITE_OFF_TIME] == pytest.approx(3600 / (120 + 600 + (own.start.duration_s or 0.0)))
    direct = _of(found, Method.DIRECT_ON_LINE)
    assert LimitName.STARTER_RATING not in direct.starts_per_hour, "the plate of the soft starter says nothing of a contactor"
    assert direct.deciding is LimitName.SITE_STARTS_PER_HOUR


def test_a_longer_run_leaves_fewer_starts_an_hour() -> None:
    short, long = forecast(FAN, FILE, run_s=60.0), forecast(FAN, FILE, run_s=3600.0)
    thermal = LimitName.THERMAL_CAPACITY
    assert short.own.starts_per_hour[thermal] > long.own.starts_per_hour[thermal]


def test_it_says_aloud_that_the_soft_start_heats_more() -> None:
    notes = forecast(FAN, FILE).notes
    assert any(note.startswith("The soft starter start heats the motor more than direct on line: winding 1.2") for note in notes)


def test_what_was_assumed_is_told() -> None:
    bare = replace(
        FAN,
        motor=MotorData(rated_power_kw=45, rated_voltage_v=400, flc_a=80.2, poles=4),
        load=LoadData(kind=LoadKind.FAN),
        device=StarterData(),
    )
    found = forecast(bare, FILE)
    assert found.own.assumed == ("initial_voltage", "ramp_time", "current_limit")
    assert any("load inertia" in text for text in found.prediction.assumed)
    assert any("locked-rotor torque" in text for text in found.prediction.assumed)
    assert "no source" in found.thermal_source


def test_a_start_that_fails_costs_nothing_and_permits_nothing() -> None:
    heavy = replace(
        FAN,
        load=LoadData(kind=LoadKind.CONVEYOR, torque_ratio=0.6, breakaway_ratio=1.5, inertia_kg_m2=5.0),
        device=replace(FAN.device, current_limit_ratio=3.0),
    )
    own = forecast(heavy, FILE).own
    assert own.heat is None
    assert own.permitted_per_hour is None
    assert own.verdict.startswith("does not reach speed: at 3.0 x FLC the motor gives 0.4")


def test_a_load_heavier_than_the_motor_is_a_verdict_and_a_note() -> None:
    heavy = replace(FAN, load=LoadData(kind=LoadKind.CONVEYOR, torque_ratio=3.5, inertia_kg_m2=5.0))
    found = forecast(heavy, FILE)
    assert all(outlook.heat is None for outlook in found.methods)
    assert all(outlook.verdict.startswith("does not reach speed: ") for outlook in found.methods)
    assert any("more than the motor can carry" in note for note in found.notes)
    overloaded = forecast(replace(FAN, load=LoadData(kind=LoadKind.FAN, torque_ratio=1.2, inertia_kg_m2=5.0)), FILE)
    assert any("the motor is overloaded" in note for note in overloaded.notes)


def test_rules_that_give_no_hourly_figure_are_told_apart() -> None:
    ruled = replace(FAN, limits=LimitSettings(cold_hot=True, nema_mg10=True))
    notes = " ".join(forecast(ruled, FILE).notes)
    assert "no hourly figure" in notes
    assert "NEMA MG 10 says nothing here: the table is for 60 Hz motors" in notes


def test_star_delta_of_its_own_warns_of_the_line() -> None:
    star = forecast(replace(FAN, device=StarterData(method=Method.STAR_DELTA, star_time_s=8.0)), FILE)
    assert any("in the winding" in note and "in the line" in note for note in star.notes)


def test_a_short_direct_start_says_how_far_the_model_is_off() -> None:
    light = forecast(replace(FAN, load=LoadData(kind=LoadKind.PUMP, torque_ratio=0.9, inertia_kg_m2=1.0)), FILE)
    assert any("5 to 17 % low" in note for note in light.notes)


def test_json_has_the_promised_keys_and_the_costs() -> None:
    told = json.loads(json.dumps(as_json(forecast(FAN, FILE))))
    assert told["starter"] == "DC-01"
    assert [item["method"] for item in told["methods"]][:2] == ["soft_starter", "direct_on_line"]
    for item in told["methods"]:
        assert {"settings", "outcome", "line_i2t_flc2s", "winding_i2t_flc2s", "rotor_heat_j", "peak_torque_ratio"} <= set(item)
        assert item["permitted_starts_per_hour"] == min(item["starts_per_hour"].values())
        assert item["starts_per_hour"][item["deciding_limit"]] == item["permitted_starts_per_hour"]


def test_settings_in_words() -> None:
    texts = setting_texts({"star_time_s": 8.0, "open_gap_s": 0.05, "resistance_ohm": 0.33613, "tap_ratio": 0.65})
    assert texts == ["star 8 s", "gap 50 ms", "resistor 0.336 ohm", "tap 65 %"]
