"""The starting method of a scenario's starter, and what the device shows of its settings."""

from __future__ import annotations

from enum import StrEnum
from math import inf

from gateway.machine.drive import Drive
from gateway.machine.feed import Method
from gateway.machine.frequency_drive import FrequencyDrive
from gateway.machine.methods import Autotransformer, DirectOnLine, PrimaryResistor, ResistorStep, StarDelta, resistor_for_voltage
from gateway.machine.soft_starter import SoftStarter
from gateway.registers.sections import Section
from simulators.words import Value


class MethodWord(StrEnum):
    """Starting methods that a scenario knows."""

    DIRECT_ON_LINE = "direct_on_line"
    STAR_DELTA = "star_delta"
    AUTOTRANSFORMER = "autotransformer"
    PRIMARY_RESISTOR = "primary_resistor"
    SOFT_STARTER = "soft_starter"
    FREQUENCY_DRIVE = "frequency_drive"


_METHOD_FIELDS = {
    MethodWord.DIRECT_ON_LINE: (),
    MethodWord.STAR_DELTA: ("star_time", "open_gap"),
    MethodWord.AUTOTRANSFORMER: ("tap", "tap_time", "open_gap"),
    MethodWord.PRIMARY_RESISTOR: ("voltage", "resistor_time", "second_voltage", "second_time"),
    MethodWord.SOFT_STARTER: (
        "initial_voltage",
        "ramp_time",
        "current_limit",
        "kick_voltage",
        "kick_time",
        "limit_in_kick",
        "stop_time",
        "stop_step",
        "stop_voltage",
        "bypass_at_speed",
    ),
    MethodWord.FREQUENCY_DRIVE: ("ramp_time", "current_limit", "stop_time", "boost", "frequency", "braking"),
}


def read_method(section: Section, drive: Drive) -> tuple[Method, dict[str, Value]] | None:
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
                return self._resistor(drive)
            case MethodWord.SOFT_STARTER:
                return self._soft_starter()
            case MethodWord.FREQUENCY_DRIVE:
                limit = self._ratio("current_limit", 1.5, "1.5 x FLC")
                ramp_s = self._time("ramp_time", 10.0)
                inverter = FrequencyDrive(
                    ramp_time_s=ramp_s,
                    current_limit_ratio=limit,
                    stop_time_s=self._time("stop_time", 0.0),
                    boost_ratio=self._ratio("boost", 0.02, "2 %"),
                    target_frequency_ratio=self._ratio("frequency", 1.0, "100 %"),
                    braking=self._section.flag("braking") or False,
                )
                return inverter, {"set_ramp_time": ramp_s, "set_current_limit": 100.0 * limit}

    def _resistor(self, drive: Drive) -> tuple[Method, dict[str, Value]]:
        voltage, until_s = self._ratio("voltage", 0.65), self._time("resistor_time", 6.0)
        steps = [ResistorStep(resistance_ohm=resistor_for_voltage(drive.circuit, voltage), until_s=until_s)]
        if "second_voltage" in self._section:
            ohm = resistor_for_voltage(drive.circuit, self._ratio("second_voltage", 0.8))
            steps.append(ResistorStep(resistance_ohm=ohm, until_s=until_s + self._time("second_time", 3.0)))
        return PrimaryResistor(steps=tuple(steps)), {"set_ramp_time": steps[-1].until_s, "set_initial_voltage": 100.0 * voltage}

    def _soft_starter(self) -> tuple[Method, dict[str, Value]]:
        limited = "current_limit" in self._section
        soft = SoftStarter(
            initial_voltage_ratio=self._ratio("initial_voltage", 0.4),
            ramp_time_s=self._time("ramp_time", 10.0),
            current_limit_ratio=self._ratio("current_limit", 3.5, "3.5 x FLC") if limited else inf,
            kick_voltage_ratio=self._ratio("kick_voltage", 0.8 if "kick_time" in self._section else 0.0),
            kick_time_s=self._time("kick_time", 0.0),
            limit_in_kick=self._section.flag("limit_in_kick") or False,
            stop_step_ratio=self._ratio("stop_step", 0.8),
            stop_voltage_ratio=self._ratio("stop_voltage", 0.3),
            bypass_at_speed=self._section.flag("bypass_at_speed") or False,
            stop_time_s=self._time("stop_time", 0.0),
        )
        settings: dict[str, Value] = {
            "set_ramp_time": soft.ramp_time_s,
            "set_initial_voltage": 100.0 * soft.initial_voltage_ratio,
            "set_current_limit": 100.0 * soft.current_limit_ratio if limited else None,
        }
        return soft, settings
