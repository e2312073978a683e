"""One simulated starter from a register map and a few words, with typical values for everything that was not said."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from gateway.errors import InputError, Problem
from gateway.machine.nameplate import NameplateError
from gateway.machine.run_up import RunUp, run_up
from gateway.machine.typical import complete_nameplate, typical_motor_inertia_kg_m2
from gateway.registers.findings import Findings
from gateway.registers.model import RegisterMap, Signal, WordType
from gateway.registers.sections import Section
from gateway.registers.yaml_tree import YamlMap
from simulators.scenario_motor import Built, read_drive
from simulators.scenario_traits import read_device, read_protection, read_supply
from simulators.short_forms import PLACE, pieces, plate, refusal, section_node
from simulators.traits import Make
from simulators.typed_values import value_of
from simulators.words import Value

USUAL_MOTOR = "45 kW, 400 V, 50 Hz, 4 poles"
USUAL_DEVICE = "noise: 0.4 %, unbalance: 1 %"
_CURRENTS = ("current", "current_l1", "current_l2", "current_l3")
STATE_BITS = ("running", "starting", "at_speed")
_MOTOR_RATIOS = ("power_factor", "efficiency", "locked_rotor_current", "locked_rotor_torque", "breakdown_torque")
_USUAL_LOADS = {
    "fan": {"torque": "90 %"},
    "pump": {"torque": "90 %", "static_head": "55 %", "shut_off": "40 %"},
    "conveyor": {"torque": "65 %", "breakaway": "1.3"},
    "compressor": {"torque": "95 %", "unloaded": "25 %", "loads_after": "6 s"},
    "table": {},
}
_LOAD_OVER_MOTOR_INERTIA = {"fan": 15.0, "pump": 1.5, "conveyor": 10.0, "compressor": 2.0, "table": 2.0}
"""Common practice, no source."""
_USUAL_METHODS = {
    "soft_starter": {"initial_voltage": "40 %", "ramp_time": "10 s", "current_limit": "3.5 x FLC"},
    "star_delta": {"star_time": "8 s"},
    "autotransformer": {"tap": "65 %", "tap_time": "6 s"},
    "primary_resistor": {"voltage": "65 %", "resistor_time": "6 s"},
    "frequency_drive": {"ramp_time": "10 s", "current_limit": "1.5 x FLC"},
}
_FOR_A_BELT = {
    "initial_voltage": "50 %",
    "ramp_time": "8 s",
    "current_limit": "4.2 x FLC",
    "kick_voltage": "80 %",
    "kick_time": "400 ms",
}
"""A loaded belt does not break away at the usual current limit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wishes:
    """What the user said, as text; empty is not said. seed: of noise and jitter."""

    name: str = "simulated"
    motor: str = ""
    load: str = ""
    method: str = ""
    device: str = ""
    supply: str = ""
    protection: str = ""
    constants: Mapping[str, Value] | None = None
    seed: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Chosen:
    """A make, and in words what it simulates and what had to be assumed."""

    make: Make
    motor: str
    load: str
    method: str
    assumed: tuple[str, ...]
    first_start: RunUp


def choose(register_map: RegisterMap, wishes: Wishes) -> Chosen:
    """Return the starter that the user asked for; InputError with everything that is wrong with the map or the wishes."""
    check_roles(register_map)
    motor, assumed = _motor(wishes.motor or USUAL_MOTOR)
    load = _load(wishes.load or "fan", float(motor["inertia"].split()[0]))
    method = _method(wishes.method or "soft_starter", load["kind"])
    sections = {
        "motor": motor,
        "load": load,
        "method": method,
        "device": pieces("--device", wishes.device or USUAL_DEVICE, None),
        "supply": pieces("--supply", wishes.supply, None),
        "protection": pieces("--protection", wishes.protection, None),
    }
    findings = Findings(PLACE)
    node = YamlMap(entries={name: section_node(values) for name, values in sections.items() if values}, lines={}, line=1)
    own = Section(node, "", findings)
    built = read_drive(own)
    device, supply, protection = read_device(own), read_supply(own), read_protection(own)
    if findings or built is None:
        raise InputError([_as_option(problem) for problem in findings.problems])
    make = Make(
        name=wishes.name,
        map=register_map,
        drive=built.drive,
        device=device,
        supply=supply,
        protection=protection,
        settings=built.settings,
        constants={**usual_constants(register_map), **(wishes.constants or {})},
        seed=wishes.seed,
    )
    return Chosen(
        make=make,
        motor=", ".join(f"{name.replace('_', ' ')} {text}" for name, text in motor.items()),
        load=_in_words(load),
        method=_in_words(method),
        assumed=tuple(assumed),
        first_start=_first_start(built, load["kind"]),
    )


def check_roles(register_map: RegisterMap) -> None:
    """Raise InputError when the map has no current: without one no start can be seen."""
    keys = {signal.key for signal in register_map.signals}
    if keys & set(_CURRENTS):
        return
    message = "the map has no current, so no start can be simulated on it: add a signal named `current` (or `current_l1` to `current_l3`)"
    if not keys & set(STATE_BITS):
        message += f", and status bits if the device has them ({', '.join(STATE_BITS)})"
    raise InputError([Problem(file=register_map.file or register_map.name, field="signals", allowed=", ".join(_CURRENTS), message=message)])


def read_constants(register_map: RegisterMap, written: Sequence[str]) -> dict[str, Value]:
    """Return `NAME=VALUE` pieces as values of signals without a role; InputError when one cannot be."""
    signals = {signal.name: signal for signal in register_map.signals if signal.role is None}
    constants: dict[str, Value] = {}
    for text in written:
        name, _, value = (part.strip() for part in text.partition("="))
        if name not in signals:
            raise refusal("--set", text, ", ".join(signals) or "none in this map", "the map has no such signal without a role")
        try:
            constants[name] = value_of(signals[name], value)
        except ValueError as error:
            raise refusal("--set", text, "NAME=VALUE", str(error)) from error
    return constants


def usual_constants(register_map: RegisterMap) -> dict[str, Value]:
    """Return what signals without a role hold until somebody sets them: something that the map calls possible."""
    return {signal.name: _usual(signal, register_map) for signal in register_map.signals if signal.role is None}


def _usual(signal: Signal, register_map: RegisterMap) -> Value:
    if signal.type is WordType.TEXT:
        return register_map.name
    if signal.texts:
        return next(iter(signal.texts))
    low, high = signal.plausible or (0.0, 0.0)
    return 0 if low <= 0.0 <= high else low


def _motor(text: str) -> tuple[dict[str, str], list[str]]:
    """Return a whole plate as texts, typical values in the gaps."""
    given = plate("--motor", text)
    findings = Findings(PLACE)
    section = Section(section_node(given), "motor", findings)
    power, voltage = section.quantity("rated_power", "kW", above=0.0), section.quantity("rated_voltage", "V", above=0.0)
    frequency = section.quantity("frequency", "Hz", 10.0, 400.0) or 50.0
    poles, speed = section.whole("poles", 2, 24), section.quantity("rated_speed", "rpm", above=0.0)
    flc = section.quantity("full_load_current", "A", above=0.0)
    ratios = {name: section.ratio(name, 0.0, 20.0) for name in _MOTOR_RATIOS}
    for name, example in (("rated_power", "45 kW"), ("rated_voltage", "400 V")):
        if name not in section:
            section.require(name, example)
    if findings or power is None or voltage is None:
        raise InputError([_as_option(problem) for problem in findings.problems])
    try:
        done = complete_nameplate(
            rated_power_w=1000.0 * power,
            voltage_v=voltage,
            frequency_hz=frequency,
            poles=poles,
            flc_a=flc,
            rated_speed_rpm=speed,
            power_factor=ratios["power_factor"],
            efficiency=ratios["efficiency"],
            locked_rotor_current_ratio=ratios["locked_rotor_current"],
            locked_rotor_torque_ratio=ratios["locked_rotor_torque"],
            breakdown_torque_ratio=ratios["breakdown_torque"],
        )
    except NameplateError as error:
        raise InputError([Problem(file=PLACE, field="--motor", found=text, message=str(error))]) from error
    found, assumed = done.nameplate, list(done.assumed)
    inertia = section.quantity("inertia", "kg m^2", above=0.0)
    if findings:
        raise InputError([_as_option(problem) for problem in findings.problems])
    if inertia is None:
        inertia = typical_motor_inertia_kg_m2(found.rated_power_w, found.pole_pairs)
        assumed.append(f"motor inertia {inertia:.3g} kg m2 (common practice, no source)")
    whole = {
        "rated_power": f"{power:.6g} kW",
        "rated_voltage": f"{voltage:.6g} V",
        "frequency": f"{frequency:.6g} Hz",
        "poles": f"{2 * found.pole_pairs}",
        "rated_speed": f"{found.rated_speed_rpm:.6g} rpm",
        "full_load_current": f"{flc if flc is not None else found.flc_a:.4g} A",
        "power_factor": f"{found.power_factor:.6g}",
        "efficiency": f"{100 * found.efficiency:.6g} %",
        "locked_rotor_current": f"{found.locked_rotor_current_ratio:.4g} x FLC",
        "locked_rotor_torque": f"{found.locked_rotor_torque_ratio:.4g}",
        "breakdown_torque": f"{found.breakdown_torque_ratio:.4g}",
        "inertia": f"{inertia:.4g} kg m^2",
    }
    # A name that is not known is told by the reader of the section.
    return whole | {name: value for name, value in given.items() if name not in whole}, assumed


def _load(text: str, motor_inertia: float) -> dict[str, str]:
    given = pieces("--load", text, "kind")
    kind = given.setdefault("kind", "fan")
    given.setdefault("inertia", f"{_LOAD_OVER_MOTOR_INERTIA.get(kind, 1.0) * motor_inertia:.3g} kg m^2")
    return {"kind": kind, **_USUAL_LOADS.get(kind, {}), **given}


def _method(text: str, load: str) -> dict[str, str]:
    given = pieces("--method", text, "kind")
    kind = given.setdefault("kind", "soft_starter")
    usual = _FOR_A_BELT if kind == "soft_starter" and load == "conveyor" else _USUAL_METHODS.get(kind, {})
    return {"kind": kind, **usual, **given}


def _in_words(values: Mapping[str, str]) -> str:
    kind = values["kind"].replace("_", " ")
    return ", ".join([kind, *(f"{name.replace('_', ' ')} {text}" for name, text in values.items() if name != "kind")])


def _as_option(problem: Problem) -> Problem:
    """Return a finding about a section as one about the option that it came from."""
    option, _, rest = problem.field.partition(".")
    return replace(problem, file=PLACE, line=None, field=f"--{option} {rest}".strip())


def _first_start(built: Built, load: str) -> RunUp:
    """Return the start that the settings give; InputError when the load is heavier than the motor can ever carry."""
    drive = built.drive
    needed, most = drive.load.torque_nm(1.0, 1e9), drive.circuit.breakdown().torque_nm
    if needed > most:
        message = f"the {load} needs {needed:.0f} N m at full speed and the motor gives {most:.0f} N m at most: take a larger motor"
        raise refusal("--load torque", f"{needed:.0f} N m", f"up to {most:.0f} N m", message)
    return run_up(drive, time_limit_s=90.0, sample_s=0.05)
