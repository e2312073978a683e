"""The motor, load and starting method of a scenario's starter."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from math import inf

from gateway.machine.drive import Drive, drive_for
from gateway.machine.feed import Method
from gateway.machine.frequency_drive import FrequencyDrive
from gateway.machine.loads import Compressor, Conveyor, Fan, Load, Pump
from gateway.machine.methods import Autotransformer, DirectOnLine, PrimaryResistor, ResistorStep, StarDelta, resistor_for_voltage
from gateway.machine.nameplate import EXAMPLE_45_KW, Nameplate, NameplateError, check_nameplate
from gateway.machine.soft_starter import SoftStarter
from gateway.registers.sections import Section
from simulators.words import Value


class LoadWord(StrEnum):
    """Kinds of load that a scenario knows."""

    FAN = "fan"
    PUMP = "pump"
    CONVEYOR = "conveyor"
    COMPRESSOR = "compressor"


class MethodWord(StrEnum):
    """Starting methods that a scenario knows."""

    DIRECT_ON_LINE = "direct_on_line"
    STAR_DELTA = "star_delta"
    AUTOTRANSFORMER = "autotransformer"
    PRIMARY_RESISTOR = "primary_resistor"
    SOFT_STARTER = "soft_starter"
    FREQUENCY_DRIVE = "frequency_drive"


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
    load = None if load_section is None else _load(load_section, base)
    load_inertia = None if load_section is None else _required(load_section, "inertia", "kg m^2", "10 kg m^2")
    try:
        inertia = (rotor_inertia or 1.0) + (load_inertia or 0.0)
        drive = drive_for(base, load=load or Fan(rated_torque_nm=0.0), inertia_kg_m2=inertia, method=DirectOnLine())
    except NameplateError as error:
        own.refuse("motor", error.message, found=_DATUM_FIELDS.get(error.datum, error.datum))
        return None
    drive = drive if flc is None else replace(drive, flc_a=flc)
    found = None if method_section is None else _method(method_section, drive)
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


_LOAD_FIELDS = {
    LoadWord.FAN: ("constant", "breakaway"),
    LoadWord.PUMP: ("static_head", "shut_off"),
    LoadWord.CONVEYOR: ("breakaway",),
    LoadWord.COMPRESSOR: ("unloaded", "loads_after"),
}


def _load(section: Section, nameplate: Nameplate) -> Load | None:
    """Return the load; its torque is a ratio of the motor's rated torque."""
    if "kind" not in section:
        section.require("kind", "fan")
    kind = section.choice("kind", LoadWord)
    if kind is None:
        return None
    section.allow(("kind", "torque", "inertia", *_LOAD_FIELDS[kind]))
    if "torque" not in section:
        section.require("torque", "90 %")
    ratio = section.ratio("torque", 0.0, 5.0, "90 % of the motor's rated torque")
    if ratio is None:
        return None
    torque = ratio * nameplate.rated_torque_nm

    def part(key: str, default: float, high: float = 5.0) -> float:
        value = section.ratio(key, 0.0, high, "40 %")
        return default if value is None else value

    match kind:
        case LoadWord.FAN:
            return Fan(rated_torque_nm=torque, constant_part=part("constant", 0.03, 1.0), breakaway_part=part("breakaway", 0.0, 3.0))
        case LoadWord.PUMP:
            return Pump(rated_torque_nm=torque, static_head_part=part("static_head", 0.0, 0.95), shut_off_part=part("shut_off", 0.4, 1.0))
        case LoadWord.CONVEYOR:
            breakaway = section.ratio("breakaway", 1.0, 5.0, "1.4 x")
            return Conveyor(rated_torque_nm=torque, breakaway_ratio=1.4 if breakaway is None else breakaway)
        case LoadWord.COMPRESSOR:
            loads_after = section.quantity("loads_after", "s", 0.0, 3600.0)
            return Compressor(
                rated_torque_nm=torque, unloaded_part=part("unloaded", 0.25, 1.0), loads_after_s=5.0 if loads_after is None else loads_after
            )


_METHOD_FIELDS = {
    MethodWord.DIRECT_ON_LINE: (),
    MethodWord.STAR_DELTA: ("star_time", "open_gap"),
    MethodWord.AUTOTRANSFORMER: ("tap", "tap_time", "open_gap"),
    MethodWord.PRIMARY_RESISTOR: ("voltage", "resistor_time"),
    MethodWord.SOFT_STARTER: (
        "initial_voltage",
        "ramp_time",
        "current_limit",
        "kick_voltage",
        "kick_time",
        "stop_time",
        "bypass_at_speed",
    ),
    MethodWord.FREQUENCY_DRIVE: ("ramp_time", "current_limit", "stop_time"),
}


def _method(section: Section, drive: Drive) -> tuple[Method, dict[str, Value]] | None:
    """Return the method and what the device shows of its settings."""
    if "kind" not in section:
        section.require("kind", "soft_starter")
    kind = section.choice("kind", MethodWord)
    if kind is None:
        return None
    section.allow(("kind", *_METHOD_FIELDS[kind]))
    reader = _MethodReader(section)
    try:
        return reader.read(kind, drive)
    except ValueError as error:
        section.findings.add(line=section.line, field=section.path, message=str(error))
        return None


class _MethodReader:
    """Reads the settings of one method; a setting that is wrong is a finding and counts as its default here."""

    def __init__(self, section: Section) -> None:
        self._section = section

    def _time(self, key: str, default: float) -> float:
        value = self._section.quantity(key, "s", 0.0, 3600.0)
        return default if value is None else value

    def _ratio(self, key: str, default: float, example: str = "40 %") -> float:
        value = self._section.ratio(key, 0.0, 20.0, example)
        return default if value is None else value

    def read(self, kind: MethodWord, drive: Drive) -> tuple[Method, dict[str, Value]]:
        """Return the method and its settings by role; ValueError names a setting that cannot be."""
        match kind:
            case MethodWord.DIRECT_ON_LINE:
                return DirectOnLine(), {}
            case MethodWord.STAR_DELTA:
                star = StarDelta(star_time_s=self._time("star_time", 8.0), open_gap_s=self._time("open_gap", 0.05))
                return star, {"set_ramp_time": star.star_time_s}
            case MethodWord.AUTOTRANSFORMER:
                tap = Autotransformer(
                    tap_ratio=self._ratio("tap", 0.65), tap_time_s=self._time("tap_time", 6.0), open_gap_s=self._time("open_gap", 0.0)
                )
                return tap, {"set_ramp_time": tap.tap_time_s, "set_initial_voltage": 100.0 * tap.tap_ratio}
            case MethodWord.PRIMARY_RESISTOR:
                voltage, until_s = self._ratio("voltage", 0.65), self._time("resistor_time", 6.0)
                step = ResistorStep(resistance_ohm=resistor_for_voltage(drive.circuit, voltage), until_s=until_s)
                return PrimaryResistor(steps=(step,)), {"set_ramp_time": until_s, "set_initial_voltage": 100.0 * voltage}
            case MethodWord.SOFT_STARTER:
                return self._soft_starter()
            case MethodWord.FREQUENCY_DRIVE:
                limit = self._ratio("current_limit", 1.5, "1.5 x FLC")
                ramp_s = self._time("ramp_time", 10.0)
                inverter = FrequencyDrive(ramp_time_s=ramp_s, current_limit_ratio=limit, stop_time_s=self._time("stop_time", 0.0))
                return inverter, {"set_ramp_time": ramp_s, "set_current_limit": 100.0 * limit}

    def _soft_starter(self) -> tuple[Method, dict[str, Value]]:
        limited = "current_limit" in self._section
        soft = SoftStarter(
            initial_voltage_ratio=self._ratio("initial_voltage", 0.4),
            ramp_time_s=self._time("ramp_time", 10.0),
            current_limit_ratio=self._ratio("current_limit", 3.5, "3.5 x FLC") if limited else inf,
            kick_voltage_ratio=self._ratio("kick_voltage", 0.8 if "kick_time" in self._section else 0.0),
            kick_time_s=self._time("kick_time", 0.0),
            bypass_at_speed=self._section.flag("bypass_at_speed") or False,
            stop_time_s=self._time("stop_time", 0.0),
        )
        settings: dict[str, Value] = {
            "set_ramp_time": soft.ramp_time_s,
            "set_initial_voltage": 100.0 * soft.initial_voltage_ratio,
            "set_current_limit": 100.0 * soft.current_limit_ratio if limited else None,
        }
        return soft, settings
