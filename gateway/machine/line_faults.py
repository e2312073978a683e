"""An unsound supply: one line open, and voltages that differ from line to line, by symmetrical components.

The negative sequence turns against the shaft and meets the motor at slip 2 - s, where its impedance is close to that at standstill.
One line open puts both sequences in series on the line-to-line voltage, so the live lines carry U / |Z(s) + Z(2 - s)|: at standstill half
of sqrt3 x, that is 0.866 x the three-phase locked-rotor current, and no torque at all. Unequal voltages with a negative sequence of u x the
positive one drive u V / |Z(2 - s)|: 2 % of voltage is about 12 to 14 % of current in a running motor.
Textbook symmetrical components (the 0.866 of single phasing from memory - confirm).

Each is a wrapper around a starting method. What a phase-control starter or a tap leaves of the voltage is taken from the sound method, so
the current limit does not know of the fault. A drive's motor side does not see the supply: an open line takes its power through two lines.
"""

from __future__ import annotations

from cmath import exp as cexp
from dataclasses import dataclass
from math import pi, sqrt

from gateway.machine.circuit import Circuit, OperatingPoint
from gateway.machine.feed import Feed, Method
from gateway.machine.frequency_drive import FrequencyDrive

_TURN = 2j * pi / 3.0
Shares = tuple[float, float, float]
"""Current of each line over the feed's line current."""
SOUND: Shares = (1.0, 1.0, 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wrapped:
    """What both faults leave as the method has it."""

    method: Method

    @property
    def stage_ends_s(self) -> tuple[float, ...]:
        """Return the method's switching instants [s]."""
        return self.method.stage_ends_s

    @property
    def stop_time_s(self) -> float:
        """Return the method's soft stop time [s]."""
        return self.method.stop_time_s

    @property
    def at_speed_without_full_voltage(self) -> bool:
        """Return what the method says."""
        return self.method.at_speed_without_full_voltage

    def starting(self, circuit: Circuit, flc_a: float, stage: int, clock_s: float, speed_rad_s: float, supply_ratio: float) -> Feed:
        """Return the feed during a start on this supply."""
        return self._spoilt(circuit, self.method.starting(circuit, flc_a, stage, clock_s, speed_rad_s, supply_ratio), speed_rad_s)

    def running(self, circuit: Circuit, flc_a: float, speed_rad_s: float, supply_ratio: float) -> Feed:
        """Return the feed after the start on this supply."""
        return self._spoilt(circuit, self.method.running(circuit, flc_a, speed_rad_s, supply_ratio), speed_rad_s)

    def stopping(self, circuit: Circuit, flc_a: float, clock_s: float, speed_rad_s: float, supply_ratio: float) -> Feed:
        """Return the feed during a soft stop on this supply."""
        return self._spoilt(circuit, self.method.stopping(circuit, flc_a, clock_s, speed_rad_s, supply_ratio), speed_rad_s)

    def clock_when_caught_s(self, circuit: Circuit, speed_rad_s: float) -> float:
        """Return what the method says."""
        return self.method.clock_when_caught_s(circuit, speed_rad_s)

    @property
    def feeds_by_rectifier(self) -> bool:
        """Return True where the motor does not see the lines."""
        return isinstance(self.method, FrequencyDrive)

    def _spoilt(self, circuit: Circuit, feed: Feed, speed_rad_s: float) -> Feed:
        return feed


@dataclass(frozen=True, slots=True, kw_only=True)
class OneLineOpen(_Wrapped):
    """One of the three lines is open. The feed's line current is that of the two live lines.

    >>> from gateway.machine.methods import DirectOnLine
    >>> from gateway.machine.nameplate import EXAMPLE_45_KW, fit_circuit
    >>> circuit, flc_a = fit_circuit(EXAMPLE_45_KW), EXAMPLE_45_KW.flc_a
    >>> sound = DirectOnLine().starting(circuit, flc_a, 0, 0.0, 0.0, 1.0)
    >>> single = OneLineOpen(method=DirectOnLine(), line=2).starting(circuit, flc_a, 0, 0.0, 0.0, 1.0)
    >>> round(single.line_current_a / sound.line_current_a, 3), round(abs(single.torque_nm), 9)
    (0.866, 0.0)
    """

    line: int

    def __post_init__(self) -> None:
        if self.line not in (1, 2, 3):
            raise ValueError(f"line: found {self.line}, allowed 1, 2 or 3")

    def shares(self, circuit: Circuit, speed_rad_s: float) -> Shares:
        """Return the share of each line: none in the open one."""
        return (float(self.line != 1), float(self.line != 2), float(self.line != 3))

    def _spoilt(self, circuit: Circuit, feed: Feed, speed_rad_s: float) -> Feed:
        if feed.frequency_ratio <= 0.0:
            return feed
        if self.feeds_by_rectifier:
            # The same power through two lines instead of three.
            return feed._replace(line_current_a=sqrt(3.0) * feed.line_current_a)
        slip = circuit.slip_at(speed_rad_s)
        forward, backward = circuit.at(slip), circuit.at(2.0 - slip)
        both = abs(_impedance(forward) + _impedance(backward))
        # Each sequence carries V / |Z(s) + Z(2 - s)|, V the phase voltage; a live line carries sqrt3 times as much.
        v1, v2 = (feed.voltage_ratio * abs(_impedance(point)) / both for point in (forward, backward))
        per_sequence_a = v1 * forward.current_a
        line_per_winding = feed.line_current_a / feed.winding_current_a if feed.winding_current_a > 0 else 1.0
        power = forward.power_w * v1 * v1 + backward.power_w * v2 * v2
        return feed._replace(
            torque_nm=forward.torque_nm * v1 * v1 - backward.torque_nm * v2 * v2,
            winding_current_a=sqrt(3.0) * per_sequence_a,
            line_current_a=sqrt(3.0) * per_sequence_a * line_per_winding,
            power_w=power,
            motor_power_w=power,
            stator_heat_w=forward.stator_heat_w * v1 * v1 + backward.stator_heat_w * v2 * v2,
            rotor_heat_w=forward.rotor_heat_w * v1 * v1 + backward.rotor_heat_w * v2 * v2,
            iron_heat_w=forward.iron_heat_w * v1 * v1 + backward.iron_heat_w * v2 * v2,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class UnequalVoltages(_Wrapped):
    """Line voltages with a negative sequence of `ratio` x the positive one. The feed's line current is the r.m.s. of the three lines.

    >>> from gateway.machine.methods import DirectOnLine
    >>> from gateway.machine.nameplate import EXAMPLE_45_KW, fit_circuit
    >>> circuit = fit_circuit(EXAMPLE_45_KW)
    >>> unequal = UnequalVoltages(method=DirectOnLine(), ratio=0.02)
    >>> [round(share, 2) for share in unequal.shares(circuit, EXAMPLE_45_KW.rated_speed_rad_s)]
    [1.12, 0.84, 1.02]
    """

    ratio: float

    def __post_init__(self) -> None:
        if not 0.0 <= self.ratio <= 0.2:
            raise ValueError(f"ratio: found {self.ratio:g}, allowed 0 to 0.2")

    def shares(self, circuit: Circuit, speed_rad_s: float) -> Shares:
        """Return the share of each line, L1 to L3."""
        if self.feeds_by_rectifier:
            return SOUND
        slip = circuit.slip_at(speed_rad_s)
        backward = self.ratio * _impedance(circuit.at(slip)) / _impedance(circuit.at(2.0 - slip))
        whole = sqrt(1.0 + abs(backward) ** 2)
        first, second, third = (abs(1.0 + backward * cexp(2.0 * line * _TURN)) / whole for line in range(3))
        return first, second, third

    def _spoilt(self, circuit: Circuit, feed: Feed, speed_rad_s: float) -> Feed:
        if feed.frequency_ratio <= 0.0 or self.feeds_by_rectifier:
            return feed
        backward = circuit.at(2.0 - circuit.slip_at(speed_rad_s))
        v2 = feed.voltage_ratio * self.ratio
        square = v2 * v2
        extra_a = backward.current_a * v2
        winding = sqrt(feed.winding_current_a**2 + extra_a**2)
        stretch = winding / feed.winding_current_a if feed.winding_current_a > 0 else 1.0
        return feed._replace(
            torque_nm=feed.torque_nm - backward.torque_nm * square,
            winding_current_a=winding,
            line_current_a=feed.line_current_a * stretch,
            power_w=feed.power_w + backward.power_w * square,
            motor_power_w=feed.motor_power_w + backward.power_w * square,
            stator_heat_w=feed.stator_heat_w + backward.stator_heat_w * square,
            rotor_heat_w=feed.rotor_heat_w + backward.rotor_heat_w * square,
            iron_heat_w=feed.iron_heat_w + backward.iron_heat_w * square,
        )


def _impedance(point: OperatingPoint) -> complex:
    return complex(point.resistance_ohm, point.reactance_ohm)


def line_shares(method: Method, circuit: Circuit, speed_rad_s: float) -> Shares:
    """Return the share of each line, equal ones where the supply is sound."""
    if isinstance(method, OneLineOpen | UnequalVoltages):
        return method.shares(circuit, speed_rad_s)
    return SOUND
