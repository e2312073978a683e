"""The estimate of a start that was never seen."""

from __future__ import annotations

import math
from typing import Any

import pytest

from gateway.motors.facts import LoadData, LoadKind, Method
from gateway.motors.start_estimate import REDUCED_VOLTAGE_FACTOR, TYPICAL_RUN_UP_S, direct_estimate, direct_run_up_s, estimated_start
from tests.motors.past import starter

FAN = LoadData(kind=LoadKind.FAN, inertia_kg_m2=10.0, torque_ratio=0.9)
CAGE: dict[str, Any] = {
    "rated_speed_rpm": 1478.0,
    "inertia_kg_m2": 0.45,
    "locked_rotor_ratio": 7.0,
    "locked_rotor_torque_ratio": 2.4,
    "breakdown_torque_ratio": 2.8,
}


def test_direct_run_up_is_near_the_computed_one() -> None:
    # 45 kW fan, J 10.45 kg m2, 0.9 x rated torque: 2.50 s to 95 % speed and 2.74 s in all by integration of the full model.
    assert direct_run_up_s(starter(load=FAN, **CAGE)) == pytest.approx(2.7, rel=0.1)


def test_direct_i2t_is_above_the_computed_one_but_not_wildly() -> None:
    direct = estimated_start(starter(load=FAN, device={"method": Method.DIRECT_ON_LINE}, **CAGE))
    assert 83.8 < direct.winding_i2t_flc2s < 2 * 83.8


@pytest.mark.parametrize(
    ("device", "ratio"),
    [
        ({"method": Method.SOFT_STARTER, "current_limit_ratio": 3.0}, 3.0),
        ({"method": Method.SOFT_STARTER}, 3.5),
        ({"method": Method.SOFT_STARTER, "current_limit_ratio": 9.0}, 7.0),
        ({"method": Method.STAR_DELTA}, 7.0 / math.sqrt(3.0)),
        ({"method": Method.AUTOTRANSFORMER, "tap_ratio": 0.8}, 5.6),
        ({"method": Method.PRIMARY_RESISTOR}, 4.9),
    ],
)
def test_reduced_voltage_costs_more_and_takes_longer(device: dict[str, Any], ratio: float) -> None:
    direct = estimated_start(starter(load=FAN, device={"method": Method.DIRECT_ON_LINE}, **CAGE))
    found = estimated_start(starter(load=FAN, device=device, **CAGE))
    assert found.winding_i2t_flc2s == pytest.approx(REDUCED_VOLTAGE_FACTOR * direct.winding_i2t_flc2s)
    assert found.duration_s == pytest.approx(found.winding_i2t_flc2s / ratio**2)


def test_a_drive_ramps_at_little_more_than_full_load() -> None:
    found = estimated_start(starter(device={"method": Method.FREQUENCY_DRIVE, "ramp_time_s": 20.0}))
    assert found.duration_s == 20.0
    assert found.winding_i2t_flc2s == pytest.approx(28.8)


@pytest.mark.parametrize("kind", list(LoadKind))
def test_without_inertia_the_run_up_is_the_typical_one_of_the_load(kind: LoadKind) -> None:
    assert direct_run_up_s(starter(load=LoadData(kind=kind), **CAGE)) == TYPICAL_RUN_UP_S[kind]


def test_poles_stand_in_for_the_rated_speed() -> None:
    by_poles = direct_run_up_s(starter(load=FAN, poles=4))
    by_speed = direct_run_up_s(starter(load=FAN, rated_speed_rpm=1500.0))
    assert by_poles == pytest.approx(by_speed)
    assert direct_run_up_s(starter(load=FAN)) == TYPICAL_RUN_UP_S[LoadKind.FAN]


def test_a_load_that_the_motor_cannot_turn_gets_the_typical_time() -> None:
    jammed = LoadData(kind=LoadKind.CONVEYOR, inertia_kg_m2=5.0, torque_ratio=3.0)
    assert direct_run_up_s(starter(load=jammed, rated_speed_rpm=1478.0)) == TYPICAL_RUN_UP_S[LoadKind.CONVEYOR]


# What a measured start would have been direct on line.


def test_direct_on_line_needs_the_locked_rotor_current_and_is_no_estimate_of_itself() -> None:
    assert direct_estimate(starter(), 100.0) is None
    assert direct_estimate(starter(device={"method": Method.DIRECT_ON_LINE}, **CAGE), 100.0) is None


def test_a_drive_tells_nothing_but_its_inertia_does() -> None:
    drive: dict[str, Any] = {"method": Method.FREQUENCY_DRIVE}
    assert direct_estimate(starter(device=drive, **CAGE), 30.0) is None
    assert direct_estimate(starter(device=drive, load=LoadData(kind=LoadKind.FAN), **CAGE), 30.0) is None
    known = starter(device=drive, load=FAN, **CAGE)
    found = direct_estimate(known, 30.0)
    assert found is not None
    assert found.duration_s == pytest.approx(direct_run_up_s(known))
    assert found == direct_estimate(known, 300.0)
