"""Where motor and load settle at speed, and what load a running current means."""

from __future__ import annotations

from gateway.machine.circuit import OperatingPoint
from gateway.machine.drive import Drive

_SLIPS = tuple(0.0005 * 1.15**count for count in range(50))
_HIGHEST_SLIP = 0.5
_ROUNDS = 60
_MOST_LOAD = 5.0


def running_point(
    drive: Drive, *, supply_ratio: float = 1.0, load_ratio: float = 1.0, at_speed_for_s: float | None = None
) -> OperatingPoint | None:
    """Return the point at rated voltage at whose slip motor and load balance; None when the load is more than the motor can carry.

    at_speed_for_s: how long the motor has been at speed, for loads that change; None: long.
    """
    circuit, square = drive.circuit, supply_ratio**2
    for_s = max(drive.load.changes_s, default=0.0) + 1.0 if at_speed_for_s is None else at_speed_for_s

    def surplus_nm(slip: float) -> float:
        speed = circuit.sync_speed_rad_s * (1.0 - slip) / drive.rated_speed_rad_s
        return square * circuit.at(slip).torque_nm - load_ratio * drive.load.torque_nm(speed, for_s)

    # From synchronous speed down, the first slip at which the motor gives more than the load takes bounds the running point.
    high = next((slip for slip in _SLIPS if slip < _HIGHEST_SLIP and surplus_nm(slip) >= 0.0), None)
    if high is None:
        return None
    low = 1e-6
    for _ in range(_ROUNDS):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if surplus_nm(middle) >= 0.0 else (middle, high)
    return circuit.at(high)


def run_current_ratio(drive: Drive, supply_ratio: float = 1.0) -> float | None:
    """Return the current at which motor and load settle at full load, x FLC; None when the load is more than the motor can carry.

    >>> from gateway.machine.drive import drive_for
    >>> from gateway.machine.loads import Fan
    >>> from gateway.machine.methods import DirectOnLine
    >>> from gateway.machine.nameplate import EXAMPLE_45_KW
    >>> fan = Fan(rated_torque_nm=EXAMPLE_45_KW.rated_torque_nm)
    >>> round(run_current_ratio(drive_for(EXAMPLE_45_KW, load=fan, inertia_kg_m2=10.45, method=DirectOnLine())), 2)
    1.0
    """
    point = running_point(drive, supply_ratio=supply_ratio)
    return None if point is None else point.current_a * supply_ratio / drive.flc_a


def load_of_current(drive: Drive, current_a: float, *, supply_ratio: float = 1.0, at_speed_for_s: float = 0.0) -> float | None:
    """Return the scale of the load torque at which the motor draws a running current; None outside what a load can make it draw.

    >>> from gateway.machine.drive import drive_for
    >>> from gateway.machine.loads import Fan
    >>> from gateway.machine.methods import DirectOnLine
    >>> from gateway.machine.nameplate import EXAMPLE_45_KW
    >>> fan = Fan(rated_torque_nm=EXAMPLE_45_KW.rated_torque_nm)
    >>> round(load_of_current(drive_for(EXAMPLE_45_KW, load=fan, inertia_kg_m2=10.45, method=DirectOnLine()), EXAMPLE_45_KW.flc_a), 2)
    1.0
    """

    def drawn_a(load_ratio: float) -> float:
        point = running_point(drive, supply_ratio=supply_ratio, load_ratio=load_ratio, at_speed_for_s=at_speed_for_s)
        return float("inf") if point is None else point.current_a * supply_ratio

    low, high = 0.0, _MOST_LOAD
    if not drawn_a(low) < current_a < drawn_a(high):
        return None
    for _ in range(_ROUNDS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if drawn_a(middle) < current_a else (low, middle)
    return high
