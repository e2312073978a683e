"""Unbalance of three phases: by how much, and what it costs.

NEMA (MG 1 12.45, 14.36, 20.24): 100 x largest deviation from the mean / mean; the largest deviation may be the low phase. For line-to-line
voltages, and as the customary measure for currents. Up to 1 % needs no derating, above 5 % operation is not recommended.

Negative-sequence factor from magnitudes alone (IEC 61000-4-30, from memory - confirm; checked against phasors):
    beta = (a^4 + b^4 + c^4) / (a^2 + b^2 + c^2)^2        u2 = sqrt((1 - sqrt(3 - 6 beta)) / (1 + sqrt(3 - 6 beta)))
valid for quantities that close a triangle: line-to-line voltages, and phase currents where none flows to earth.

Equivalent heating current: Ieq^2 = I1^2 + K I2^2, K = 175 / I_LR^2 typical, 230 / I_LR^2 conservative (from memory - confirm).
Extra temperature rise about 2 x (unbalance %)^2 % (from memory - confirm).

No mean, a missing phase or single-phasing is no figure, never 0 %: single-phasing is a fault of its own, not a large unbalance.
"""

from __future__ import annotations

import math

from gateway.motors.facts import MotorData

TYPICAL_K = 175.0
CONSERVATIVE_K = 230.0
UNKNOWN_LOCKED_ROTOR_RATIO = 6.0
"""Where the motor data do not say; common practice 5 to 8, no source."""
_NOTHING_SQUARE = 1e-9
"""Below it [A^2] nothing flows, and its powers are too small to divide by."""
LOST_PHASE_SHARE = 0.1
"""A phase below this share of the largest counts as lost; own choice."""

DERATING = ((0.5, 1.00), (1.0, 1.00), (1.5, 0.97), (2.0, 0.95), (2.5, 0.93), (3.0, 0.89), (3.5, 0.85), (4.0, 0.82), (4.5, 0.78), (5.0,
0.76))
"""Voltage unbalance [%] and derating factor: one reading of the graph in MG 1 (fig. 14-1), others differ by 0.02; 1 % by MG 1 12.45."""


def nema_unbalance_pct(a: float | None, b: float | None, c: float | None) -> float | None:
    """Return the NEMA unbalance of three magnitudes [%]; None when one is missing or lost, or their mean is 0.

    >>> round(nema_unbalance_pct(460.0, 467.0, 450.0), 3)
    1.961
    >>> nema_unbalance_pct(400.0, 400.0, 0.0) is None
    True
    """
    if a is None or b is None or c is None or is_single_phased(a, b, c):
        return None
    mean = (a + b + c) / 3.0
    return 100.0 * max(abs(a - mean), abs(b - mean), abs(c - mean)) / mean


def negative_sequence_pct(ab: float | None, bc: float | None, ca: float | None) -> float | None:
    """Return negative as a share of positive sequence from three magnitudes that close a triangle [%]; None when they do not or one is
    missing.

    >>> round(negative_sequence_pct(460.0, 467.0, 450.0), 3)
    2.146
    """
    if ab is None or bc is None or ca is None or is_single_phased(ab, bc, ca):
        return None
    beta = (ab**4 + bc**4 + ca**4) / (ab**2 + bc**2 + ca**2) ** 2
    inner = 3.0 - 6.0 * beta
    if inner < 0.0:
        return None  # one side is longer than the other two together
    root = math.sqrt(inner)
    return 100.0 * math.sqrt(max(0.0, 1.0 - root) / (1.0 + root))


def is_single_phased(a: float, b: float, c: float) -> bool:
    """Return True when a phase is lost or nothing flows at all.

    >>> is_single_phased(80.0, 81.0, 2.0), is_single_phased(80.0, 81.0, 60.0), is_single_phased(0.0, 0.0, 0.0)
    (True, False, True)
    """
    return min(a, b, c) <= LOST_PHASE_SHARE * max(a, b, c)


def weighting_factor(locked_rotor_ratio: float, numerator: float = TYPICAL_K) -> float:
    """Return K of the equivalent heating current for a motor's locked-rotor ratio; ValueError unless it is above 0.

    >>> round(weighting_factor(6.0), 3), round(weighting_factor(6.0, CONSERVATIVE_K), 3)
    (4.861, 6.389)
    """
    if locked_rotor_ratio <= 0.0:
        raise ValueError(f"locked-rotor ratio {locked_rotor_ratio} must be above 0")
    return numerator / locked_rotor_ratio**2


def k_for(motor: MotorData) -> float:
    """Return the weight of the negative-sequence current in a motor's heat: the conservative one, at its locked-rotor ratio or 6 x.

    >>> round(k_for(MotorData(rated_power_kw=45, rated_voltage_v=400, flc_a=80, locked_rotor_ratio=7.0)), 3)
    4.694
    """
    return weighting_factor(motor.locked_rotor_ratio or UNKNOWN_LOCKED_ROTOR_RATIO, CONSERVATIVE_K)


def heating_current_ratio(positive_ratio: float, negative_ratio: float, k: float) -> float:
    """Return the equivalent heating current of positive- and negative-sequence current, all x FLC.

    >>> round(heating_current_ratio(1.0, 0.1, 4.861), 4)
    1.024
    """
    return math.sqrt(positive_ratio**2 + k * negative_ratio**2)


def extra_rise_pct(voltage_unbalance_pct: float) -> float:
    """Return by how much the temperature rise grows at a voltage unbalance, both in %.

    >>> extra_rise_pct(2.0)
    8.0
    """
    return 2.0 * voltage_unbalance_pct**2


def derating_factor(voltage_unbalance_pct: float) -> float | None:
    """Return the share of rated power that a motor may give at a voltage unbalance [%]; None above 5 %, where operation is not recommended.

    >>> derating_factor(0.3), round(derating_factor(2.75), 3), derating_factor(5.1) is None
    (1.0, 0.91, True)
    """
    if voltage_unbalance_pct <= DERATING[0][0]:
        return 1.0
    for (low, above), (high, below) in zip(DERATING, DERATING[1:], strict=False):
        if voltage_unbalance_pct <= high:
            return above + (below - above) * (voltage_unbalance_pct - low) / (high - low)
    return None


def heating_square(a: float, b: float, c: float, k: float) -> float:
    """Return the square of the equivalent heating current of three line currents, in their unit squared: I1^2 + k I2^2.

    From magnitudes alone, no current to earth: with r = sqrt(3 - 6 beta) and S the sum of squares, I1^2 = S (1 + r) / 6 and
    I2^2 = S (1 - r) / 6. Three that close no triangle (current to earth, a transducer off) are taken as r = 0, the worst there is.

    >>> round(heating_square(80.0, 80.0, 80.0, 4.861) / 80.0**2, 6)
    1.0
    >>> round(heating_square(80.0, 80.0, 0.0, 4.861) / 80.0**2, 3)    # one phase lost: I1 = I2 = 80 / sqrt(3)
    1.954
    """
    x, y, z = a * a, b * b, c * c
    total = x + y + z
    if total < _NOTHING_SQUARE:
        return total / 3.0
    inner = 3.0 - 6.0 * (x * x + y * y + z * z) / (total * total)
    root = math.sqrt(inner) if inner > 0.0 else 0.0
    return total * (1.0 + root + k * (1.0 - root)) / 6.0
