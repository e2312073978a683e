"""The machine that a site file describes: circuit, load and starting method from a starter's facts, telling what had to be assumed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from gateway.machine.drive import Drive, drive_for
from gateway.machine.feed import Method
from gateway.machine.frequency_drive import FrequencyDrive
from gateway.machine.loads import Compressor, Conveyor, Fan, Load, Pump, TorqueTable
from gateway.machine.methods import Autotransformer, DirectOnLine, PrimaryResistor, ResistorStep, StarDelta, resistor_for_voltage
from gateway.machine.nameplate import Nameplate, check_nameplate
from gateway.machine.run_up import run_up
from gateway.machine.soft_starter import SoftStarter
from gateway.machine.typical import complete_nameplate, typical_motor_inertia_kg_m2
from gateway.motors.facts import LoadData, LoadKind, MotorData, Starter, StarterData
from gateway.motors.facts import Method as MethodName

_PRACTICE = "common practice, no source"
_TYPICAL_LOAD_INERTIA = {
    LoadKind.FAN: 15.0,
    LoadKind.PUMP: 1.5,
    LoadKind.CONVEYOR: 5.0,
    LoadKind.COMPRESSOR: 1.0,
    LoadKind.TABLE: 2.0,
}
"""Load inertia over motor inertia."""
_TYPICAL_TORQUE = 0.85
_LONG_S = 120.0
_BREAKAWAY_MARGIN = 1.1
_BOOSTS = tuple(0.01 * percent for percent in range(2, 16))


class MissingDatumError(ValueError):
    """Something without which no start can be predicted is not given; `datum` names it."""

    def __init__(self, datum: str, message: str) -> None:
        self.datum = datum
        self.message = message
        super().__init__(f"{datum}: {message}")


@dataclass(frozen=True, slots=True, kw_only=True)
class StarterDrive:
    """A drive made from facts, on direct-on-line until a method is chosen; `assumed` tells every value that was not given."""

    drive: Drive
    nameplate: Nameplate
    assumed: tuple[str, ...]


def _load(data: LoadData, torque_nm: float, assumed: list[str]) -> Load:
    """Return the load at rated motor torque `torque_nm`."""
    if data.kind is LoadKind.TABLE:
        if not data.torque_points:
            raise MissingDatumError("load.table", "a load of kind table needs its points: (speed x rated, torque x rated)")
        return TorqueTable(points=tuple((speed, part * torque_nm) for speed, part in data.torque_points))
    part = data.torque_ratio
    if part is None:
        part = _TYPICAL_TORQUE
        assumed.append(f"load torque {part:g} x rated ({_PRACTICE})")
    at_speed = part * torque_nm
    if data.kind is LoadKind.FAN:
        return Fan(rated_torque_nm=at_speed, breakaway_part=0.0 if data.breakaway_ratio is None else max(data.breakaway_ratio - 0.03, 0.0))
    if data.kind is LoadKind.PUMP:
        return Pump(rated_torque_nm=at_speed, static_head_part=data.static_head_ratio or 0.0)
    if data.kind is LoadKind.COMPRESSOR:
        return Compressor(rated_torque_nm=at_speed)
    if data.breakaway_ratio is None:
        return Conveyor(rated_torque_nm=at_speed)
    return Conveyor(rated_torque_nm=at_speed, breakaway_ratio=data.breakaway_ratio)


def _inertia_kg_m2(motor: MotorData, load: LoadData, nameplate: Nameplate, assumed: list[str]) -> float:
    own = motor.inertia_kg_m2
    if own is None:
        own = typical_motor_inertia_kg_m2(nameplate.rated_power_w, nameplate.pole_pairs)
        assumed.append(f"motor inertia {own:.3g} kg m2 ({_PRACTICE})")
    driven = load.inertia_kg_m2
    if driven is None:
        driven = _TYPICAL_LOAD_INERTIA[load.kind] * own
        assumed.append(f"load inertia {driven:.3g} kg m2 ({_PRACTICE})")
    return own + driven


def starter_drive(starter: Starter) -> StarterDrive:
    """Return the motor and load of a starter as a drive.

    MissingDatumError when there is no load; NameplateError when the motor data contradict themselves; ValueError naming a load figure
    out of bounds.

    >>> from gateway.motors.facts import LoadData, LoadKind, MotorData, Starter
    >>> fan = Starter(name="DC-01", motor=MotorData(rated_power_kw=45, rated_voltage_v=400, flc_a=80.2, poles=4),
    ...     load=LoadData(kind=LoadKind.FAN, torque_ratio=0.9, inertia_kg_m2=10.0))
    >>> made = starter_drive(fan)
    >>> round(made.drive.inertia_kg_m2, 2), made.assumed[-1]
    (10.45, 'motor inertia 0.45 kg m2 (common practice, no source)')
    """
    motor, load = starter.motor, starter.load
    if load is None:
        raise MissingDatumError("load", "the starter has no load, so no start can be predicted; give at least its kind")
    done = complete_nameplate(
        rated_power_w=1000.0 * motor.rated_power_kw,
        voltage_v=motor.rated_voltage_v,
        frequency_hz=motor.frequency_hz,
        poles=motor.poles,
        flc_a=motor.flc_a,
        rated_speed_rpm=motor.rated_speed_rpm,
        power_factor=motor.power_factor,
        efficiency=motor.efficiency,
        locked_rotor_current_ratio=motor.locked_rotor_ratio,
        locked_rotor_torque_ratio=motor.locked_rotor_torque_ratio,
        breakdown_torque_ratio=motor.breakdown_torque_ratio,
    )
    check_nameplate(done.nameplate, motor.flc_a)
    assumed = list(done.assumed)
    driven = _load(load, done.nameplate.rated_torque_nm, assumed)
    inertia = _inertia_kg_m2(motor, load, done.nameplate, assumed)
    drive = drive_for(done.nameplate, load=driven, inertia_kg_m2=inertia, method=DirectOnLine())
    return StarterDrive(drive=replace(drive, flc_a=motor.flc_a), nameplate=done.nameplate, assumed=tuple(assumed))


TYPICAL_SETTINGS: Mapping[MethodName, tuple[str, ...]] = {
    MethodName.STAR_DELTA: ("star_time",),
    MethodName.AUTOTRANSFORMER: ("tap", "tap_time"),
    MethodName.PRIMARY_RESISTOR: ("resistor", "resistor_time"),
    MethodName.SOFT_STARTER: ("initial_voltage", "ramp_time", "current_limit"),
    MethodName.FREQUENCY_DRIVE: ("ramp_time",),
}
"""Settings that `method_of` takes typical values for where the device does not say, by their name in the site file."""


def settings_not_given(name: MethodName, device: StarterData) -> tuple[str, ...]:
    """Return the settings of a method, as the site file names them, for which a typical value stands in.

    >>> settings_not_given(MethodName.SOFT_STARTER, StarterData(ramp_time_s=12.0))
    ('initial_voltage', 'current_limit')
    """
    given = {
        "star_time": device.star_time_s,
        "tap": device.tap_ratio,
        "tap_time": device.tap_time_s,
        "resistor": device.resistor_ratio,
        "resistor_time": device.resistor_time_s,
        "initial_voltage": device.initial_voltage_ratio,
        "ramp_time": device.ramp_time_s,
        "current_limit": device.current_limit_ratio,
    }
    return tuple(setting for setting in TYPICAL_SETTINGS.get(name, ()) if given[setting] is None)


def _timer_s(drive: Drive, method: Method) -> float:
    """Return when to switch over: at 85 % of rated speed, or when the speed has nearly reached where it would hang."""
    curve = run_up(replace(drive, method=method), time_limit_s=_LONG_S, sample_s=0.02)
    goal = min(0.85 * drive.rated_speed_rad_s, 0.98 * float(curve.speed_rad_s.max()))
    if goal <= 0.0:
        return 5.0
    return max(0.5, round(float(curve.at_s[curve.speed_rad_s >= goal][0]), 1))


def method_of(name: MethodName, device: StarterData, drive: Drive) -> Method:
    """Return a starting method with the device's own settings, and typical ones where it has none.

    Timers that are not given are set as an installer does: to 85 % speed, or to where the speed hangs. So is the voltage boost of a
    drive: as little as breaks the load away.
    """
    if name is MethodName.STAR_DELTA:
        return StarDelta(star_time_s=device.star_time_s or _timer_s(drive, StarDelta(star_time_s=_LONG_S)))
    if name is MethodName.AUTOTRANSFORMER:
        tap = device.tap_ratio or 0.65
        time_s = device.tap_time_s or _timer_s(drive, Autotransformer(tap_ratio=tap, tap_time_s=_LONG_S))
        return Autotransformer(tap_ratio=tap, tap_time_s=time_s)
    if name is MethodName.PRIMARY_RESISTOR:
        ohm = resistor_for_voltage(drive.circuit, device.resistor_ratio or 0.65)
        held = PrimaryResistor(steps=(ResistorStep(resistance_ohm=ohm, until_s=_LONG_S),))
        return PrimaryResistor(steps=(ResistorStep(resistance_ohm=ohm, until_s=device.resistor_time_s or _timer_s(drive, held)),))
    if name is MethodName.SOFT_STARTER:
        return SoftStarter(
            initial_voltage_ratio=device.initial_voltage_ratio or 0.4,
            ramp_time_s=device.ramp_time_s or 10.0,
            current_limit_ratio=device.current_limit_ratio or 3.5,
            kick_voltage_ratio=(device.kick_voltage_ratio or 0.8) if device.kick_time_s else 0.0,
            kick_time_s=device.kick_time_s or 0.0,
        )
    if name is MethodName.FREQUENCY_DRIVE:
        ramp_time_s = device.ramp_time_s or 10.0
        return FrequencyDrive(ramp_time_s=ramp_time_s, boost_ratio=_boost_ratio(drive, ramp_time_s))
    return DirectOnLine()


def _boost_ratio(drive: Drive, ramp_time_s: float) -> float:
    """Return the least voltage boost with which the load breaks away with a margin, inside the current limit; 2 % if none does."""
    wanted_nm = _BREAKAWAY_MARGIN * drive.load.torque_nm(0.0, 0.0)
    for boost in _BOOSTS:
        given = FrequencyDrive(ramp_time_s=ramp_time_s, boost_ratio=boost)
        # A fifth of the ramp is past every breakaway; the current limit holds the frequency where the torque is.
        if given.starting(drive.circuit, drive.flc_a, 0, 0.2 * ramp_time_s, 0.0, 1.0).torque_nm >= wanted_nm:
            return boost
    return _BOOSTS[0]
