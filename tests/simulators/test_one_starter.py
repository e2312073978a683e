"""A starter from a few words: typical values told as assumed, nonsense refused in words, every map of the project servable."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from gateway.errors import InputError
from gateway.machine.loads import Compressor, Conveyor, Fan, Pump, TorqueTable
from gateway.machine.methods import StarDelta
from gateway.machine.run_up import RunUpOutcome
from gateway.machine.soft_starter import SoftStarter
from gateway.registers.load import load_map
from gateway.registers.model import RegisterMap
from simulators.one_starter import Wishes, choose, read_constants
from simulators.plant import SimulatedStarter
from simulators.timetable import Action
from tests.simulators.makes import device_map

MAPS = Path(__file__).parents[2] / "config" / "maps"


@pytest.mark.parametrize("path", sorted(MAPS.glob("*.yaml")), ids=lambda path: path.stem)
def test_every_example_map_just_works(path: Path) -> None:
    chosen = choose(load_map(path), Wishes())
    assert chosen.first_start.outcome is RunUpOutcome.AT_SPEED
    assert any("rated slip" in text for text in chosen.assumed)
    own = SimulatedStarter(chosen.make)
    own.command(Action.START)
    own.advance_to(20.0)
    own.image()
    assert own.true_starts[0].outcome == "at_speed"
    assert own.true_starts[0].duration_s == pytest.approx(chosen.first_start.current_fell_s or 0.0, rel=0.03)


@pytest.mark.parametrize(
    ("load", "kind"),
    [
        ("fan", Fan),
        ("pump, static_head: 40 %", Pump),
        ("conveyor", Conveyor),
        ("compressor, loads_after: 3 s", Compressor),
        ("table, points: [0 % 30 %, 100 % 80 %], inertia: 4 kg m^2", TorqueTable),
    ],
)
def test_every_load_starts_with_usual_settings(load: str, kind: type) -> None:
    chosen = choose(device_map(), Wishes(load=load))
    assert isinstance(chosen.make.drive.load, kind)
    assert chosen.first_start.outcome is RunUpOutcome.AT_SPEED


@pytest.mark.parametrize(
    "method", ["direct_on_line", "star_delta", "autotransformer", "primary_resistor", "soft_starter", "frequency_drive"]
)
def test_every_method_starts_with_usual_settings(method: str) -> None:
    assert choose(device_map(), Wishes(method=method, load="pump")).first_start.outcome is RunUpOutcome.AT_SPEED


def test_what_is_said_is_taken() -> None:
    wishes = Wishes(
        motor="60 hp 460 V 60 Hz 1780 rpm 70 A, inertia: 0.5 kg m^2, breakdown_torque: 2.9",
        load="fan, torque: 70 %, inertia: 3 kg m^2",
        method="star_delta, star_time: 5 s",
        device="noise: 0 %, start_count: 815",
        supply="voltage: 97 %",
        protection="start_time: 12 s",
        seed=9,
    )
    make = choose(device_map(), wishes).make
    assert make.drive.circuit.frequency_hz == 60.0
    assert make.drive.circuit.pole_pairs == 2
    assert make.drive.flc_a == pytest.approx(70.0)
    assert make.drive.inertia_kg_m2 == pytest.approx(3.5)
    assert make.drive.method == StarDelta(star_time_s=5.0)
    assert (make.device.noise, make.device.start_count, make.supply.voltage_ratio) == (0.0, 815, 0.97)
    assert (make.protection.max_start_s, make.seed) == (12.0, 9)


def test_a_loaded_belt_gets_a_kick() -> None:
    method = choose(device_map(), Wishes(load="conveyor")).make.drive.method
    assert isinstance(method, SoftStarter)
    assert method.kick_time_s > 0


def test_a_start_that_hangs_is_no_error() -> None:
    chosen = choose(
        device_map(), Wishes(load="conveyor, torque: 80 %, breakaway: 1.5", method="soft_starter, current_limit: 2.5 x FLC, kick_time: 0 s")
    )
    assert chosen.first_start.outcome is not RunUpOutcome.AT_SPEED


@pytest.mark.parametrize(
    ("wishes", "field", "message"),
    [
        (Wishes(motor="45 kW 400 V 2000 rpm 4 poles"), "--motor rated_speed", "slip"),
        (Wishes(motor="45 kW"), "--motor rated_voltage", "missing"),
        (Wishes(motor="45 kW 400 V quick"), "--motor", "no number with a unit"),
        (Wishes(motor="45 kW 400 V 20 A"), "--motor", "power factor"),
        (Wishes(motor="45 kW 400 V, colour: green"), "--motor colour", "not known here"),
        (Wishes(motor="45 kW 400 V, inertia: -1 kg m^2"), "--motor inertia", "out of range"),
        (Wishes(load="fan, torque: 400 %"), "--load torque", "take a larger motor"),
        (Wishes(load="fan, inertia: -3 kg m^2"), "--load inertia", "out of range"),
        (Wishes(load="fan, 90 %"), "--load", "needs a name"),
        (Wishes(load="fan, torque: 90 %, torque: 80 %"), "--load", "given twice"),
        (Wishes(load="mill"), "--load kind", "not known"),
        (Wishes(method="soft_starter, ramp_time: 0 s"), "--method", "ramp_time_s"),
        (Wishes(method="soft_starter, ramp: 5 s"), "--method ramp", "did you mean"),
        (Wishes(device="noise: much"), "--device noise", ""),
        (Wishes(device="0.5 %"), "--device", "needs a name"),
        (Wishes(supply="voltage: 10 %"), "--supply voltage", "out of range"),
        (Wishes(protection="stall_time: 0 s"), "--protection stall_time", "out of range"),
    ],
)
def test_what_cannot_be_is_told(wishes: Wishes, field: str, message: str) -> None:
    with pytest.raises(InputError) as caught:
        choose(device_map(), wishes)
    problem = caught.value.problems[0]
    assert (problem.file, problem.field, problem.line) == ("command line", field, None)
    assert message in problem.message


def without(*keys: str) -> RegisterMap:
    whole = device_map()
    return replace(whole, signals=tuple(signal for signal in whole.signals if signal.key not in keys))


def test_a_map_without_current_is_refused_and_told_what_is_missing() -> None:
    currents = ("current", "current_l1", "current_l2", "current_l3")
    with pytest.raises(InputError, match="no current.*`current_l1` to `current_l3`.; found|no current"):
        choose(without(*currents), Wishes())
    with pytest.raises(InputError, match="status bits if the device has them \\(running, starting, at_speed\\)"):
        choose(without(*currents, "running", "starting", "at_speed"), Wishes())
    choose(without(*currents[1:]), Wishes())
    choose(without(currents[0]), Wishes())


def test_constants() -> None:
    panel = load_map(MAPS / "ramp-pro-metered.yaml")
    assert read_constants(panel, ["serial_number=RP 45", "control_place = network"]) == {
        "serial_number": "RP 45",
        "control_place": "network",
    }
    assert choose(panel, Wishes(constants={"energy": 12.5})).make.constants["energy"] == 12.5
    for text, message in (("current=5", "no such signal"), ("energy=plenty", "cannot hold"), ("energy", "cannot hold")):
        with pytest.raises(InputError, match=message):
            read_constants(panel, [text])
