"""What a starting device gives the motor at one moment, and the seam every starting method fits into.

All methods come down to three numbers: the winding's voltage as a ratio, its frequency as a ratio, and line current per winding current.
Star is 1/sqrt3 of the voltage with 1/sqrt3 of the winding current in the line; an autotransformer tap a gives a and a. Winding current
is counted on the line-current base of the delta connection throughout, so that the two are equal at full voltage.
"""

from __future__ import annotations

from math import sqrt
from typing import NamedTuple, Protocol

from gateway.machine.circuit import Circuit, OperatingPoint


class Feed(NamedTuple):
    """Motor and line at one moment. Currents are RMS with harmonics; torque is of the fundamental."""

    torque_nm: float
    winding_current_a: float
    line_current_a: float
    voltage_ratio: float
    """Voltage at the winding x rated."""
    frequency_ratio: float
    """Frequency at the winding x rated; 0 when nothing is applied."""
    power_w: float
    """Taken from the line, with what the starting device itself loses."""
    motor_power_w: float
    stator_heat_w: float
    rotor_heat_w: float
    iron_heat_w: float
    clock_s: float
    """The method's clock, which a drive at its current limit holds back."""
    full: bool
    """Full voltage, or the frequency reference, is on the motor and nothing limits it."""


OFF = Feed(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, False)
"""Nothing applied."""


class Method(Protocol):
    """One starting method with its settings.

    A start runs through stages; `stage_ends_s` are the clock times at which they change, and the last stage has no end. A stage is given
    besides the clock, so that the moment of a change can be looked at from both sides.
    """

    @property
    def stage_ends_s(self) -> tuple[float, ...]:
        """Return the switching instants of a start, on the method's clock [s]."""

    @property
    def stop_time_s(self) -> float:
        """Return how long a soft stop lasts [s]; 0 when the method has none."""

    def starting(self, circuit: Circuit, flc_a: float, stage: int, clock_s: float, speed_rad_s: float, supply_ratio: float) -> Feed:
        """Return the feed during a start."""

    def running(self, circuit: Circuit, flc_a: float, speed_rad_s: float, supply_ratio: float) -> Feed:
        """Return the feed after the start."""

    def stopping(self, circuit: Circuit, flc_a: float, clock_s: float, speed_rad_s: float, supply_ratio: float) -> Feed:
        """Return the feed during a soft stop; asked for only when `stop_time_s` > 0."""

    def clock_when_caught_s(self, circuit: Circuit, speed_rad_s: float) -> float:
        """Return where the clock of a start begins when the motor still turns [s]; 0 for all but a drive."""

    @property
    def at_speed_without_full_voltage(self) -> bool:
        """Return whether falling current alone ends the start, before full voltage is reached."""


def at_voltage(
    point: OperatingPoint,
    voltage_ratio: float,
    *,
    clock_s: float,
    full: bool,
    line_per_winding: float = 1.0,
    rms_ratio: float = 1.0,
    outside_ohm: float = 0.0,
) -> Feed:
    """Return the feed of a winding at `voltage_ratio` x rated voltage and rated frequency.

    line_per_winding: line current over winding current. rms_ratio: true RMS current over fundamental. outside_ohm: a resistance a phase
    in the line.

    >>> from gateway.machine.nameplate import EXAMPLE_45_KW, fit_circuit
    >>> point = fit_circuit(EXAMPLE_45_KW).at(1.0)
    >>> star = at_voltage(point, 3 ** -0.5, line_per_winding=3 ** -0.5, clock_s=0.0, full=False)
    >>> round(star.line_current_a / point.current_a, 4), round(star.torque_nm / point.torque_nm, 4)
    (0.3333, 0.3333)
    """
    square = voltage_ratio * voltage_ratio
    winding = voltage_ratio * point.current_a * rms_ratio
    line = winding * line_per_winding
    stator_heat = point.stator_heat_w * square * rms_ratio * rms_ratio
    motor_power = point.power_w * square + stator_heat - point.stator_heat_w * square
    return Feed(
        point.torque_nm * square,
        winding,
        line,
        voltage_ratio,
        1.0,
        motor_power + 3.0 * outside_ohm * line * line,
        motor_power,
        stator_heat,
        point.rotor_heat_w * square,
        point.iron_heat_w * square,
        clock_s,
        full,
    )


def power_factor(feed: Feed, circuit: Circuit, supply_ratio: float) -> float:
    """Return the line's power factor with true RMS current; 0 when nothing flows."""
    apparent = sqrt(3.0) * circuit.voltage_v * supply_ratio * feed.line_current_a
    return feed.power_w / apparent if apparent > 0 else 0.0
