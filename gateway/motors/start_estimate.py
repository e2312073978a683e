"""What one start of a motor may cost before any was seen: an estimate, shown as one.

Direct on line: I2t = locked-rotor ratio^2 x run-up time, which is a little too much since the current falls towards the end.
Run-up time: J w / (mean motor torque - mean load torque) where the inertias and the power are known, mean motor torque 0.45 x (locked-rotor
+ breakdown torque) (common practice, no source), mean load torque 1/3 of rated for a square law and all of it for a constant one; else a
typical time for the kind of load (common practice, no source).

Other methods: with no load torque the winding I2t of a start is the same by every method (energy balance of the rotor); against a load the
longer run-up costs more. 1.25 times the direct-on-line figure is taken (a 45 kW fan started at 3.5 x against 7 x: 1.20, computed).

The other way round, a start that was measured tells what it would have been direct on line (`direct_estimate`): its winding I2t divided by
the middle of 1 and 1.25, at the locked-rotor current of the motor data. An estimate, within DIRECT_ERROR_PCT.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from gateway.motors.facts import LoadKind, Method, MotorData, Starter
from gateway.motors.start_terms import DirectEstimate

DIRECT_SHARE = 0.62
"""Mean square of the current of a direct-on-line start, of the locked-rotor current's; computed for a 45 kW fan with J = 2 and 10 kg m2."""
DIRECT_ERROR_PCT = 25.0
"""Own choice: what the two factors leave open, held against computed starts of a 45 kW fan by four methods."""
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


def direct_estimate(starter: Starter, winding_i2t_flc2s: float) -> DirectEstimate | None:
    """Return what a start of that winding I2t would have been direct on line; None where the motor data do not give the locked-rotor
    current, or the start was one already.

    A drive feeds the motor near its rated slip, so what its start cost tells nothing: the inertias must, or there is no estimate.

    >>> motor = MotorData(rated_power_kw=45, rated_voltage_v=400, flc_a=80, locked_rotor_ratio=7.0)
    >>> fan = direct_estimate(Starter(name="F-1", motor=motor), 100.9)       # by soft starter; direct on line it takes 2.75 s and 83.8
    >>> round(fan.duration_s, 2), fan.peak_ratio, round(fan.i2t_flc2s, 1)
    (2.95, 7.0, 89.7)
    """
    ratio, method = starter.motor.locked_rotor_ratio, starter.device.method
    if ratio is None or method is Method.DIRECT_ON_LINE:
        return None
    i2t = 2.0 * winding_i2t_flc2s / (1.0 + REDUCED_VOLTAGE_FACTOR)
    if method is Method.FREQUENCY_DRIVE:
        if starter.load is None or starter.load.inertia_kg_m2 is None:
            return None
        i2t = DIRECT_SHARE * ratio**2 * direct_run_up_s(starter)
    return DirectEstimate(duration_s=i2t / (DIRECT_SHARE * ratio**2), peak_ratio=ratio, i2t_flc2s=i2t, error_pct=DIRECT_ERROR_PCT)


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
