from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from gateway.errors import InputError, Problem
from gateway.motors.facts import LoadData, LoadKind, Method, MotorData, Starter, StarterData
from gateway.services.prediction import forecast
from tests.services.test_prediction import FAN

SITE = """\
site: Tarn Hollow
defaults:
  load: {torque: 90 %}
starters:
  DC-01:
    motor:
      rated_power: 45 kW
      rated_speed: 1478 rpm
    load: {kind: fan}
    starter:
      ramp_time: 0 s
"""


def _problem(starter: Starter, file: Path) -> Problem:
    with pytest.raises(InputError) as caught:
        forecast(starter, file)
    (problem,) = caught.value.problems
    return problem


def test_a_missing_load_is_asked_for_with_an_example() -> None:
    problem = _problem(replace(FAN, load=None), Path("nowhere.yaml"))
    assert problem.field == "starters.DC-01.load"
    assert "kind: fan" in problem.allowed
    assert problem.line is None


@pytest.mark.parametrize(
    ("change", "field", "words"),
    [
        ({"rated_speed_rpm": 1510.0}, "motor.rated_speed", "slip"),
        ({"efficiency": 0.99}, "motor.efficiency", "slip and friction"),
        ({"breakdown_torque_ratio": 1.02}, "motor.breakdown_torque", "allowed from"),
        ({"flc_a": 140.0}, "motor.full_load_current", "does not fit"),
        ({"locked_rotor_ratio": 2.05, "locked_rotor_torque_ratio": 2.8}, "motor.locked_rotor_torque", "x rated torque"),
    ],
)
def test_an_impossible_nameplate_names_its_entry(change: dict[str, float], field: str, words: str) -> None:
    values = {name: getattr(FAN.motor, name) for name in MotorData.__slots__} | change
    problem = _problem(replace(FAN, motor=MotorData(**values)), Path("nowhere.yaml"))
    assert problem.field == f"starters.DC-01.{field}"
    assert words in problem.message


@pytest.mark.parametrize("method", [Method.SOFT_STARTER, Method.FREQUENCY_DRIVE])
def test_a_ramp_of_nothing_is_no_ramp(method: Method, tmp_path: Path) -> None:
    file = tmp_path / "site.yaml"
    file.write_text(SITE, encoding="utf-8")
    problem = _problem(replace(FAN, device=StarterData(method=method, ramp_time_s=0.0)), file)
    assert problem.field == "starters.DC-01.starter.ramp_time"
    assert problem.line == 11
    assert problem.found == "0 s"
    assert "direct_on_line" in problem.allowed


def test_a_kick_longer_than_the_ramp_names_the_kick() -> None:
    device = StarterData(ramp_time_s=0.3, kick_time_s=0.4, kick_voltage_ratio=0.8)
    problem = _problem(replace(FAN, device=device), Path("nowhere.yaml"))
    assert problem.field == "starters.DC-01.starter.kick_time"


def test_a_load_out_of_bounds_names_its_entry_and_its_line(tmp_path: Path) -> None:
    file = tmp_path / "site.yaml"
    file.write_text(SITE, encoding="utf-8")
    pump = LoadData(kind=LoadKind.PUMP, torque_ratio=0.9, static_head_ratio=0.99, inertia_kg_m2=1.0)
    problem = _problem(replace(FAN, load=pump), file)
    assert problem.field == "starters.DC-01.load.static_head"
    assert problem.line == 9, "the entry is missing, so the line of its section tells where"
    negative = replace(FAN, load=LoadData(kind=LoadKind.FAN, torque_ratio=0.9, inertia_kg_m2=-20.0))
    assert _problem(negative, file).field == "starters.DC-01.load.inertia"


def test_what_defaults_give_has_its_line_there(tmp_path: Path) -> None:
    file = tmp_path / "site.yaml"
    file.write_text(SITE, encoding="utf-8")
    fan = LoadData(kind=LoadKind.FAN, torque_ratio=float("nan"), inertia_kg_m2=1.0)
    problem = _problem(replace(FAN, load=fan), file)
    assert problem.field == "starters.DC-01.load.torque"
    assert problem.line == 3


def test_an_unknown_trip_class_is_a_problem_of_the_motor() -> None:
    problem = _problem(replace(FAN, motor=replace(FAN.motor, trip_class="99")), Path("nowhere.yaml"))
    assert problem.field == "starters.DC-01.motor"
    assert "trip class" in problem.message


def test_a_file_that_cannot_be_read_gives_no_line(tmp_path: Path) -> None:
    file = tmp_path / "site.yaml"
    file.write_text("[", encoding="utf-8")
    assert _problem(replace(FAN, load=None), file).line is None
