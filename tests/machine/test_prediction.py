from __future__ import annotations

import json
from dataclasses import replace

import pytest

from gateway.machine.prediction import MethodPrediction, Prediction, as_json, predict, settings_of
from gateway.machine.run_up import RunUpOutcome
from gateway.machine.soft_starter import SoftStarter
from gateway.motors.facts import LoadData, LoadKind, Method, MotorData, Starter, StarterData

FAN = Starter(
    name="DC-01",
    motor=MotorData(
        rated_power_kw=45,
        rated_voltage_v=400,
        flc_a=80.176,
        poles=4,
        rated_speed_rpm=1478,
        power_factor=0.86,
        efficiency=0.942,
        locked_rotor_ratio=7.0,
        locked_rotor_torque_ratio=2.4,
        breakdown_torque_ratio=2.8,
        inertia_kg_m2=0.45,
        cold_stall_s=30.0,
    ),
    load=LoadData(kind=LoadKind.FAN, torque_ratio=0.9, inertia_kg_m2=10.0),
    device=StarterData(
        initial_voltage_ratio=0.4, ramp_time_s=10.0, current_limit_ratio=3.5, star_time_s=8.0, tap_ratio=0.65, tap_time_s=6.0
    ),
)
BELT = replace(
    FAN,
    load=LoadData(kind=LoadKind.CONVEYOR, torque_ratio=0.6, breakaway_ratio=1.5, inertia_kg_m2=5.55),
    device=StarterData(current_limit_ratio=3.0),
)


def _of(prediction: Prediction, method: Method) -> MethodPrediction:
    return next(item for item in prediction.methods if item.method is method)


def test_every_method_is_predicted_and_the_own_comes_first() -> None:
    found = predict(FAN)
    assert [item.own for item in found.methods] == [True, False, False, False, False, False]
    assert {item.method for item in found.methods} == set(Method)
    assert found.methods[0].method is Method.SOFT_STARTER
    direct = _of(found, Method.DIRECT_ON_LINE)
    assert direct.time_to_95_pct_speed_s == pytest.approx(2.499, abs=0.002)
    assert direct.winding_i2t_flc2s == pytest.approx(83.8, abs=0.1)
    assert direct.stall_capacity == pytest.approx(83.8 / (49.0 * 30.0), rel=1e-3)
    star = _of(found, Method.STAR_DELTA)
    assert star.line_i2t_flc2s == pytest.approx(42.9, abs=0.1)
    assert star.winding_i2t_flc2s == pytest.approx(105.2, abs=0.1)
    assert star.peak_line_current_ratio == pytest.approx(4.99, abs=0.01)


def test_it_says_that_the_soft_start_heats_more() -> None:
    soft = _of(predict(FAN), Method.SOFT_STARTER)
    assert soft.direct_heat_ratio == pytest.approx(1.24, abs=0.03)
    assert "heats the winding 1.2" in soft.verdict
    assert "as much as direct on line" in soft.verdict
    drive = _of(predict(FAN), Method.FREQUENCY_DRIVE)
    assert drive.direct_heat_ratio is not None
    assert drive.direct_heat_ratio < 0.2
    assert "heats the winding only" in drive.verdict


def test_a_start_that_does_not_break_away_is_told_with_its_torques() -> None:
    found = predict(BELT)
    soft = found.methods[0]
    assert soft.outcome is RunUpOutcome.STALLED
    assert soft.verdict.startswith("does not reach speed: at 3.0 x FLC the motor gives 0.4")
    assert soft.verdict.endswith("of rated torque, the load needs 0.84 to break away")
    assert soft.time_to_95_pct_speed_s is None
    assert soft.direct_heat_ratio is None
    assert _of(found, Method.DIRECT_ON_LINE).outcome is RunUpOutcome.AT_SPEED
    star = _of(found, Method.STAR_DELTA)
    assert "does not break away in star" in star.verdict


def test_a_start_that_hangs_is_told_with_its_speed() -> None:
    heavy = replace(FAN, load=LoadData(kind=LoadKind.TABLE, torque_points=((0.0, 0.3), (1.0, 2.9)), inertia_kg_m2=5.0))
    direct = _of(predict(heavy), Method.DIRECT_ON_LINE)
    assert direct.outcome is RunUpOutcome.STALLED
    assert "% of rated speed, where the motor gives" in direct.verdict


def test_star_that_runs_out_of_torque_is_told() -> None:
    steep = replace(
        FAN,
        load=LoadData(kind=LoadKind.FAN, torque_ratio=1.0, breakaway_ratio=0.1, inertia_kg_m2=10.0),
        device=StarterData(star_time_s=4.0),
    )
    assert "star reaches only" in _of(predict(steep), Method.STAR_DELTA).verdict


def test_weak_supply_starts_longer() -> None:
    weak, full = predict(FAN, supply_ratio=0.85), predict(FAN)
    for method in (Method.DIRECT_ON_LINE, Method.AUTOTRANSFORMER):
        late, early = _of(weak, method).duration_s, _of(full, method).duration_s
        assert late is not None
        assert early is not None
        assert late > early


def test_json_has_the_promised_keys_and_plain_values() -> None:
    told = json.loads(json.dumps(as_json(predict(BELT))))
    assert set(told) >= {"starter", "methods"}
    promised = {
        "method",
        "settings",
        "outcome",
        "time_to_95_pct_speed_s",
        "peak_line_current_ratio",
        "line_i2t_flc2s",
        "winding_i2t_flc2s",
        "rotor_heat_j",
        "peak_torque_ratio",
    }
    assert len(told["methods"]) == 6
    for item in told["methods"]:
        assert promised <= set(item)
        assert item["outcome"] in ("at_speed", "stalled")


def test_settings_leave_out_what_is_not_set() -> None:
    assert settings_of(SoftStarter()) == {"initial_voltage_ratio": 0.4, "ramp_time_s": 10.0}
    kicked = settings_of(SoftStarter(current_limit_ratio=3.0, kick_voltage_ratio=0.8, kick_time_s=0.3))
    assert kicked["kick_time_s"] == 0.3
    assert kicked["current_limit_ratio"] == 3.0
