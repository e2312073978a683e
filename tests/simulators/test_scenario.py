"""Scenario files: read whole, and every mistake told at once with its line."""

from __future__ import annotations

from pathlib import Path

import pytest

from gateway.errors import InputError
from gateway.machine.loads import Compressor, Conveyor, Fan, Pump
from gateway.machine.methods import Autotransformer, DirectOnLine, PrimaryResistor, StarDelta
from gateway.machine.soft_starter import SoftStarter
from gateway.registers.load import load_map
from gateway.registers.model import Protocol
from simulators.faults import ReplyFault
from simulators.opcua_nodes import check_nodes
from simulators.plant import SimulatedStarter
from simulators.protection import Trip
from simulators.scenario import Scenario, load_scenario
from simulators.scenario_events import parse_moment
from simulators.timetable import Action, Event

MODBUS_MAP = """
map: ramp-bench
protocol: modbus
signals:
  current: {at: holding 10, type: uint16, scale: 0.1, unit: A}
  running: {at: holding 1, bit: 0}
  starting: {at: holding 1, bit: 1}
  start_count: {at: holding 20, type: uint32, wraps_at: 65536}
  model: {at: holding 30, type: text, length: 8}
  firmware: {at: holding 40, type: uint16}
"""

OPCUA_MAP = """
map: panel-bench
protocol: opcua
namespace: urn:tarn-hollow:panel
signals:
  current: {node: "s=Fan.Current", unit: A}
  running: {node: "s=Fan.Running"}
"""

MOTOR = """{rated_power: 45 kW, rated_voltage: 400 V, poles: 4, rated_speed: 1478 rpm, power_factor: 0.86, efficiency: 94.2 %,
            locked_rotor_current: 7.0 x FLC, locked_rotor_torque: 2.4, breakdown_torque: 2.8, inertia: 0.45 kg m^2}"""

WHOLE = f"""
scenario: gravel-wash
about: one starter with everything
seed: 7
addresses:
  bridge: {{protocol: modbus, port: 0, turnaround: 8 ms, connections: 3, silent_unknown: yes}}
  panel: {{protocol: opcua}}
starters:
  dust-fan:
    map: ramp.yaml
    address: bridge
    unit: 12
    motor: {MOTOR}
    load: {{kind: fan, torque: 90 %, inertia: 10 kg m^2}}
    method: {{kind: soft_starter, initial_voltage: 40 %, ramp_time: 10 s, current_limit: 3.5 x FLC, stop_time: 6 s}}
    device: {{update: 100 ms, noise: 0.5 %, current_step: 0.1 A, unbalance: 2 %, temperature_sensor: no, start_count: 8120,
             running_hours: 12000 hour, trip_codes: {{overload: 7, stall: 11}}, reset_after: 10 min, boot_time: 12 s}}
    supply: {{voltage: 101 %, dip: 0.6 %, swing: 1.5 %, ambient: 18, ambient_swing: 6}}
    protection: {{start_time: 20 s, stall_time: off, reset_below: 80 %}}
    drift: {{load: 0.2 %, inertia: 0.1 %, from_start: 10, most: 30 %}}
    constants: {{model: RP-45, firmware: 214}}
    timetable:
      - {{daily: "06:00", until: "18:00", every: 90 min, run: 40 min, jitter: 10 min, days: [1, 2, 3, 4, 5]}}
      - {{at: 2 d 14:05, do: trip}}
      - {{at: 90 s, do: start, run: 1 min}}
    unreachable:
      - {{from: 3 d 02:00, for: 20 min}}
    faults:
      - {{at: 1 d 10:00, for: 2 min, kind: late, probability: 10 %, delay: 300 ms}}
      - {{at: 1 d 11:00, kind: exception, replies: 5, exception: 6}}
      - {{at: 1 d 12:00, kind: frozen, for: 5 min}}
      - {{at: 1 d 13:00, kind: counter, value: 0}}
      - {{at: 1 d 14:00, kind: word_order, for: 1 min}}
      - {{at: 1 d 15:00, kind: restart, for: 9 s}}
  panel-fan:
    map: panel.yaml
    address: panel
    motor: {MOTOR}
    load: {{kind: pump, torque: 80 %, inertia: 1 kg m^2, static_head: 60 %}}
    method: {{kind: direct_on_line}}
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "ramp.yaml").write_text(MODBUS_MAP, encoding="utf-8")
    (tmp_path / "panel.yaml").write_text(OPCUA_MAP, encoding="utf-8")
    return tmp_path


def loaded(folder: Path, text: str) -> Scenario:
    path = folder / "plant.yaml"
    path.write_text(text, encoding="utf-8")
    return load_scenario(path)


def problems(folder: Path, text: str) -> list[str]:
    with pytest.raises(InputError) as caught:
        loaded(folder, text)
    return [f"{problem.line} {problem.field}: {problem.message}" for problem in caught.value.problems]


def test_a_whole_scenario(folder: Path) -> None:
    scenario = loaded(folder, WHOLE)
    bridge, panel = scenario.addresses
    assert (scenario.name, scenario.seed) == ("gravel-wash", 7)
    assert (bridge.protocol, bridge.turnaround_s, bridge.connection_limit, bridge.silent_unknown) == (Protocol.MODBUS, 0.008, 3, True)
    assert panel.protocol is Protocol.OPCUA
    fan, pump = scenario.starters
    assert (fan.make.name, fan.address, fan.unit, pump.unit) == ("dust-fan", "bridge", 12, 1)
    drive, device = fan.make.drive, fan.make.device
    assert drive.inertia_kg_m2 == pytest.approx(10.45)
    assert isinstance(drive.load, Fan)
    assert drive.load.rated_torque_nm == pytest.approx(0.9 * 290.7, rel=1e-3)
    assert drive.method == SoftStarter(initial_voltage_ratio=0.4, ramp_time_s=10.0, current_limit_ratio=3.5, stop_time_s=6.0)
    assert (device.update_s, device.noise, device.temperature_sensor, device.start_count) == (0.1, 0.005, False, 8120)
    assert (device.running_hours, device.trip_codes, device.auto_reset_s, device.boot_s) == (
        12000.0,
        {Trip.OVERLOAD: 7, Trip.STALL: 11},
        600.0,
        12.0,
    )
    assert fan.make.protection.stall_s is None
    assert fan.make.protection.max_start_s == 20.0
    assert fan.make.drift.load_ratio(20) == pytest.approx(1.02)
    assert fan.make.settings["set_current_limit"] == 350.0
    assert fan.make.constants == {"model": "RP-45", "firmware": 214.0}
    assert fan.make.daily[0].days == frozenset({1, 2, 3, 4, 5})
    assert Event(86400.0 + 14 * 3600 + 300, Action.TRIP) in fan.make.events
    assert {Event(90.0, Action.START), Event(150.0, Action.STOP)} <= set(fan.make.events)
    assert Event(2 * 86400.0 + 7200.0, Action.UNREACHABLE) in fan.make.events
    assert Event(15 * 3600.0, Action.RESTART, 9.0) in fan.make.events
    assert [fault.kind for fault in fan.faults] == [ReplyFault.LATE, ReplyFault.EXCEPTION]
    assert (fan.faults[0].probability, fan.faults[0].delay_s, fan.faults[1].replies) == (0.1, 0.3, 5)
    assert isinstance(pump.make.drive.load, Pump)
    assert isinstance(pump.make.drive.method, DirectOnLine)
    assert fan.make.seed != pump.make.seed


def test_a_scenario_runs_and_is_the_same_twice(folder: Path) -> None:
    first, second = (SimulatedStarter(loaded(folder, WHOLE).starters[0].make) for _ in range(2))
    first.advance_to(30 * 3600.0)
    for hour in range(31):
        second.advance_to(hour * 3600.0)
    assert first.truth == second.truth
    assert len(first.true_starts) >= 9
    assert first.values()["model"] == "RP-45"


@pytest.mark.parametrize(
    ("method", "kind"),
    [
        ("{kind: star_delta, star_time: 8 s}", StarDelta),
        ("{kind: autotransformer, tap: 65 %, tap_time: 6 s}", Autotransformer),
        ("{kind: primary_resistor, voltage: 65 %, resistor_time: 5 s}", PrimaryResistor),
        ("{kind: soft_starter, kick_time: 0.4 s}", SoftStarter),
        ("{kind: frequency_drive, ramp_time: 12 s}", object),
    ],
)
def test_every_method(folder: Path, method: str, kind: type[object]) -> None:
    scenario = loaded(folder, WHOLE.replace("{kind: direct_on_line}", method))
    assert isinstance(scenario.starters[1].make.drive.method, kind)


@pytest.mark.parametrize(
    ("load", "kind"),
    [
        ("{kind: conveyor, torque: 60 %, inertia: 6 kg m^2, breakaway: 1.5}", Conveyor),
        ("{kind: compressor, torque: 80 %, inertia: 1.5 kg m^2, unloaded: 25 %, loads_after: 5 s}", Compressor),
    ],
)
def test_every_load(folder: Path, load: str, kind: type[object]) -> None:
    scenario = loaded(folder, WHOLE.replace("{kind: pump, torque: 80 %, inertia: 1 kg m^2, static_head: 60 %}", load))
    assert isinstance(scenario.starters[1].make.drive.load, kind)


@pytest.mark.parametrize(
    ("right", "wrong", "told"),
    [
        ("seed: 7", "sede: 7", "4 sede: `sede` is not known here: did you mean `seed`?"),
        ("map: ramp.yaml", "map: rampe.yaml", "None : there is no such file: check the name and the folder"),
        ("address: bridge", "address: brigde", "11 starters.dust-fan.address: there is no such address in `addresses`: did you"),
        ("address: panel\n", "address: bridge\n", "37 starters.panel-fan.map: this map is for opcua, the address bridge is modbus"),
        ("unit: 12", "unit: 0", "12 starters.dust-fan.unit: the number is out of range"),
        ("rated_power: 45 kW", "rated_power: 45", "starters.dust-fan.motor.rated_power: the unit is missing: 45 of what?"),
        ("efficiency: 94.2 %", "efficiency: 60 %", "starters.dust-fan.motor"),
        ("poles: 4", "poles: 4, full_load_current: 120 A", "starters.dust-fan.motor.full_load_current: 120 A does not fit 45 kW"),
        ("rated_speed: 1478 rpm", "rated_speed: 1520 rpm", "starters.dust-fan.motor.rated_speed: 1520 rpm at 50 Hz"),
        ("inertia: 10 kg m^2", "inertia: -1 kg m^2", "starters.dust-fan.load.inertia: the value is out of range"),
        ("torque: 90 %, ", "", "starters.dust-fan.load.torque: `torque` is missing"),
        ("kind: fan", "kind: fann", "starters.dust-fan.load.kind: this word is not known here: did you mean `fan`?"),
        ("ramp_time: 10 s", "ramp_time: 0 s", "starters.dust-fan.method: ramp_time_s: found 0, allowed 0.01 to 600"),
        ("ramp_time: 10 s", "star_time: 10 s", "starters.dust-fan.method.star_time: `star_time` is not known here"),
        ("constants: {model", "constants: {modle", "starters.dust-fan.constants.modle: `modle` is not known here: did you mean `model`?"),
        ("do: trip", "do: tripp", "starters.dust-fan.timetable[1].do: this word is not known here: did you mean `trip`?"),
        ("at: 2 d 14:05", "at: 14:65", "starters.dust-fan.timetable[1].at: no such time of day: write it as 06:00, 2 d 06:00 or 90 s"),
        ("at: 2 d 14:05", "at: -5 s", "starters.dust-fan.timetable[1].at: nothing happens before the begin"),
        ("days: [1, 2, 3, 4, 5]", "days: [0, 8]", "starters.dust-fan.timetable[0].days: days are counted 1 to 7"),
        ('until: "18:00"', 'until: "05:00"', "the first run must lie inside the day and before `until`"),
        ("kind: late,", "", "starters.dust-fan.faults[0].kind: `kind` is missing"),
        ("kind: late", "kind: lat", "starters.dust-fan.faults[0].kind: this word is not known here: did you mean `late`?"),
        ("trip_codes: {overload", "trip_codes: {overlod", "`overlod` is not known here: did you mean `overload`?"),
        ("for: 20 min", "for: 0 s", "starters.dust-fan.unreachable[0].for: the value is out of range"),
    ],
)
def test_one_mistake_is_told_where_it_is(folder: Path, right: str, wrong: str, told: str) -> None:
    assert right in WHOLE
    found = problems(folder, WHOLE.replace(right, wrong, 1) if right != "address: panel\n" else WHOLE.replace(right, wrong))
    assert len(found) >= 1
    assert any(told in each for each in found), found


def test_all_mistakes_at_once(folder: Path) -> None:
    text = WHOLE.replace("rated_power: 45 kW", "rated_power: 45 kg", 1).replace("torque: 90 %", "torque: much")
    text = text.replace("run: 40 min", "run: 40").replace("kind: direct_on_line", "kind: direct")
    found = problems(folder, text)
    assert [each.split(": ")[0].split(" ")[1] for each in found] == [
        "starters.dust-fan.motor.rated_power",
        "starters.dust-fan.load.torque",
        "starters.dust-fan.timetable[0].run",
        "starters.panel-fan.method.kind",
    ]


def test_two_starters_cannot_have_one_unit(folder: Path) -> None:
    again = f"""
  second-fan:
    map: ramp.yaml
    address: bridge
    unit: 12
    motor: {MOTOR}
    load: {{kind: fan, torque: 90 %, inertia: 10 kg m^2}}
    method: {{kind: direct_on_line}}
"""
    assert any("dust-fan at the same address has this unit already" in each for each in problems(folder, WHOLE + again))


def test_two_starters_on_one_opcua_server_need_their_own_nodes(folder: Path) -> None:
    again = WHOLE[WHOLE.index("  panel-fan:") :].replace("panel-fan", "other-fan")
    assert any("panel-fan at the same address has these nodes already" in each for each in problems(folder, WHOLE + again))
    with pytest.raises(ValueError, match="name one node"):
        check_nodes([load_map(folder / "panel.yaml")] * 2)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "the file is empty"),
        ("scenario: x", "`addresses` is missing"),
        ("scenario: x\naddresses: {a: {}}", "`starters` is missing"),
        ("scenario: x\naddresses: {a: {}}\nstarters: {s: {}}", "`map` is missing"),
        ("scenario: x\naddresses: {a: {}}\nstarters: {s: {timetable: [6]}}", "every item must be names with values"),
    ],
)
def test_what_is_missing_is_asked_for(folder: Path, text: str, told: str) -> None:
    assert any(told in each for each in problems(folder, text))


def test_problems_of_a_map_come_along(folder: Path) -> None:
    (folder / "ramp.yaml").write_text(MODBUS_MAP.replace("uint32", "uint33"), encoding="utf-8")
    with pytest.raises(InputError) as caught:
        loaded(folder, WHOLE)
    assert {Path(problem.file).name for problem in caught.value.problems} == {"ramp.yaml"}


def test_a_missing_file_is_said(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="there is no such file"):
        load_scenario(tmp_path / "none.yaml")


@pytest.mark.parametrize("text", ["24:00", "0 d 06:00", "06:00:60", "tomorrow", "12"])
def test_moments_that_are_none(text: str) -> None:
    with pytest.raises(ValueError, match=r"\S"):
        parse_moment(text)
