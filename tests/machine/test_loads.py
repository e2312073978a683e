from __future__ import annotations

from math import sqrt

import pytest

from gateway.machine.loads import Compressor, Conveyor, Fan, Pump, TorqueTable


def test_fan_by_hand() -> None:
    fan = Fan(rated_torque_nm=200.0, constant_part=0.05, breakaway_part=0.2)
    assert fan.torque_nm(0.0, 0.0) == pytest.approx(200 * 0.25)
    assert fan.torque_nm(0.04, 0.0) == pytest.approx(200 * (0.05 + 0.95 * 0.0016 + 0.1))
    assert fan.torque_nm(0.5, 0.0) == pytest.approx(200 * (0.05 + 0.95 * 0.25))
    assert fan.torque_nm(1.0, 0.0) == pytest.approx(200.0)


def test_pump_valve_opens_at_the_root_of_the_static_head() -> None:
    pump = Pump(rated_torque_nm=100.0, static_head_part=0.6, shut_off_part=0.4)
    assert pump.valve_opens_at == pytest.approx(sqrt(0.6))
    assert pump.torque_nm(0.0, 0.0) == pytest.approx(17.0)
    shut = 100 * (0.02 + 0.4 * 0.49)
    assert pump.torque_nm(0.7, 0.0) == pytest.approx(shut)
    assert pump.torque_nm(pump.valve_opens_at + 1e-9, 0.0) == pytest.approx(pump.torque_nm(pump.valve_opens_at, 0.0))
    assert pump.torque_nm(1.0, 0.0) == pytest.approx(102.0)


def test_conveyor_by_hand() -> None:
    belt = Conveyor(rated_torque_nm=100.0, breakaway_ratio=1.5)
    assert belt.torque_nm(0.0, 0.0) == pytest.approx(140.0)
    assert belt.torque_nm(0.03, 0.0) == pytest.approx(100 * (0.903 + 0.5 / 2.718281828))
    assert belt.torque_nm(1.02, 0.0) == pytest.approx(100.2)


def test_compressor_takes_its_load_after_full_speed() -> None:
    screw = Compressor(rated_torque_nm=100.0, unloaded_part=0.3, loads_after_s=4.0)
    assert screw.changes_s == (4.0,)
    assert screw.torque_nm(1.0, 0.0) == 30.0
    assert screw.torque_nm(1.0, 3.99) == 30.0
    assert screw.torque_nm(1.0, 4.0) == 100.0
    assert Compressor(rated_torque_nm=100.0, loads_after_s=0.0).torque_nm(1.0, 0.0) == 25.0


def test_table_is_straight_between_points_and_level_beyond() -> None:
    table = TorqueTable(points=((0.1, 30.0), (0.2, 10.0), (1.0, 90.0)))
    assert [table.torque_nm(x, 0.0) for x in (0.0, 0.1, 0.15, 0.2, 0.6, 1.0, 1.1)] == pytest.approx([30, 30, 20, 10, 50, 90, 90])


@pytest.mark.parametrize("load", [Fan(rated_torque_nm=1.0), Pump(rated_torque_nm=1.0), Conveyor(rated_torque_nm=1.0)])
def test_these_do_not_change_after_the_start(load: Fan | Pump | Conveyor) -> None:
    assert load.changes_s == ()
    assert load.torque_nm(0.9, 0.0) == load.torque_nm(0.9, 100.0)


def test_impossible_loads_are_named() -> None:
    with pytest.raises(ValueError, match="rated_torque_nm"):
        Fan(rated_torque_nm=-1.0)
    with pytest.raises(ValueError, match="static_head_part"):
        Pump(rated_torque_nm=1.0, static_head_part=1.0)
    with pytest.raises(ValueError, match="breakaway_ratio"):
        Conveyor(rated_torque_nm=1.0, breakaway_ratio=0.5)
    with pytest.raises(ValueError, match="loads_after_s"):
        Compressor(rated_torque_nm=1.0, loads_after_s=float("nan"))
    with pytest.raises(ValueError, match="two or more"):
        TorqueTable(points=((0.0, 1.0),))
    with pytest.raises(ValueError, match="must rise"):
        TorqueTable(points=((0.5, 1.0), (0.5, 2.0)))
    with pytest.raises(ValueError, match="speed"):
        TorqueTable(points=((0.0, 1.0), (3.0, 2.0)))
