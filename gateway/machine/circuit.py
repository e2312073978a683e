"""The equivalent circuit of a squirrel-cage motor, solved in closed form.

One phase of the equivalent star: stator R1 + jX1, shunt iron resistance parallel to the magnetising reactance, rotor R2(s)/s + jX2(s).
The standard per-phase circuit of every textbook (Chapman, Fitzgerald). All currents are line currents, whether the winding is in star or
delta.

Deep bars and double cages: g(s) = s^2 (1 + k^2) / (1 + k^2 s^2), R2 = Rr + dR g, X2 = Xr - dX g, so that g(0) = 0 and g(1) = 1.
With dX = k dR this is exactly a rotor of two cages.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, pi, sqrt
from typing import NamedTuple


class OperatingPoint(NamedTuple):
    """What the motor does at one slip and rated voltage. At v x rated voltage currents scale with v, torque, power and heat with v^2."""

    slip: float
    current_a: float
    """Line current, RMS."""
    resistance_ohm: float
    """Input impedance of one phase of the equivalent star, real part."""
    reactance_ohm: float
    power_w: float
    """Electrical input."""
    torque_nm: float
    """Air-gap torque; friction and windage are taken off elsewhere."""
    stator_heat_w: float
    rotor_heat_w: float
    iron_heat_w: float

    @property
    def power_factor(self) -> float:
        """Return cos phi; negative when the motor generates."""
        return self.resistance_ohm / sqrt(self.resistance_ohm**2 + self.reactance_ohm**2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Circuit:
    """Parameters of one motor, per phase of the equivalent star, rotor referred to the stator.

    voltage_v is line to line. `bar_*` is the part of the rotor that skin effect adds (resistance) or takes away (reactance) at standstill;
    `bar_depth_squared` is k^2 of the deep-bar formula. `friction_w` is friction and windage at rated speed.

    >>> chapman = Circuit(voltage_v=460, frequency_hz=60, pole_pairs=2, stator_resistance_ohm=0.641, stator_reactance_ohm=1.106,
    ...     rotor_resistance_ohm=0.332, rotor_reactance_ohm=0.464, magnetising_reactance_ohm=26.3)
    >>> round(chapman.at(0.022).current_a, 2), round(chapman.at(0.022).torque_nm, 1)
    (18.89, 62.8)
    """

    voltage_v: float
    frequency_hz: float
    pole_pairs: int
    stator_resistance_ohm: float
    stator_reactance_ohm: float
    rotor_resistance_ohm: float
    rotor_reactance_ohm: float
    magnetising_reactance_ohm: float
    iron_resistance_ohm: float = inf
    bar_resistance_ohm: float = 0.0
    bar_reactance_ohm: float = 0.0
    bar_depth_squared: float = 3.0
    friction_w: float = 0.0

    @property
    def sync_speed_rad_s(self) -> float:
        """Return the synchronous speed at rated frequency [rad/s].

        >>> round(Circuit(voltage_v=400, frequency_hz=50, pole_pairs=2, stator_resistance_ohm=1, stator_reactance_ohm=1,
        ...     rotor_resistance_ohm=1, rotor_reactance_ohm=1, magnetising_reactance_ohm=20).sync_speed_rad_s, 2)
        157.08
        """
        return 2.0 * pi * self.frequency_hz / self.pole_pairs

    @property
    def phase_voltage_v(self) -> float:
        """Return the rated voltage of one phase of the equivalent star [V]."""
        return self.voltage_v / sqrt(3.0)

    def slip_at(self, speed_rad_s: float, frequency_ratio: float = 1.0) -> float:
        """Return the slip at a speed, of the synchronous speed at `frequency_ratio` x rated frequency; 1 is standstill, negative
        generates.
        """
        return 1.0 - speed_rad_s * self.pole_pairs / (2.0 * pi * self.frequency_hz * frequency_ratio)

    def at(self, slip: float, frequency_ratio: float = 1.0) -> OperatingPoint:
        """Return the operating point at rated voltage and `frequency_ratio` x rated frequency (> 0).

        Closed form without complex numbers; any slip is allowed, negative slip generates, above 1 brakes.
        """
        k2 = self.bar_depth_squared
        rotor_frequency2 = (slip * frequency_ratio) ** 2
        g = rotor_frequency2 * (1.0 + k2) / (1.0 + k2 * rotor_frequency2)
        rotor_r = self.rotor_resistance_ohm + self.bar_resistance_ohm * g
        rotor_x = (self.rotor_reactance_ohm - self.bar_reactance_ohm * g) * frequency_ratio
        # Rotor admittance with R2/s multiplied out by s, so that nothing is divided by the slip: exact through synchronous speed.
        sx = slip * rotor_x
        share = slip / (rotor_r * rotor_r + sx * sx)
        conductance = share * rotor_r + 1.0 / self.iron_resistance_ohm
        susceptance = share * sx + 1.0 / (self.magnetising_reactance_ohm * frequency_ratio)
        y2 = conductance * conductance + susceptance * susceptance
        r = self.stator_resistance_ohm + conductance / y2
        x = self.stator_reactance_ohm * frequency_ratio + susceptance / y2
        current2 = self.voltage_v * self.voltage_v / (3.0 * (r * r + x * x))
        emf2 = current2 / y2
        gap_power = 3.0 * emf2 * share * rotor_r
        return OperatingPoint(
            slip,
            sqrt(current2),
            r,
            x,
            3.0 * current2 * r,
            gap_power * self.pole_pairs / (2.0 * pi * self.frequency_hz * frequency_ratio),
            3.0 * current2 * self.stator_resistance_ohm,
            gap_power * slip,
            3.0 * emf2 / self.iron_resistance_ohm,
        )

    def breakdown(self) -> OperatingPoint:
        """Return the point of largest torque for slips between 0 and 1, found by a geometric scan and golden section."""
        scan = [10.0 ** (-3.0 + 3.0 * i / 90.0) for i in range(91)]
        torques = [self.at(slip).torque_nm for slip in scan]
        top = max(range(len(scan)), key=torques.__getitem__)
        low, high = scan[max(top - 1, 0)], scan[min(top + 1, len(scan) - 1)]
        golden = (sqrt(5.0) - 1.0) / 2.0
        for _ in range(24):
            inner, outer = high - golden * (high - low), low + golden * (high - low)
            if self.at(inner).torque_nm < self.at(outer).torque_nm:
                low = inner
            else:
                high = outer
        best = self.at(0.5 * (low + high))
        return best if best.torque_nm >= torques[top] else self.at(scan[top])

    def pull_up(self) -> OperatingPoint | None:
        """Return the point of least torque between standstill and breakdown; None when torque only rises from standstill to breakdown."""
        top = self.breakdown().slip
        points = [self.at(top + (1.0 - top) * i / 400.0) for i in range(401)]
        lowest = min(points, key=lambda point: point.torque_nm)
        return None if lowest.slip >= 1.0 else lowest
