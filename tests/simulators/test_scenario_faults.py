"""Scenarios with every load, method setting and fault, and the mistakes in them."""

from __future__ import annotations

from pathlib import Path

import pytest

from gateway.errors import InputError
from gateway.machine.frequency_drive import FrequencyDrive
from gateway.machine.loads import TorqueTable
from gateway.machine.methods import PrimaryResistor
from gateway.machine.nameplate import EXAMPLE_45_KW
from gateway.machine.soft_starter import SoftStarter
from simulators.faults import ReplyFault
from simulators.framing import Framing
from simulators.link_faults import LinkFault
from simulators.plant import SimulatedStarter
from simulators.scenario import Scenario, load_scenario
from simulators.timetable import Action, Event
from tests.simulators.test_scenario import MODBUS_MAP, MOTOR, OPCUA_MAP


def scenario(folder: Path, *lines: str, protocol: str = "modbus", load: str = "", method: str = "", framing: str = "") -> Scenario:
    (folder / "map.yaml").write_text(MODBUS_MAP if protocol == "modbus" else OPCUA_MAP, encoding="utf-8")
    text = f"""
scenario: bench
addresses: {{line: {{protocol: {protocol}{framing}}}}}
starters:
  fan:
    map: map.yaml
    address: line
    motor: {MOTOR}
    load: {load or "{kind: fan, torque: 90 %, inertia: 10 kg m^2}"}
    method: {method or "{kind: direct_on_line}"}
""" + "".join(f"    {line}\n" for line in lines)
    (folder / "scenario.yaml").write_text(text, encoding="utf-8")
    return load_scenario(folder / "scenario.yaml")


def problems(folder: Path, *lines: str, **changes: str) -> list[str]:
    with pytest.raises(InputError) as caught:
        scenario(folder, *lines, **changes)
    return [str(problem) for problem in caught.value.problems]


def test_a_torque_table(tmp_path: Path) -> None:
    made = scenario(tmp_path, load="{kind: table, points: [0 % 30 %, 0.2 0.15, 100 % 90 %], inertia: 5 kg m^2}").starters[0].make
    assert isinstance(made.drive.load, TorqueTable)
    rated = EXAMPLE_45_KW.rated_torque_nm
    assert [torque for _, torque in made.drive.load.points] == pytest.approx([0.3 * rated, 0.15 * rated, 0.9 * rated])
    own = SimulatedStarter(made)
    own.command(Action.START)
    own.advance_to(10.0)
    assert own.true_starts[0].outcome == "at_speed"


@pytest.mark.parametrize(
    ("load", "message"),
    [
        ("{kind: table, inertia: 5 kg m^2}", "`points` is missing"),
        ("{kind: table, points: [0 % 30 %], inertia: 5 kg m^2}", "found 1, allowed two or more"),
        ("{kind: table, points: [50 % 30 %, 20 % 10 %], inertia: 5 kg m^2}", "speeds must rise"),
        ("{kind: table, points: [30 %, 20 % 10 %], inertia: 5 kg m^2}", "a point is two ratios"),
        ("{kind: table, points: [0 % 1.2.3, 20 % 10 %], inertia: 5 kg m^2}", "not a ratio"),
        ("{kind: table, torque: 5, points: [0 % 30 %, 20 % 10 %], inertia: 5 kg m^2}", "`torque` is not known here"),
    ],
)
def test_tables_that_are_wrong(tmp_path: Path, load: str, message: str) -> None:
    assert any(message in problem for problem in problems(tmp_path, load=load))


def test_every_setting_of_a_method(tmp_path: Path) -> None:
    soft = "{kind: soft_starter, kick_time: 300 ms, limit_in_kick: yes, stop_time: 8 s, stop_step: 70 %, stop_voltage: 35 %}"
    made = scenario(tmp_path, method=soft).starters[0].make.drive.method
    assert isinstance(made, SoftStarter)
    assert (made.limit_in_kick, made.stop_step_ratio, made.stop_voltage_ratio) == (True, 0.7, 0.35)
    inverter = scenario(tmp_path, method="{kind: frequency_drive, boost: 4 %, frequency: 80 %, braking: yes}").starters[0].make.drive.method
    assert isinstance(inverter, FrequencyDrive)
    assert (inverter.boost_ratio, inverter.target_frequency_ratio, inverter.braking) == (0.04, 0.8, True)
    two = "{kind: primary_resistor, voltage: 60 %, resistor_time: 4 s, second_voltage: 80 %, second_time: 2 s}"
    resistor = scenario(tmp_path, method=two).starters[0].make.drive.method
    assert isinstance(resistor, PrimaryResistor)
    assert resistor.stage_ends_s == (4.0, 6.0)
    assert resistor.steps[0].resistance_ohm > resistor.steps[1].resistance_ohm


def test_supply_and_protection(tmp_path: Path) -> None:
    lines = (
        "supply: {unbalance: 2 %}",
        "protection: {phase_loss_time: 500 ms, unbalance: 20 %, unbalance_time: 3 s, undervoltage: 80 %,",
        "             undervoltage_time: 2 s, hot_winding: 155}",
    )
    made = scenario(tmp_path, *lines).starters[0].make
    assert made.supply.unequal == 0.02
    own = made.protection
    assert (own.phase_loss_s, own.unbalance_ratio, own.unbalance_s) == (0.5, 0.2, 3.0)
    assert (own.undervoltage_ratio, own.undervoltage_s, own.hot_winding_degc) == (0.8, 2.0, 155.0)


def test_faults_of_supply_and_link(tmp_path: Path) -> None:
    made = scenario(
        tmp_path,
        "faults:",
        "  - {at: 10 s, kind: open_line, value: 3, for: 5 s}",
        "  - {at: 20 s, kind: sag, to: 70 %, for: 2 s}",
        "  - {at: 30 s, kind: refuse, for: 4 s}",
        "  - {at: 40 s, kind: connection_limit, value: 2}",
        "  - {at: 50 s, kind: crc}",
        framing=", framing: rtu",
    )
    assert made.addresses[0].framing is Framing.RTU
    assert made.starters[0].make.events == (
        Event(10.0, Action.OPEN_LINE, 3.0),
        Event(15.0, Action.CLOSE_LINE, 0.0),
        Event(20.0, Action.SAG, 0.7),
        Event(22.0, Action.SAG, 1.0),
    )
    planned = [(fault.kind, fault.at_s, fault.for_s, fault.value) for fault in made.starters[0].faults]
    assert planned == [
        (LinkFault.REFUSE, 30.0, 4.0, 1),
        (LinkFault.CONNECTION_LIMIT, 40.0, 60.0, 2),
        (ReplyFault.CRC, 50.0, 60.0, 1),
    ]


def test_faults_of_an_opcua_server(tmp_path: Path) -> None:
    kinds = ("server_frozen", "server_killed", "server_restarted", "namespace_inserted", "bad_status", "no_source_time")
    lines = [f"  - {{at: 10 s, kind: {kind}}}" for kind in kinds]
    made = scenario(tmp_path, "faults:", *lines, "  - {at: 20 s, kind: node_removed, signal: current}", protocol="opcua")
    assert [fault.kind.value for fault in made.starters[0].faults] == [*kinds, "node_removed"]
    assert made.starters[0].faults[-1].signal == "current"


@pytest.mark.parametrize(
    ("line", "protocol", "message"),
    [
        ("{at: 1 s, kind: crc}", "modbus", "only RTU frames have a check sum"),
        ("{at: 1 s, kind: server_killed}", "modbus", "server_killed cannot happen on modbus"),
        ("{at: 1 s, kind: late}", "opcua", "late cannot happen on opcua"),
        ("{at: 1 s, kind: refuse}", "opcua", "refuse cannot happen on opcua"),
        ("{at: 1 s, kind: node_removed}", "opcua", "`signal` is missing"),
        ("{kind: refuse}", "modbus", "`at` is missing"),
        ("{at: 1 s, kind: open_line, value: 4}", "modbus", "out of range"),
    ],
)
def test_faults_that_cannot_be(tmp_path: Path, line: str, protocol: str, message: str) -> None:
    assert any(message in problem for problem in problems(tmp_path, "faults:", f"  - {line}", protocol=protocol))
