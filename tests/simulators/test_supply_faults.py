"""What an open line, a sag and unequal voltages do to the device: its currents, its trips, its truth."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from gateway.machine.drive import Phase
from gateway.machine.methods import DirectOnLine
from simulators.plant import SimulatedStarter
from simulators.protection import ProtectionSettings, Trip
from simulators.timetable import Action
from simulators.traits import DeviceTraits, Make, Supply
from tests.simulators.makes import device_map, drive


def starter(**changes: Any) -> SimulatedStarter:
    return SimulatedStarter(replace(Make(name="fan", map=device_map(), drive=drive(method=DirectOnLine())), **changes))


def phase_of(own: SimulatedStarter) -> str:
    return own.motor.phase.value


def currents(own: SimulatedStarter) -> list[float]:
    values = own.values()
    return [float(values[key] or 0.0) for key in ("current_l1", "current_l2", "current_l3")]


def test_a_start_on_two_lines() -> None:
    sound, lost = starter(), starter()
    sound.command(Action.START)
    sound.advance_to(0.04)
    lost.command(Action.OPEN_LINE, 2.0)
    lost.command(Action.START)
    lost.advance_to(0.04)
    # Single phasing at standstill: two lines carry 0.866 x the three-phase locked-rotor current (from memory - confirm).
    assert currents(lost)[1] == 0.0
    assert currents(lost)[0] == pytest.approx(0.866 * currents(sound)[0], rel=0.02)
    lost.advance_to(3.0)
    assert (lost.motor.phase, lost.trip_cause) == (Phase.TRIPPED, Trip.PHASE_LOSS)
    assert lost.values()["trip_code"] == 4
    assert lost.true_starts[0].outcome == "tripped"
    assert lost.true_starts[0].ended_s == pytest.approx(1.0, abs=0.03)


def test_a_line_lost_while_running() -> None:
    own = starter(protection=ProtectionSettings(phase_loss_s=None, overload=False))
    own.command(Action.START)
    own.advance_to(100.0)
    before, speed = currents(own), own.motor.state.speed_rad_s
    own.command(Action.OPEN_LINE, 1.0)
    own.advance_to(101.0)
    after = currents(own)
    assert after[0] == 0.0
    assert 1.5 < after[1] / before[1] < 2.5
    assert own.motor.state.speed_rad_s < speed
    own.command(Action.OPEN_LINE, 3.0)
    own.advance_to(101.5)
    assert currents(own)[0] == 0.0
    own.command(Action.CLOSE_LINE)
    own.advance_to(110.0)
    assert currents(own) == pytest.approx(before, rel=1e-3)


def test_a_running_motor_trips_a_second_after_the_loss() -> None:
    own = starter()
    own.command(Action.START)
    own.advance_to(100.0)
    own.command(Action.OPEN_LINE, 3.0)
    own.advance_to(100.9)
    assert phase_of(own) == "running"
    own.advance_to(101.1)
    assert phase_of(own) == "tripped"
    assert own.true_stops[0].trip == "phase_loss"


def test_a_sag_and_its_trip() -> None:
    own = starter(protection=ProtectionSettings(undervoltage_ratio=0.85, undervoltage_s=2.0))
    own.command(Action.START)
    own.advance_to(60.0)
    own.command(Action.SAG, 0.8)
    own.advance_to(61.0)
    assert own.values()["voltage"] == pytest.approx(0.8 * 400.0)
    own.command(Action.SAG, 1.0)
    own.advance_to(90.0)
    assert phase_of(own) == "running"
    assert own.values()["voltage"] == pytest.approx(400.0)
    own.command(Action.SAG, 0.8)
    own.advance_to(93.0)
    assert (own.motor.phase, own.trip_cause) == (Phase.TRIPPED, Trip.UNDERVOLTAGE)
    assert own.true_stops[-1].began_s == pytest.approx(92.0, abs=0.05)


def test_what_happens_does_not_depend_on_how_often_anyone_looks() -> None:
    fine, coarse = starter(), starter()
    for own, step in ((fine, 0.1), (coarse, 7.3)):
        own.command(Action.START)
        own.advance_to(50.0)
        own.command(Action.SAG, 0.9)
        at = 50.0
        while at < 80.0:
            at += step
            own.advance_to(at)
        own.advance_to(100.0)
    assert fine.truth == coarse.truth
    assert currents(fine) == pytest.approx(currents(coarse), rel=1e-6)


def test_unequal_voltages_show_in_the_currents_and_trip() -> None:
    own = starter(supply=Supply(unequal=0.02), protection=ProtectionSettings(unbalance_ratio=0.1, unbalance_s=4.0))
    own.command(Action.START)
    own.advance_to(4.0)
    l1, l2, l3 = currents(own)
    assert max(l1, l2, l3) / ((l1 + l2 + l3) / 3) > 1.08
    own.advance_to(30.0)
    assert own.trip_cause is Trip.UNBALANCE


def test_a_hot_winding_needs_a_sensor_to_trip() -> None:
    hot = ProtectionSettings(hot_winding_degc=21.0, overload=False)
    with_sensor, without = starter(protection=hot), starter(protection=hot, device=DeviceTraits(temperature_sensor=False))
    for own in (with_sensor, without):
        own.command(Action.START)
        own.advance_to(60.0)
    assert with_sensor.trip_cause is Trip.HOT_WINDING
    assert without.trip_cause is Trip.NONE


def test_held_values_stand_until_let_go() -> None:
    own = starter()
    own.hold("current", 812.0)
    own.command(Action.START)
    own.advance_to(1.0)
    assert own.values()["current"] == 812.0
    own.let_go("current")
    assert own.values()["current"] != 812.0
