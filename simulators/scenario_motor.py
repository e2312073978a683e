"""The motor of a scenario's starter, with its load and starting method: a drive."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from gateway.machine.drive import Drive, drive_for
from gateway.machine.loads import Fan
from gateway.machine.methods import DirectOnLine
from gateway.machine.nameplate import EXAMPLE_45_KW, Nameplate, NameplateError, check_nameplate
from gateway.registers.sections import Section
from simulators.scenario_load import read_load
from simulators.scenario_method import read_method
from simulators.words import Value

_MOTOR_EXAMPLES = {
    "rated_power": "45 kW",
    "rated_voltage": "400 V",
    "rated_speed": "1478 rpm",
    "power_factor": "0.86",
    "efficiency": "94.2 %",
    "locked_rotor_current": "7.0 x FLC",
    "locked_rotor_torque": "2.4",
    "breakdown_torque": "2.8",
    "inertia": "0.45 kg m^2",
}
_DATUM_FIELDS = {
    "rated_power_w": "rated_power",
    "voltage_v": "rated_voltage",
    "frequency_hz": "frequency",
    "pole_pairs": "poles",
    "rated_speed_rpm": "rated_speed",
    "locked_rotor_current_ratio": "locked_rotor_current",
    "locked_rotor_torque_ratio": "locked_rotor_torque",
    "breakdown_torque_ratio": "breakdown_torque",
    "flc_a": "full_load_current",
}


@dataclass(frozen=True, slots=True)
class Built:
    """A drive and the settings that its device shows, by role."""

    drive: Drive
    settings: Mapping[str, Value]


def read_drive(own: Section) -> Built | None:
    """Return the drive that `motor`, `load` and `method` describe, None when one of them is wrong."""
    sections = {key: own.section(key) for key in ("motor", "load", "method")}
    for key, example in (("motor", "{rated_power: 45 kW, ...}"), ("load", "{kind: fan, ...}"), ("method", "{kind: soft_starter, ...}")):
        if key not in own:
            own.require(key, example)
    motor, load_section, method_section = sections["motor"], sections["load"], sections["method"]
    nameplate, rotor_inertia, flc = (None, None, None) if motor is None else _nameplate(motor)
    # With a wrong nameplate load and method are read all the same, on an example motor, so that their mistakes are told too.
    base = nameplate or EXAMPLE_45_KW
    load = None if load_section is None else read_load(load_section, base)
    load_inertia = None if load_section is None else _required(load_section, "inertia", "kg m^2", "10 kg m^2")
    try:
        inertia = (rotor_inertia or 1.0) + (load_inertia or 0.0)
        drive = drive_for(base, load=load or Fan(rated_torque_nm=0.0), inertia_kg_m2=inertia, method=DirectOnLine())
    except NameplateError as error:
        own.refuse("motor", error.message, found=_DATUM_FIELDS.get(error.datum, error.datum))
        return None
    drive = drive if flc is None else replace(drive, flc_a=flc)
    found = None if method_section is None else read_method(method_section, drive)
    if nameplate is None or rotor_inertia is None or load is None or load_inertia is None or found is None:
        return None
    method, settings = found
    return Built(replace(drive, method=method), {"set_flc": drive.flc_a, **settings})


def _required(section: Section, key: str, unit: str, example: str) -> float | None:
    if key not in section:
        section.require(key, example)
    return section.quantity(key, unit, above=0.0)


def _nameplate(motor: Section) -> tuple[Nameplate | None, float | None, float | None]:
    motor.allow((*_MOTOR_EXAMPLES, "poles", "frequency", "full_load_current"))
    for key, example in _MOTOR_EXAMPLES.items():
        if key not in motor:
            motor.require(key, example)
    power = motor.quantity("rated_power", "kW", above=0.0)
    voltage = motor.quantity("rated_voltage", "V", above=0.0)
    speed = motor.quantity("rated_speed", "rpm", above=0.0)
    ratios = [
        motor.ratio(key, 0.0, 20.0, example)
        for key, example in _MOTOR_EXAMPLES.items()
        if key in ("power_factor", "efficiency", "locked_rotor_current", "locked_rotor_torque", "breakdown_torque")
    ]
    poles = motor.whole("poles", 2, 24) if "poles" in motor else 4
    frequency = motor.quantity("frequency", "Hz", 10.0, 400.0) if "frequency" in motor else 50.0
    inertia = motor.quantity("inertia", "kg m^2", above=0.0)
    flc = motor.quantity("full_load_current", "A", above=0.0)
    if power is None or voltage is None or speed is None or poles is None or frequency is None:
        return None, None, None
    given = [ratio for ratio in ratios if ratio is not None]
    if len(given) != len(ratios):
        return None, None, None
    nameplate = Nameplate(
        rated_power_w=power * 1000.0,
        voltage_v=voltage,
        frequency_hz=frequency,
        pole_pairs=poles // 2,
        rated_speed_rpm=speed,
        power_factor=given[0],
        efficiency=given[1],
        locked_rotor_current_ratio=given[2],
        locked_rotor_torque_ratio=given[3],
        breakdown_torque_ratio=given[4],
    )
    try:
        check_nameplate(nameplate, flc)
    except NameplateError as error:
        motor.refuse(_DATUM_FIELDS.get(error.datum, error.datum), error.message)
        return None, None, None
    return nameplate, inertia, flc
