"""Site files: what becomes of each line, and that the mistakes of the site and of its maps are told together."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gateway.errors import InputError, Problem
from gateway.motors.facts import LoadKind, Method
from gateway.registers.model import Protocol
from gateway.site import LinkAddress, Paces, Site, load_site

MAPS = Path(__file__).parents[2] / "config" / "maps"
MOTOR = "motor: {rated_power: 45 kW, rated_voltage: 400 V, full_load_current: 82 A}"

Read = Callable[[str], Site]


def indented(text: str) -> str:
    return textwrap.dedent(text).strip("\n") + "\n"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for path in MAPS.glob("*.yaml"):
        (tmp_path / path.name).write_text(path.read_text(encoding="utf-8"), encoding="utf-8")
    return tmp_path


def load(folder: Path, text: str) -> Site:
    path = folder / "site.yaml"
    path.write_text(indented(text), encoding="utf-8")
    return load_site(path)


def problems_of(folder: Path, text: str) -> list[Problem]:
    with pytest.raises(InputError) as caught:
        load(folder, text)
    return list(caught.value.problems)


def starter_problem(folder: Path, lines: str) -> Problem:
    """Return the one problem of a site whose starter `fan` has these lines over and above what is needed."""
    given_names = {line.partition(":")[0].strip() for line in textwrap.dedent(lines).splitlines()}
    needed = {"map": "map: ramp-pro-metered.yaml", "modbus": "modbus: {host: 10.0.0.5}", "motor": MOTOR}
    own = [line for name, line in needed.items() if name not in given_names and not (name == "modbus" and "opcua" in given_names)]
    body = textwrap.indent("\n".join([*own, textwrap.dedent(lines).strip("\n")]), "    ")
    found = problems_of(folder, f"site: S\ntime_zone: UTC\nstarters:\n  fan:\n{body}\n")
    assert len(found) == 1, found
    return found[0]


FULL = """
site: Tarn Hollow
about: the washing plant
time_zone: Europe/London
store: sqlite:///plant.db
web: {host: 0.0.0.0, port: 9000}
keep_readings: 90 d
defaults:
  pace: {standby: 2 s, slow: 5 min}
  limits: {starts_per_hour: 6, sources: {starts_per_hour: plant rule 12}}
starters:
  dust-fan:
    title: Dust collector fan
    map: ramp-pro-metered.yaml
    modbus: {host: 10.20.0.11, port: 1502, unit: 17}
    motor:
      rated_power: 60 hp
      rated_voltage: 0.4 kV
      full_load_current: 82 A
      frequency: 50 Hz
      poles: 4
      rated_speed: 1480 rpm
      power_factor: 86 %
      efficiency: 0.94
      locked_rotor_current: 7 x FLC
      locked_rotor_torque: 180 %
      breakdown_torque: 2.6
      inertia: 0.7 kg m^2
      service_factor: 1.15
      cold_stall_time: 22 s
      hot_stall_time: 15 s
      heating_time_constant: 20 min
      cooling_time_constant: 2 h
      winding_time_constant: 4 min
      winding_weight: 40 %
      trip_class: class 20
      design: n
      starts_per_hour: 4.5
      cold_starts: 3
      hot_starts: 2
    load: {kind: fan, inertia: 275 lb ft^2, torque: 90 %, breakaway: 0.1}
    starter:
      method: soft_starter
      rating: "85 A: AC-53a: 3.5-17: 90-5"
      rated_current: 85 A
      initial_voltage: 40 %
      ramp_time: 10 s
      current_limit: 287 A
      kick_voltage: 80 %
      kick_time: 200 ms
      stop_time: 12 s
    limits: {off_time: 10 min, heat_margin: 120 %, cold_hot: yes, sources: {off_time: maker's letter}}
    thresholds:
      {on: 20 %, off: 0.1, high: 130 %, end_hold: 400 ms, off_confirm: 1 s, reopen: 10 s, min_start: 200 ms, max_start: 45 s, gap: 8 s}
    pace: {starting: 50 ms, running: 2 s}
    alerts: {off: [off_time_not_kept], priority: {tripped: 1}, on_delay: {heat: 5 s}, off_delay: {heat: 30 s}, heat_warning: 80 %}
  belt:
    map: softline-ua.yaml
    opcua: {endpoint: "opc.tcp://10.20.0.31", security: none}
    motor: {rated_power: 30 kW, rated_voltage: 400 V, full_load_current: 56 A}
    limits: {starts_per_hour: 10}
"""


def test_every_line_reaches_the_core(folder: Path) -> None:
    site = load(folder, FULL)
    assert (site.name, site.time_zone, site.keep_readings_days) == ("Tarn Hollow", ZoneInfo("Europe/London"), 90)
    assert site.store_url == f"sqlite:///{folder / 'plant.db'}" and site.file == folder / "site.yaml"
    assert (site.web.host, site.web.port) == ("0.0.0.0", 9000)
    fan, belt = site.starters
    assert fan.address == LinkAddress(Protocol.MODBUS, "10.20.0.11", 1502) and fan.unit == 17
    assert fan.map.name == "ramp-pro-metered" and fan.starter.title == "Dust collector fan"
    motor = fan.starter.motor
    assert motor.rated_power_kw == pytest.approx(60 * 0.74569987) and motor.rated_voltage_v == 400 and motor.flc_a == 82
    assert (motor.frequency_hz, motor.poles, motor.rated_speed_rpm) == (50, 4, 1480)
    assert (motor.power_factor, motor.efficiency, motor.service_factor) == (0.86, 0.94, 1.15)
    assert (motor.locked_rotor_ratio, motor.locked_rotor_torque_ratio, motor.breakdown_torque_ratio) == (7, 1.8, 2.6)
    assert (motor.inertia_kg_m2, motor.cold_stall_s, motor.hot_stall_s) == (0.7, 22, 15)
    assert (motor.heating_time_constant_s, motor.cooling_time_constant_s) == (1200, 7200)
    assert (motor.winding_time_constant_s, motor.winding_weight) == (240, 0.4)
    assert (motor.trip_class, motor.design, motor.starts_per_hour, motor.cold_starts, motor.hot_starts) == ("20", "N", 4.5, 3, 2)
    assert fan.starter.load is not None and fan.starter.load.kind is LoadKind.FAN
    # 275 lb ft2 = 275 x 0.45359237 x 0.3048^2 kg m2.
    assert fan.starter.load.inertia_kg_m2 == pytest.approx(11.58853, rel=1e-6)
    assert (fan.starter.load.torque_ratio, fan.starter.load.breakaway_ratio) == (0.9, 0.1)
    device = fan.starter.device
    assert device.method is Method.SOFT_STARTER and device.rating == "85 A: AC-53a: 3.5-17: 90-5" and device.rated_current_a == 85
    assert (device.initial_voltage_ratio, device.ramp_time_s, device.current_limit_ratio) == (0.4, 10, 3.5)
    assert (device.kick_voltage_ratio, device.kick_time_s, device.stop_time_s) == (0.8, 0.2, 12)
    limits = fan.starter.limits
    assert (limits.starts_per_hour, limits.off_time_s, limits.heat_margin, limits.cold_hot) == (6, 600, 1.2, True)
    assert limits.off_time_source == "maker's letter"
    thresholds = fan.starter.thresholds
    assert (thresholds.on_ratio, thresholds.off_ratio, thresholds.high_ratio, thresholds.gap_s) == (0.2, 0.1, 1.3, 8)
    assert (thresholds.end_hold_s, thresholds.off_confirm_s, thresholds.reopen_s) == (0.4, 1, 10)
    assert (thresholds.min_start_s, thresholds.max_start_s) == (0.2, 45)
    assert fan.paces == Paces(standby_s=2, starting_s=0.05, running_s=2, slow_s=300)
    alerts = fan.starter.alerts
    assert alerts.off == {"off_time_not_kept"} and dict(alerts.priority) == {"tripped": 1} and alerts.heat_warning == 0.8
    assert dict(alerts.on_delay_s) == {"heat": 5} and dict(alerts.off_delay_s) == {"heat": 30}
    assert belt.address == LinkAddress(Protocol.OPCUA, "10.20.0.31", 4840, "opc.tcp://10.20.0.31")
    assert (belt.starter.limits.starts_per_hour, belt.starter.limits.starts_per_hour_source) == (10, "plant rule 12")
    assert belt.paces.standby_s == 2 and belt.starter.title == "belt"
    assert site.starter("belt") is belt and site.starter("none") is None


def test_the_core_is_told_what_the_map_can_give(folder: Path) -> None:
    fan = load(folder, FULL).starters[0].starter.signals
    assert {"current", "running", "start_count", "energy"} <= fan.keys
    assert fan.start_count_wraps_at == 2**32 and fan.update_time_s == 0.02
    assert fan.units["current"] == "A" and fan.units["energy"] == "kWh" and "running" not in fan.units
    assert fan.texts["trip_code"][3] == "stalled"


def test_little_is_needed(folder: Path) -> None:
    site = load(
        folder, f"site: S\ntime_zone: UTC\nstarters:\n  a: {{map: feeder-block.yaml, modbus: {{host: fan.plant.example}}, {MOTOR}}}\n"
    )
    (only,) = site.starters
    assert (only.address.text, only.unit, only.paces) == ("modbus fan.plant.example:502", 1, Paces())
    assert site.store_url == f"sqlite:///{folder / 'startledger.db'}" and site.keep_readings_days == 30
    assert only.starter.load is None and only.starter.motor.frequency_hz == 50
    assert only.starter.signals.start_count_wraps_at == 65536


@pytest.mark.parametrize(
    ("given_url", "used"),
    [
        ("sqlite:////var/lib/plant.db", "sqlite:////var/lib/plant.db"),
        ("'sqlite:///:memory:'", "sqlite:///:memory:"),
        ("postgresql+psycopg://gateway@db/plant", "postgresql+psycopg://gateway@db/plant"),
    ],
)
def test_stores_elsewhere_are_left_as_written(folder: Path, given_url: str, used: str) -> None:
    text = f"site: S\ntime_zone: UTC\nstore: {given_url}\nstarters:\n  a: {{map: feeder-block.yaml, modbus: {{host: h}}, {MOTOR}}}\n"
    assert load(folder, text).store_url == used


def test_starters_that_share_a_map_share_one_object(folder: Path) -> None:
    lines = "\n".join(f"  a{unit}: {{map: feeder-block.yaml, modbus: {{host: h, unit: {unit}}}, {MOTOR}}}" for unit in (1, 2, 255))
    site = load(folder, f"site: S\ntime_zone: UTC\nstarters:\n{lines}\n")
    assert len({id(each.map) for each in site.starters}) == 1
    assert len({each.address for each in site.starters}) == 1


def test_a_load_from_a_table(folder: Path) -> None:
    load_line = "load: {kind: table, table: [[0 %, 30 %], [0.5, 20 %], [100 %, 0.9]]}"
    text = f"site: S\ntime_zone: UTC\nstarters:\n  a: {{map: feeder-block.yaml, modbus: {{host: h}}, {MOTOR}, {load_line}}}\n"
    (only,) = load(folder, text).starters
    assert only.starter.load is not None and only.starter.load.torque_points == ((0, 0.3), (0.5, 0.2), (1, 0.9))


@pytest.mark.parametrize(
    ("lines", "field", "words"),
    [
        ("modbus: {host: 10.0.0.5, unit: 0}", "modbus.unit", "every device at once"),
        ("modbus: {host: 10.0.0.5, unit: 248}", "modbus.unit", "reserved"),
        ("modbus: {host: 10.0.0.5, unit: 256}", "modbus.unit", "out of range"),
        ("modbus: {host: 10.0.0.5, port: 0}", "modbus.port", "out of range"),
        ("modbus: {host: '10.0.0.5:502'}", "modbus.host", "the port goes into `port`"),
        ("modbus: {host: 10.0.0.555}", "modbus.host", "host name or an IP address"),
        ("modbus: {host: 'tcp://h'}", "modbus.host", "host name or an IP address"),
        ("modbus: {port: 502}", "modbus.host", "`host` is missing"),
        ("modbus: {hots: h, host: h}", "modbus.hots", "did you mean `host`"),
        ("modbus: 10.0.0.5", "modbus", "names with values"),
        ("opcua: {endpoint: 'opc.tcp://h:4840'}\nmodbus: {host: h}", "opcua", "keep one"),
        ("opcua: {endpoint: 'opc.tcp://h:4840'}", "map", "the map is for modbus"),
        ("map: softline-ua.yaml\nopcua: {endpoint: 'http://h'}", "opcua.endpoint", "an OPC UA endpoint"),
        ("map: softline-ua.yaml\nopcua: {endpoint: 'opc.tcp://h:99999'}", "opcua.endpoint", "an OPC UA endpoint"),
        ("map: softline-ua.yaml\nopcua: {endpoint: 'opc.tcp://me:secret@h'}", "opcua.endpoint", "without a user name"),
        ("map: softline-ua.yaml\nopcua: {}", "opcua.endpoint", "`endpoint` is missing"),
        ("map: none.yaml", "map", "there is no file"),
        ("map: .", "map", "there is no file"),
        ("map: [a]", "map", "one value is needed"),
        ("map: softline-ua.yaml", "map", "the map is for opcua, the starter is reached by modbus"),
        ("motor: {rated_power: 45, rated_voltage: 400 V, full_load_current: 82 A}", "motor.rated_power", "the unit is missing"),
        ("motor: {rated_power: 45 kW, rated_voltage: 400 V}", "motor.full_load_current", "is missing"),
        ("motor: {rated_power: 45 kW, rated_voltage: 400 V, full_load_current: 8.2 A}", "motor.full_load_current", "takes about 83.1 A"),
        ("motor: {rated_power: 45 kW, rated_voltage: 400 V, full_load_current: 820 A}", "motor.full_load_current", "takes about 83.1 A"),
        ("motor: 45 kW", "motor", "names with values"),
        ("speed: 5", "speed", "not known here"),
        ("title: ''", "title", "a text of one line"),
        ("load: {inertia: 5 kg m^2}", "load.kind", "`kind` is missing"),
        ("load: {kind: fna}", "load.kind", "did you mean `fan`"),
        ("load: {kind: fan, inertia: -5 kg m^2}", "load.inertia", "out of range"),
        ("load: {kind: fan, inertia: 0 kg m^2}", "load.inertia", "out of range"),
        ("load: {kind: fan, inertia: 5}", "load.inertia", "the unit is missing"),
        ("load: {kind: fan, torque: 900 %}", "load.torque", "out of range"),
        ("load: {kind: fan, table: [[0, 1], [1, 1]]}", "load.table", "has its own curve"),
        ("load: {kind: table}", "load.table", "`table` is missing"),
        ("load: {kind: table, table: [[0, 1], 5, [1, 1]]}", "load.table", "a pair of ratios"),
        ("load: {kind: table, table: [[0, 1], [a, 5], [1, 1]]}", "load.table", "a pair of ratios"),
        ("load: {kind: table, table: [[0, 1], [0, 0.5], [1, 1]]}", "load.table", "the speeds must rise"),
        ("load: {kind: table, table: [[0, 1], [0.5, 1]]}", "load.table", "from standstill to rated speed"),
        ("starter: {method: soft start}", "starter.method", "did you mean `soft_starter`"),
        ("starter: {rating: AC-59}", "starter.rating", "utilisation category"),
        ("starter: {current_limit: 350}", "starter.current_limit", "a bare number is a multiple"),
        ("starter: {current_limit: 20 A}", "starter.current_limit", "0.244 x the full-load current"),
        ("starter: {current_limit: xA}", "starter.current_limit", "not a number with a unit"),
        ("starter: {initial_voltage: 40}", "starter.initial_voltage", "out of range"),
        ("starter: {initial_voltage: low}", "starter.initial_voltage", "not a ratio"),
        ("starter: {ramp_time: -1 s}", "starter.ramp_time", "out of range"),
        ("limits: {starts_per_hour: 0}", "limits.starts_per_hour", "out of range"),
        ("limits: {off_time: 10}", "limits.off_time", "the unit is missing"),
        ("limits: {heat_margin: 0.9}", "limits.heat_margin", "out of range"),
        ("limits: {nema_mg10: yes}", "limits.nema_mg10", "60 Hz"),
        ("limits: {cold_hot: perhaps}", "limits.cold_hot", "yes or no"),
        ("limits: {sources: {cold_hot: x}}", "limits.sources.cold_hot", "not known here"),
        ("thresholds: {on: 5 %}", "thresholds.on", "must lie below"),
        ("thresholds: {off: 20 %}", "thresholds.off", "must lie below"),
        ("thresholds: {min_start: 60 s}", "thresholds.min_start", "shorter than the longest"),
        ("pace: {starting: 1 ms}", "pace.starting", "out of range"),
        ("pace: {fast: 1 s}", "pace.fast", "not known here"),
        ("alerts: {off: [no_dta]}", "alerts.off", "did you mean `no_data`"),
        ("alerts: {priority: {tripped: 4}}", "alerts.priority.tripped", "out of range"),
        ("alerts: {on_delay: {haet: 5 s}}", "alerts.on_delay.haet", "did you mean `heat`"),
        ("alerts: {off_delay: {heat: 5}}", "alerts.off_delay.heat", "the unit is missing"),
    ],
)
def test_a_mistake_in_a_starter(folder: Path, lines: str, field: str, words: str) -> None:
    problem = starter_problem(folder, lines)
    assert problem.field == f"starters.fan.{field}" and words in problem.message
    assert problem.line is not None and problem.line >= 4 and problem.file == str(folder / "site.yaml")


@pytest.mark.parametrize(
    ("more", "field", "words"),
    [
        ("poles: 3", "poles", "come in pairs"),
        ("poles: 4, rated_speed: 1000 rpm", "rated_speed", "4 poles at 50 Hz turn at 1500 rpm"),
        ("poles: 4, rated_speed: 1500 rpm", "rated_speed", "4 poles at 50 Hz turn at 1500 rpm"),
        ("rated_speed: 25 Hz", "rated_speed", "does not measure the same thing"),
        ("inertia: -1 kg m^2", "inertia", "out of range"),
        ("inertia: 1 kg", "inertia", "does not measure the same thing"),
        ("power_factor: 86", "power_factor", "out of range"),
        ("service_factor: 0.9", "service_factor", "out of range"),
        ("cold_stall_time: 10 s, hot_stall_time: 12 s", "hot_stall_time", "cannot stall longer"),
        ("cold_starts: 1, hot_starts: 2", "hot_starts", "cannot start more often"),
        ("trip_class: 12", "trip_class", "not known"),
        ("design: Q", "design", "not known"),
        ("locked_rotor_current: 60 A", "locked_rotor_current", "0.732 x the full-load current"),
        ("locked_rotor_current: -5 A", "locked_rotor_current", "out of range"),
        ("locked_rotor_current: 900", "locked_rotor_current", "out of range"),
        ("winding_weight: 40 %", "winding_weight", "which is missing"),
        ("heating_time_constant: 5 min, winding_time_constant: 6 min", "winding_time_constant", "must be shorter"),
        ("starts_per_hour: 0", "starts_per_hour", "out of range"),
        ("starts_per_hour: 4 per hour", "starts_per_hour", "not a number"),
    ],
)
def test_a_mistake_in_a_motor(folder: Path, more: str, field: str, words: str) -> None:
    problem = starter_problem(folder, MOTOR.replace("}", f", {more}}}"))
    assert problem.field == f"starters.fan.motor.{field}" and words in problem.message


def test_a_motor_without_its_current_still_tells_its_other_mistakes(folder: Path) -> None:
    motor = "motor: {poles: 3, locked_rotor_current: 500 A}"
    text = f"site: S\ntime_zone: UTC\nstarters:\n  a: {{map: feeder-block.yaml, modbus: {{host: h}}, {motor}}}\n"
    assert [problem.field.rpartition(".")[2] for problem in problems_of(folder, text)] == [
        "rated_power",
        "rated_voltage",
        "full_load_current",
        "poles",
    ]


@pytest.mark.parametrize(
    ("text", "fields"),
    [
        ("about: nothing", ["site", "time_zone", "starters"]),
        ("site: S\ntime_zone: UTC\nstarters: {}", ["starters"]),
        ("site: S\ntime_zone: UTC\nstarters: none", ["starters"]),
        ("site: S\ntime_zone: UTC\nstarters: {a: 5}", ["starters.a"]),
        ("site: S\ntime_zone: UTC\nstarters: {a: {}}", ["starters.a.map", "starters.a.modbus", "starters.a.motor"]),
    ],
)
def test_what_a_site_needs(folder: Path, text: str, fields: list[str]) -> None:
    assert [problem.field for problem in problems_of(folder, text)] == fields


@pytest.mark.parametrize(
    ("line", "field", "words"),
    [
        ("time_zone: Europe/Lundon", "time_zone", "did you mean `Europe/London`"),
        ("time_zone: ../etc/passwd", "time_zone", "not known"),
        ("time_zone: Europe", "time_zone", "not known"),
        ("store: plant.db", "store", "not the address of a store"),
        ("store: mysql://me:secret@h/d", "store", "not the address of a store"),
        ("store: 'sqlite://'", "store", "not the address of a store"),
        ("web: {host: 'http://x'}", "web.host", "host name or an IP address"),
        ("web: {port: 99999}", "web.port", "out of range"),
        ("web: {prot: 1}", "web.prot", "did you mean `port`"),
        ("keep_readings: 30", "keep_readings", "the unit is missing"),
        ("keep_readings: 1 h", "keep_readings", "out of range"),
        ("defaults: {modbus: {host: h}}", "defaults.modbus", "not known here"),
        ("startres: 1", "startres", "did you mean `starters`"),
    ],
)
def test_a_mistake_at_the_top(folder: Path, line: str, field: str, words: str) -> None:
    zone = "" if line.startswith("time_zone") else "time_zone: UTC\n"
    text = f"site: S\n{zone}{line}\nstarters:\n  a: {{map: feeder-block.yaml, modbus: {{host: h}}, {MOTOR}}}\n"
    (problem,) = problems_of(folder, text)
    assert problem.field == field and words in problem.message and "secret" not in str(problem)


def test_two_starters_cannot_share_a_unit_or_the_nodes_of_a_server(folder: Path) -> None:
    pair = "\n".join(f"  {name}: {{map: feeder-block.yaml, modbus: {{host: h, unit: 3}}, {MOTOR}}}" for name in "ab")
    (problem,) = problems_of(folder, f"site: S\ntime_zone: UTC\nstarters:\n{pair}\n")
    assert problem.line == 5 and problem.field == "starters.b.modbus"
    assert problem.message == "a is at modbus h:502 unit 3 already: two starters cannot share it"
    pair = "\n".join(f"  {name}: {{map: softline-ua.yaml, opcua: {{endpoint: 'opc.tcp://h:4840'}}, {MOTOR}}}" for name in "ab")
    (problem,) = problems_of(folder, f"site: S\ntime_zone: UTC\nstarters:\n{pair}\n")
    assert "with the same map" in problem.message


def test_a_map_must_be_able_to_tell_a_start(folder: Path) -> None:
    (folder / "blind.yaml").write_text("map: blind\nprotocol: modbus\nsignals: {flow: {at: holding 1, type: uint16}}\n", encoding="utf-8")
    problem = starter_problem(folder, "map: blind.yaml")
    assert "no signal that tells a start" in problem.message


def test_the_mistakes_of_a_map_come_with_those_of_the_site_and_once(folder: Path) -> None:
    wrong = folder / "wrong.yaml"
    wrong.write_text("map: w\nprotocol: modbus\ntimeout: 1\nsignals: {current: {at: holding 1, type: uint16}}\n", encoding="utf-8")
    pair = "\n".join(f"  a{unit}: {{map: wrong.yaml, modbus: {{host: h, unit: {unit}}}, {MOTOR}}}" for unit in (1, 2))
    found = problems_of(folder, f"site: S\ntime_zone: Mars\nstarters:\n{pair}\n")
    assert [(Path(problem.file).name, problem.line, problem.field) for problem in found] == [
        ("site.yaml", 2, "time_zone"),
        ("wrong.yaml", 3, "timeout"),
        ("wrong.yaml", 4, "signals.current.unit"),
    ]


def test_a_mistake_in_the_defaults_is_told_once_with_its_own_line(folder: Path) -> None:
    pair = "\n".join(f"  a{unit}: {{map: feeder-block.yaml, modbus: {{host: h, unit: {unit}}}, {MOTOR}}}" for unit in (1, 2))
    text = f"site: S\ntime_zone: UTC\ndefaults: {{limits: {{off_time: 5}}}}\nstarters:\n{pair}\n"
    (problem,) = problems_of(folder, text)
    assert problem.line == 3


@pytest.mark.parametrize("name", ["two words", "fan:1", "-fan", "a/b", "x" * 61])
def test_the_name_of_a_starter_is_one_word(folder: Path, name: str) -> None:
    text = f"site: S\ntime_zone: UTC\nstarters:\n  '{name}': {{map: feeder-block.yaml, modbus: {{host: h}}, {MOTOR}}}\n"
    (problem,) = problems_of(folder, text)
    assert "is one word" in problem.message and problem.line == 4


def test_a_missing_site_file(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        load_site(tmp_path / "site.yaml")


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_no_damage_to_a_site_raises_anything_but_an_input_error(folder: Path, data: st.DataObject) -> None:
    text = FULL
    for _ in range(data.draw(st.integers(1, 4))):
        place = data.draw(st.integers(0, len(text)))
        removed = data.draw(st.integers(0, 12))
        inserted = data.draw(
            st.sampled_from(["", "{", "]", ":", "\n", "'", "&a ", "0x", "-", "~", "1e308", "9" * 20, " s", " A", "\x00", "[]"])
        )
        text = text[:place] + inserted + text[place + removed :]
    try:
        site = load(folder, text)
    except InputError as error:
        assert error.problems
    else:
        assert all(math.isfinite(each.starter.motor.flc_a) for each in site.starters)


def test_a_map_for_another_protocol_is_told_beside_an_address_that_cannot_be_used(folder: Path) -> None:
    starter = f"{{map: softline-ua.yaml, modbus: {{host: 10.0.0.5, unit: 0}}, {MOTOR}}}"
    with pytest.raises(InputError) as caught:
        load(folder, f"site: T\ntime_zone: UTC\nstarters:\n  a: {starter}\n")
    assert sorted(problem.field for problem in caught.value.problems) == ["starters.a.map", "starters.a.modbus.unit"]
