"""The equivalent circuit from nameplate and catalogue data, by nested bisection: no optimiser, no starting guess.

Exact at full load (current, power factor, torque) and at standstill (current, torque); breakdown torque within 0.8 % on random nameplates.
Loss split and the deep-bar constant k^2 = 3 are judgement (they give the pull-up dips of 0 to 20 % of present catalogue motors).
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from math import exp, isfinite, log, pi, sqrt

from gateway.machine.circuit import Circuit

_FRICTION_OF_INPUT = 0.008
_IRON_OF_LOSS = 0.20
_LEAST_COPPER_OF_LOSS = 0.15
_STATOR_PART_OF_LEAKAGE = 0.45
_BAR_DEPTH_SQUARED = 3.0
_LEAST_LEAKAGE, _MOST_LEAKAGE = 0.02, 0.6
"""Bounds of the total leakage, of rated voltage over rated current."""
_TORQUE_TOLERANCE = 0.02
_MOST_STANDSTILL_POWER_FACTOR = 0.95
"""Common practice, no source: catalogue motors lie between 0.2 and 0.8."""


class NameplateError(ValueError):
    """The nameplate contradicts itself or lies outside what a squirrel-cage motor can be; `datum` names the field to look at."""

    def __init__(self, datum: str, message: str) -> None:
        self.datum = datum
        self.message = message
        super().__init__(f"{datum}: {message}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Nameplate:
    """Catalogue data of one motor. Ratios are multiples of the rated current and the rated torque at rated voltage."""

    rated_power_w: float
    voltage_v: float
    frequency_hz: float
    pole_pairs: int
    rated_speed_rpm: float
    power_factor: float
    efficiency: float
    locked_rotor_current_ratio: float
    locked_rotor_torque_ratio: float
    breakdown_torque_ratio: float

    @property
    def sync_speed_rpm(self) -> float:
        """Return the synchronous speed [rpm]."""
        return 60.0 * self.frequency_hz / self.pole_pairs

    @property
    def rated_slip(self) -> float:
        """Return the slip at rated speed, of 1."""
        return 1.0 - self.rated_speed_rpm / self.sync_speed_rpm

    @property
    def rated_speed_rad_s(self) -> float:
        """Return the rated speed [rad/s]."""
        return self.rated_speed_rpm * pi / 30.0

    @property
    def rated_torque_nm(self) -> float:
        """Return the rated shaft torque [N m]."""
        return self.rated_power_w / self.rated_speed_rad_s

    @property
    def flc_a(self) -> float:
        """Return the full-load current that power, voltage, power factor and efficiency give together [A].

        >>> round(EXAMPLE_45_KW.flc_a, 2)
        80.18
        """
        return self.rated_power_w / (sqrt(3.0) * self.voltage_v * self.power_factor * self.efficiency)


EXAMPLE_45_KW = Nameplate(
    rated_power_w=45e3,
    voltage_v=400.0,
    frequency_hz=50.0,
    pole_pairs=2,
    rated_speed_rpm=1478.0,
    power_factor=0.86,
    efficiency=0.942,
    locked_rotor_current_ratio=7.0,
    locked_rotor_torque_ratio=2.4,
    breakdown_torque_ratio=2.8,
)
"""A typical IE3 motor of 45 kW, 4 poles, 400 V 50 Hz: catalogue-like values, no maker. From memory - confirm."""


def check_nameplate(nameplate: Nameplate, flc_a: float | None = None) -> None:
    """Raise NameplateError naming the first datum that cannot be right. `flc_a` is the current printed on the plate, cross-checked to 10
    %.
    """
    for item in fields(nameplate):
        value = getattr(nameplate, item.name)
        if not (isfinite(value) and value > 0):
            raise NameplateError(item.name, f"must be a positive number, found {value}")
    sync = nameplate.sync_speed_rpm
    slip = nameplate.rated_slip
    if not 0.0005 <= slip <= 0.15:
        raise NameplateError(
            "rated_speed_rpm",
            f"{nameplate.rated_speed_rpm:g} rpm at {nameplate.frequency_hz:g} Hz and {2 * nameplate.pole_pairs} poles is a slip of"
            f" {100 * slip:.2f} %; allowed 0.05 to 15 % below {sync:g} rpm",
        )
    for name in ("power_factor", "efficiency"):
        value = getattr(nameplate, name)
        if not 0.3 <= value < 1.0:
            raise NameplateError(name, f"found {value:g}, allowed 0.3 to below 1")
    best = 1.0 - slip - _FRICTION_OF_INPUT
    if nameplate.efficiency >= best:
        raise NameplateError("efficiency", f"{nameplate.efficiency:g} cannot be: slip and friction alone leave less than {best:.4f}")
    if not 2.0 <= nameplate.locked_rotor_current_ratio <= 15.0:
        raise NameplateError("locked_rotor_current_ratio", f"found {nameplate.locked_rotor_current_ratio:g} x FLC, allowed 2 to 15")
    least = max(1.05, nameplate.locked_rotor_torque_ratio)
    if nameplate.breakdown_torque_ratio < least:
        raise NameplateError(
            "breakdown_torque_ratio",
            f"found {nameplate.breakdown_torque_ratio:g}, allowed from {least:g}: above rated and not below the locked-rotor torque",
        )
    if flc_a is not None and abs(flc_a / nameplate.flc_a - 1.0) > 0.10:
        raise NameplateError(
            "flc_a",
            f"{flc_a:g} A does not fit {nameplate.rated_power_w / 1000:g} kW, {nameplate.voltage_v:g} V,"
            f" power factor {nameplate.power_factor:g} and efficiency {nameplate.efficiency:g}, which give {nameplate.flc_a:.4g} A",
        )


@dataclass(frozen=True, slots=True)
class _Losses:
    """How the losses at full load are split."""

    friction_w: float
    gap_w: float
    iron_w: float
    stator_resistance_ohm: float


def _losses(nameplate: Nameplate) -> _Losses:
    power_in = nameplate.rated_power_w / nameplate.efficiency
    loss = power_in - nameplate.rated_power_w
    friction = _FRICTION_OF_INPUT * power_in
    gap = (nameplate.rated_power_w + friction) / (1.0 - nameplate.rated_slip)
    iron = _IRON_OF_LOSS * loss
    copper = power_in - gap - iron
    if copper < _LEAST_COPPER_OF_LOSS * loss:
        copper = _LEAST_COPPER_OF_LOSS * loss
        iron = power_in - gap - copper
    if iron <= 0:
        raise NameplateError(
            "efficiency",
            f"{nameplate.efficiency:g} at {nameplate.rated_speed_rpm:g} rpm leaves nothing for iron and stator losses:"
            " slip too large or efficiency too high",
        )
    return _Losses(friction, gap, iron, copper / (3.0 * nameplate.flc_a**2))


@dataclass(frozen=True, slots=True)
class _FullLoad:
    """The circuit as full load alone determines it for one trial leakage."""

    stator_reactance_ohm: float
    rotor_resistance_ohm: float
    rotor_reactance_ohm: float
    magnetising_reactance_ohm: float
    iron_resistance_ohm: float


def _full_load(nameplate: Nameplate, losses: _Losses, leakage_ohm: float) -> _FullLoad | None:
    """Return the circuit that draws the rated current at the rated slip; None when the leakage is too large for it."""
    stator_x = _STATOR_PART_OF_LEAKAGE * leakage_ohm
    rotor_x = leakage_ohm - stator_x
    pf = nameplate.power_factor
    current = complex(pf, -sqrt(1.0 - pf * pf)) * nameplate.flc_a
    emf = nameplate.voltage_v / sqrt(3.0) - current * complex(losses.stator_resistance_ohm, stator_x)
    emf2 = abs(emf) ** 2
    # Pgap = 3 E^2 a / (a^2 + Xr^2) has two roots in a = R2/s; the larger is the running one.
    half = 1.5 * emf2 / losses.gap_w
    if half <= rotor_x:
        return None
    a = half + sqrt(half * half - rotor_x * rotor_x)
    magnetising_var = 3.0 * (emf * current.conjugate()).imag - 3.0 * emf2 / (a * a + rotor_x * rotor_x) * rotor_x
    if magnetising_var <= 0:
        return None
    return _FullLoad(stator_x, a * nameplate.rated_slip, rotor_x, 3.0 * emf2 / magnetising_var, 3.0 * emf2 / losses.iron_w)


def _standstill_rotor(nameplate: Nameplate, losses: _Losses, full: _FullLoad) -> tuple[float, float] | None:
    """Return rotor resistance and reactance at standstill that give locked-rotor current and torque; None when no pair does."""
    sync = 2.0 * pi * nameplate.frequency_hz / nameplate.pole_pairs
    power = nameplate.locked_rotor_torque_ratio * nameplate.rated_torque_nm * sync
    stator = complex(losses.stator_resistance_ohm, full.stator_reactance_ohm)
    shunt = 1.0 / (1.0 / full.iron_resistance_ohm + 1.0 / complex(0.0, full.magnetising_reactance_ohm))
    voltage = nameplate.voltage_v / sqrt(3.0)
    thevenin_v = abs(voltage * shunt / (stator + shunt))
    thevenin = stator * shunt / (stator + shunt)
    target_a = nameplate.locked_rotor_current_ratio * nameplate.flc_a

    def reactance(resistance: float) -> float:
        total2 = thevenin_v**2 * 3.0 * resistance / power
        return sqrt(max(total2 - (thevenin.real + resistance) ** 2, 0.0)) - thevenin.imag

    def current(resistance: float) -> float:
        rotor = complex(resistance, reactance(resistance))
        return abs(voltage / (stator + shunt * rotor / (shunt + rotor)))

    c = 3.0 * thevenin_v**2 / power
    discriminant = (c - 2.0 * thevenin.real) ** 2 - 4.0 * thevenin.real**2
    if c <= 2.0 * thevenin.real or discriminant <= 0:
        return None
    low = 0.5 * (c - 2.0 * thevenin.real - sqrt(discriminant))
    high = 0.5 * (c - 2.0 * thevenin.real + sqrt(discriminant))
    if not current(low) >= target_a >= current(high):
        return None
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if current(middle) > target_a else (low, middle)
    resistance = 0.5 * (low + high)
    return resistance, reactance(resistance)


def _trial(nameplate: Nameplate, losses: _Losses, leakage_ohm: float) -> Circuit | None:
    full = _full_load(nameplate, losses, leakage_ohm)
    standstill = None if full is None else _standstill_rotor(nameplate, losses, full)
    if full is None or standstill is None:
        return None
    resistance, reactance = standstill
    slip2 = nameplate.rated_slip**2
    g = slip2 * (1.0 + _BAR_DEPTH_SQUARED) / (1.0 + _BAR_DEPTH_SQUARED * slip2)
    bar_r = (resistance - full.rotor_resistance_ohm) / (1.0 - g)
    bar_x = (full.rotor_reactance_ohm - reactance) / (1.0 - g)
    return Circuit(
        voltage_v=nameplate.voltage_v,
        frequency_hz=nameplate.frequency_hz,
        pole_pairs=nameplate.pole_pairs,
        stator_resistance_ohm=losses.stator_resistance_ohm,
        stator_reactance_ohm=full.stator_reactance_ohm,
        rotor_resistance_ohm=resistance - bar_r,
        rotor_reactance_ohm=reactance + bar_x,
        magnetising_reactance_ohm=full.magnetising_reactance_ohm,
        iron_resistance_ohm=full.iron_resistance_ohm,
        bar_resistance_ohm=bar_r,
        bar_reactance_ohm=bar_x,
        bar_depth_squared=_BAR_DEPTH_SQUARED,
        friction_w=losses.friction_w,
    )


def fit_circuit(nameplate: Nameplate, flc_a: float | None = None) -> Circuit:
    """Return the circuit that reproduces the nameplate; NameplateError names the datum when none can.

    `flc_a`: the printed full-load current, only cross-checked.

    >>> circuit = fit_circuit(EXAMPLE_45_KW)
    >>> round(circuit.at(1.0).current_a / EXAMPLE_45_KW.flc_a, 3), round(circuit.at(1.0).torque_nm / EXAMPLE_45_KW.rated_torque_nm, 3)
    (7.0, 2.4)
    """
    check_nameplate(nameplate, flc_a)
    losses = _losses(nameplate)
    base_ohm = nameplate.voltage_v / sqrt(3.0) / nameplate.flc_a
    target_nm = nameplate.breakdown_torque_ratio * nameplate.rated_torque_nm
    low, high = log(_LEAST_LEAKAGE * base_ohm), log(_MOST_LEAKAGE * base_ohm)
    best = _trial(nameplate, losses, exp(low))
    if best is None:
        raise NameplateError(
            "locked_rotor_torque_ratio",
            f"{nameplate.locked_rotor_torque_ratio:g} x rated torque cannot come from {nameplate.locked_rotor_current_ratio:g} x FLC:"
            " torque too high or too low for the locked-rotor current",
        )
    standstill_pf = best.at(1.0).power_factor
    if standstill_pf > _MOST_STANDSTILL_POWER_FACTOR:
        raise NameplateError(
            "locked_rotor_torque_ratio",
            f"{nameplate.locked_rotor_torque_ratio:g} x rated torque from {nameplate.locked_rotor_current_ratio:g} x FLC needs"
            f" a power factor of {standstill_pf:.2f} at standstill; a squirrel cage has less than {_MOST_STANDSTILL_POWER_FACTOR:g}",
        )
    if best.breakdown().torque_nm < target_nm:
        raise NameplateError(
            "breakdown_torque_ratio",
            f"{nameplate.breakdown_torque_ratio:g} is too high for {nameplate.locked_rotor_current_ratio:g} x FLC locked rotor",
        )
    # Breakdown torque falls with leakage, and a leakage that full load or standstill cannot have is always too large.
    while high - low > 1e-6:
        middle = 0.5 * (low + high)
        circuit = _trial(nameplate, losses, exp(middle))
        if circuit is None or circuit.breakdown().torque_nm < target_nm:
            high = middle
        else:
            low, best = middle, circuit
    if best.breakdown().torque_nm > target_nm * (1.0 + _TORQUE_TOLERANCE):
        least = best.breakdown().torque_nm / nameplate.rated_torque_nm
        raise NameplateError(
            "breakdown_torque_ratio",
            f"{nameplate.breakdown_torque_ratio:g} is too low for {nameplate.locked_rotor_current_ratio:g} x FLC locked rotor and"
            f" power factor {nameplate.power_factor:g}: the least that fits is {least:.2f}",
        )
    return best
