"""What one start of a motor may cost before any was seen: an estimate, shown as one.

Direct on line: I2t = locked-rotor ratio^2 x run-up time, which is a little too much since the current falls towards the end.
Run-up time: J w / (mean motor torque - mean load torque) where the inertias and the power are known, mean motor torque 0.45 x (locked-rotor
+ breakdown torque) (common practice, no source), mean load torque 1/3 of rated for a square law and all of it for a constant one; else a
typical time for the kind of load (common practice, no source).

Other methods: with no load torque the winding I2t of a start is the same by every method (energy balance of the rotor); against a load the
longer run-up costs more. 1.25 times the direct-on-line figure is taken (a 45 kW fan started at 3.5 x against 7 x: 1.20, computed).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from gateway.motors.facts import LoadKind, Method, MotorData, Starter

LOCKED_ROTOR_RATIO = 6.0
"""x FLC where the motor data do not say; common practice 5 to 8, no source."""
LOCKED_ROTOR_TORQUE_RATIO = 2.0
BREAKDOWN_TORQUE_RATIO = 2.5
CURRENT_LIMIT_RATIO = 3.5
DRIVE_CURRENT_RATIO = 1.2
REDUCED_VOLTAGE_FACTOR = 1.25
TYPICAL_RUN_UP_S = {LoadKind.FAN: 8.0, LoadKind.PUMP: 2.0, LoadKind.CONVEYOR: 4.0, LoadKind.COMPRESSOR: 3.0, LoadKind.TABLE: 8.0}
"""Direct-on-line run-up by kind of load [s]; common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StartEstimate:
    """An estimated start: winding I2t on the base of FLC [s] and its duration [s]."""

    winding_i2t_flc2s: float
    duration_s: float


def estimated_start(starter: Starter) -> StartEstimate:
    """Return the estimated cost of one start by the starter's own method.

    >>> from gateway.motors.facts import StarterData
    >>> motor = MotorData(rated_power_kw=45, rated_voltage_v=400, flc_a=80, locked_rotor_ratio=7.0)
    >>> direct = estimated_start(Starter(name="P-1", motor=motor, device=StarterData(method=Method.DIRECT_ON_LINE)))
    >>> direct.winding_i2t_flc2s, direct.duration_s
    (392.0, 8.0)
    """
    locked_rotor = starter.motor.locked_rotor_ratio or LOCKED_ROTOR_RATIO
    run_up_s = direct_run_up_s(starter)
    direct = locked_rotor**2 * run_up_s
    device = starter.device
    match device.method:
        case Method.DIRECT_ON_LINE:
            return StartEstimate(winding_i2t_flc2s=direct, duration_s=run_up_s)
        case Method.FREQUENCY_DRIVE:
            # A drive feeds rated torque at rated flux: little more than full-load current for the length of its ramp.
            ramp_s = device.ramp_time_s or run_up_s
            return StartEstimate(winding_i2t_flc2s=DRIVE_CURRENT_RATIO**2 * ramp_s, duration_s=ramp_s)
        case Method.STAR_DELTA:
            ratio = locked_rotor / math.sqrt(3.0)
        case Method.AUTOTRANSFORMER:
            ratio = (device.tap_ratio or 0.65) * locked_rotor
        case Method.PRIMARY_RESISTOR:
            ratio = (device.resistor_ratio or 0.7) * locked_rotor
        case Method.SOFT_STARTER:
            ratio = min(device.current_limit_ratio or CURRENT_LIMIT_RATIO, locked_rotor)
    i2t = REDUCED_VOLTAGE_FACTOR * direct
    return StartEstimate(winding_i2t_flc2s=i2t, duration_s=i2t / ratio**2)


def direct_run_up_s(starter: Starter) -> float:
    """Return the estimated direct-on-line run-up time [s], from inertias and torques where known, else typical for the kind of load."""
    kind = starter.load.kind if starter.load is not None else LoadKind.FAN
    typical_s = TYPICAL_RUN_UP_S[kind]
    motor = starter.motor
    load_inertia = starter.load.inertia_kg_m2 if starter.load is not None else None
    speed = _rated_speed_rad_s(motor)
    if load_inertia is None or speed is None:
        return typical_s
    rated_torque_nm = 1000.0 * motor.rated_power_kw / speed
    locked_rotor = motor.locked_rotor_torque_ratio or LOCKED_ROTOR_TORQUE_RATIO
    breakdown = motor.breakdown_torque_ratio or BREAKDOWN_TORQUE_RATIO
    square_law = kind in (LoadKind.FAN, LoadKind.PUMP)
    torque_ratio = starter.load.torque_ratio if starter.load is not None else None
    load_ratio = (1.0 if torque_ratio is None else torque_ratio) * (1.0 / 3.0 if square_law else 1.0)
    surplus_nm = (0.45 * (locked_rotor + breakdown) - load_ratio) * rated_torque_nm
    if surplus_nm <= 0.0:
        return typical_s
    return (load_inertia + (motor.inertia_kg_m2 or 0.0)) * speed / surplus_nm


def _rated_speed_rad_s(motor: MotorData) -> float | None:
    if motor.rated_speed_rpm is not None:
        return motor.rated_speed_rpm * math.pi / 30.0
    if motor.poles is not None:
        return 4.0 * math.pi * motor.frequency_hz / motor.poles
    return None
