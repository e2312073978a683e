from __future__ import annotations

from dataclasses import replace

import pytest

from gateway.machine.loads import Compressor, Conveyor, Fan, Pump, TorqueTable
from gateway.machine.methods import Autotransformer, DirectOnLine, PrimaryResistor, StarDelta
from gateway.machine.nameplate import NameplateError
from gateway.machine.run_up import run_up
from gateway.machine.soft_starter import SoftStarter
from gateway.machine.starter_drive import MissingDatumError, method_of, starter_drive
from gateway.motors.facts import LoadData, LoadKind, Method, MotorData, Starter, StarterData

MOTOR = MotorData(
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
)
FAN = Starter(name="DC-01", motor=MOTOR, load=LoadData(kind=LoadKind.FAN, torque_ratio=0.9, inertia_kg_m2=10.0))
TORQUE = 290.74


def test_facts_become_the_machine_they_describe() -> None:
    made = starter_drive(FAN)
    assert made.assumed == ()
    assert made.drive.inertia_kg_m2 == pytest.approx(10.45)
    assert made.drive.flc_a == 80.2
    assert run_up(made.drive).to_95_pct_s == pytest.approx(2.499, abs=0.002)


@pytest.mark.parametrize(
    ("data", "kind", "at_rest"),
    [
        (LoadData(kind=LoadKind.FAN, torque_ratio=0.8, breakaway_ratio=0.2), Fan, 0.2 * 0.8),
        (LoadData(kind=LoadKind.PUMP, torque_ratio=0.8, static_head_ratio=0.5), Pump, 0.17 * 0.8),
        (LoadData(kind=LoadKind.CONVEYOR, torque_ratio=0.6, breakaway_ratio=1.5), Conveyor, 1.4 * 0.6),
        (LoadData(kind=LoadKind.CONVEYOR, torque_ratio=0.6), Conveyor, 1.3 * 0.6),
        (LoadData(kind=LoadKind.COMPRESSOR, torque_ratio=0.8), Compressor, 0.25 * 0.8),
        (LoadData(kind=LoadKind.TABLE, torque_points=((0.0, 0.3), (1.0, 0.9))), TorqueTable, 0.3),
    ],
)
def test_every_kind_of_load(data: LoadData, kind: type, at_rest: float) -> None:
    made = starter_drive(replace(FAN, load=data))
    assert isinstance(made.drive.load, kind)
    assert made.drive.load.torque_nm(0.0, 0.0) == pytest.approx(at_rest * TORQUE, rel=1e-4)
    assert any("load inertia" in text for text in made.assumed)


def test_what_is_missing_is_said() -> None:
    with pytest.raises(MissingDatumError) as caught:
        starter_drive(replace(FAN, load=None))
    assert caught.value.datum == "load"
    with pytest.raises(MissingDatumError) as caught:
        starter_drive(replace(FAN, load=LoadData(kind=LoadKind.TABLE)))
    assert caught.value.datum == "load.table"
    bare = Starter(name="X", motor=MotorData(rated_power_kw=45, rated_voltage_v=400, flc_a=80.2), load=LoadData(kind=LoadKind.PUMP))
    assert len(starter_drive(bare).assumed) >= 8


def test_contradictions_are_named() -> None:
    with pytest.raises(NameplateError) as caught:
        starter_drive(replace(FAN, motor=replace(MOTOR, flc_a=150.0)))
    assert caught.value.datum == "flc_a"
    with pytest.raises(ValueError, match="rated_torque_nm"):
        starter_drive(replace(FAN, load=LoadData(kind=LoadKind.FAN, torque_ratio=-0.5)))
    with pytest.raises(ValueError, match="inertia_kg_m2"):
        starter_drive(replace(FAN, load=LoadData(kind=LoadKind.FAN, torque_ratio=0.5, inertia_kg_m2=-3.0)))


def test_methods_take_the_device_s_own_settings() -> None:
    drive = starter_drive(FAN).drive
    device = StarterData(
        star_time_s=7.0,
        tap_ratio=0.8,
        tap_time_s=4.0,
        resistor_ratio=0.7,
        resistor_time_s=3.0,
        ramp_time_s=12.0,
        current_limit_ratio=4.0,
        kick_time_s=0.5,
    )
    assert method_of(Method.STAR_DELTA, device, drive) == StarDelta(star_time_s=7.0)
    assert method_of(Method.AUTOTRANSFORMER, device, drive) == Autotransformer(tap_ratio=0.8, tap_time_s=4.0)
    resistor = method_of(Method.PRIMARY_RESISTOR, device, drive)
    assert isinstance(resistor, PrimaryResistor)
    assert resistor.stage_ends_s == (3.0,)
    soft = method_of(Method.SOFT_STARTER, device, drive)
    assert soft == SoftStarter(ramp_time_s=12.0, current_limit_ratio=4.0, kick_voltage_ratio=0.8, kick_time_s=0.5)
    assert method_of(Method.DIRECT_ON_LINE, device, drive) == DirectOnLine()


def test_timers_are_set_as_an_installer_does() -> None:
    drive = starter_drive(FAN).drive
    star = method_of(Method.STAR_DELTA, StarterData(), drive)
    assert isinstance(star, StarDelta)
    # In star the fan hangs below 85 %: the timer ends where nothing more is gained.
    assert 8.0 < star.star_time_s < 15.0
    stuck = starter_drive(replace(FAN, load=LoadData(kind=LoadKind.CONVEYOR, torque_ratio=0.9, breakaway_ratio=1.5))).drive
    star = method_of(Method.STAR_DELTA, StarterData(), stuck)
    assert isinstance(star, StarDelta)
    assert star.star_time_s == 5.0
