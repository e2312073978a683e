"""Motors that the machine tests look at: published worked examples, three typical catalogue motors, and seeded random ones."""

from __future__ import annotations

import random
from dataclasses import replace
from math import log, sqrt

from gateway.machine.circuit import Circuit
from gateway.machine.drive import Drive, drive_for
from gateway.machine.feed import Method
from gateway.machine.loads import Compressor, Conveyor, Fan, Load, Pump
from gateway.machine.methods import DirectOnLine
from gateway.machine.nameplate import EXAMPLE_45_KW, Nameplate

CHAPMAN = Circuit(
    voltage_v=460.0,
    frequency_hz=60.0,
    pole_pairs=2,
    stator_resistance_ohm=0.641,
    stator_reactance_ohm=1.106,
    rotor_resistance_ohm=0.332,
    rotor_reactance_ohm=0.464,
    magnetising_reactance_ohm=26.3,
)
"""Chapman, Electric Machinery Fundamentals, worked example of a 25 hp motor. Inputs, current, power and torque as quoted in a public
code listing; pull-out, load torque and efficiency from memory - confirm."""

FITZGERALD = Circuit(
    voltage_v=220.0,
    frequency_hz=60.0,
    pole_pairs=3,
    stator_resistance_ohm=0.294,
    stator_reactance_ohm=0.503,
    rotor_resistance_ohm=0.144,
    rotor_reactance_ohm=0.209,
    magnetising_reactance_ohm=13.25,
)
"""Fitzgerald, Electric Machinery, worked example of a 7.5 kW motor, losses of rotation 403 W. Inputs and Thevenin values as quoted in a
public code listing; results from memory - confirm."""

WITH_IRON = Circuit(
    voltage_v=230.0 * sqrt(3.0),
    frequency_hz=50.0,
    pole_pairs=2,
    stator_resistance_ohm=0.095,
    stator_reactance_ohm=0.68,
    rotor_resistance_ohm=0.3,
    rotor_reactance_ohm=0.672,
    magnetising_reactance_ohm=18.7,
    iron_resistance_ohm=620.0,
)
"""Docstring example of an open machine library (a public code listing): the same topology with an iron resistance."""

_SIGMA = sqrt(1.0 - 0.0667)
MODELICA = Circuit(
    voltage_v=100.0 * sqrt(3.0),
    frequency_hz=50.0,
    pole_pairs=2,
    stator_resistance_ohm=0.03,
    stator_reactance_ohm=3.0 * (1.0 - _SIGMA),
    rotor_resistance_ohm=0.04,
    rotor_reactance_ohm=3.0 * (1.0 - _SIGMA),
    magnetising_reactance_ohm=3.0 * _SIGMA,
)
"""Modelica Standard Library, default squirrel-cage machine. Rs and the leakage formula read in the library; Xm, Xr and Rr from memory -
confirm.
"""

MOTOR_45_KW = EXAMPLE_45_KW
MOTOR_5_5_KW = replace(
    EXAMPLE_45_KW, rated_power_w=5.5e3, rated_speed_rpm=1465.0, power_factor=0.83, efficiency=0.896, breakdown_torque_ratio=3.0
)
MOTOR_132_KW = replace(
    EXAMPLE_45_KW, rated_power_w=132e3, rated_speed_rpm=1488.0, power_factor=0.865, efficiency=0.956, locked_rotor_torque_ratio=2.2
)
"""Typical catalogue-like values of IE3 motors, 4 poles, 400 V 50 Hz, no maker. From memory - confirm."""


def fan_drive(method: Method | None = None, *, inertia_kg_m2: float = 10.45, load_part: float = 0.9) -> Drive:
    """Return the 45 kW motor on a fan that takes 0.9 of its rated torque, as in the table of starting methods."""
    load = Fan(rated_torque_nm=load_part * MOTOR_45_KW.rated_torque_nm)
    return drive_for(MOTOR_45_KW, load=load, inertia_kg_m2=inertia_kg_m2, method=DirectOnLine() if method is None else method)


def random_nameplate(rng: random.Random) -> Nameplate:
    """Return a consistent nameplate of 0.4 to 800 kW, 2 to 6 poles."""
    power_kw = 0.4 * 2000.0 ** rng.random()
    size = log(power_kw / 0.4) / log(2000.0)
    efficiency = 0.72 + 0.245 * size**0.55 + rng.uniform(-0.02, 0.0)
    power_factor = 0.70 + 0.19 * size**0.6 + rng.uniform(-0.04, 0.02)
    slip_loss = rng.uniform(0.15, 0.35) * (1.0 / efficiency - 1.0)
    pole_pairs = rng.choice((1, 2, 3))
    frequency_hz = rng.choice((50.0, 60.0))
    locked_torque = rng.uniform(1.2, 2.6)
    return Nameplate(
        rated_power_w=power_kw * 1000.0,
        voltage_v=rng.choice((400.0, 460.0, 690.0)),
        frequency_hz=frequency_hz,
        pole_pairs=pole_pairs,
        rated_speed_rpm=60.0 * frequency_hz / pole_pairs * (1.0 - slip_loss / (1.0 + slip_loss)),
        power_factor=power_factor,
        efficiency=efficiency,
        locked_rotor_current_ratio=4.0 + 3.0 * min(size + 0.2, 1.0) + rng.uniform(0.0, 1.0),
        locked_rotor_torque_ratio=locked_torque,
        breakdown_torque_ratio=max(locked_torque + 0.1, rng.uniform(2.0, 3.2)),
    )


def random_load(rng: random.Random, torque_nm: float) -> Load:
    """Return a fan, pump, unloaded compressor or lightly loaded conveyor of up to 0.9 x `torque_nm`."""
    part = rng.uniform(0.2, 0.9) * torque_nm
    kind = rng.randrange(4)
    if kind == 0:
        return Fan(rated_torque_nm=part, breakaway_part=rng.choice((0.0, 0.2)))
    if kind == 1:
        return Pump(rated_torque_nm=part, static_head_part=rng.uniform(0.0, 0.8), shut_off_part=rng.uniform(0.3, 0.5))
    if kind == 2:
        return Compressor(rated_torque_nm=part, unloaded_part=rng.uniform(0.2, 0.3), loads_after_s=rng.uniform(0.5, 5.0))
    return Conveyor(rated_torque_nm=0.5 * part, breakaway_ratio=rng.uniform(1.2, 1.6))


def free_inertia_kg_m2(nameplate: Nameplate) -> float:
    """Return an inertia of the motor alone, near to those assumed for the three typical motors."""
    return 0.0015 * float((nameplate.rated_power_w / 1000.0 * nameplate.pole_pairs / 2.0) ** 1.5)
