"""Starting methods that switch by a timer: direct on line, star-delta, autotransformer, primary resistor.

Shares by method (published table of reduced-voltage starting: tap 80/65/50 % gives line current and torque of 64/42/25 %, star-delta
33/33 %):
    direct on line      torque T      line I      winding I
    star                T/3           I/3         I/sqrt3
    autotransformer a   a^2 T         a^2 I       a I
    series resistor     v^2 T         v I         v I, v from the impedances
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite, sqrt

from gateway.machine.circuit import Circuit, OperatingPoint
from gateway.machine.feed import OFF, Feed, at_voltage

_STAR = 1.0 / sqrt(3.0)


def check_setting(name: str, value: float, low: float, high: float) -> None:
    """Raise ValueError naming a setting outside its bounds."""
    if not (isfinite(value) and low <= value <= high):
        raise ValueError(f"{name}: found {value:g}, allowed {low:g} to {high:g}")


def _full(circuit: Circuit, speed_rad_s: float, supply_ratio: float, clock_s: float = 0.0) -> Feed:
    return at_voltage(circuit.at(circuit.slip_at(speed_rad_s)), supply_ratio, clock_s=clock_s, full=True)


class _Switched:
    """What all methods share that end on the full line and stop by opening a contactor."""

    __slots__ = ()

    @property
    def stop_time_s(self) -> float:
        """Return 0: there is no soft stop."""
        return 0.0

    @property
    def at_speed_without_full_voltage(self) -> bool:
        """Return False: the start ends on the full line."""
        return False

    def running(self, circuit: Circuit, flc_a: float, speed_rad_s: float, supply_ratio: float) -> Feed:
        """Return the feed on the full line."""
        return _full(circuit, speed_rad_s, supply_ratio)

    def stopping(self, circuit: Circuit, flc_a: float, clock_s: float, speed_rad_s: float, supply_ratio: float) -> Feed:
        """Return nothing applied."""
        return OFF

    def clock_when_caught_s(self, circuit: Circuit, speed_rad_s: float) -> float:
        """Return 0: the timer starts with the command."""
        return 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DirectOnLine(_Switched):
    """One contactor, full voltage at once."""

    @property
    def stage_ends_s(self) -> tuple[float, ...]:
        """Return nothing: there is one stage."""
        return ()

    def starting(self, circuit: Circuit, flc_a: float, stage: int, clock_s: float, speed_rad_s: float, supply_ratio: float) -> Feed:
        """Return the feed on the full line."""
        return _full(circuit, speed_rad_s, supply_ratio, clock_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class StarDelta(_Switched):
    """Star until the timer runs out, an open gap while the contactors change, then delta."""

    star_time_s: float
    open_gap_s: float = 0.05

    def __post_init__(self) -> None:
        check_setting("star_time_s", self.star_time_s, 0.1, 600.0)
        check_setting("open_gap_s", self.open_gap_s, 0.0, 2.0)

    @property
    def stage_ends_s(self) -> tuple[float, ...]:
        """Return the opening of star and the closing of delta."""
        return (self.star_time_s, self.star_time_s + self.open_gap_s)

    def starting(self, circuit: Circuit, flc_a: float, stage: int, clock_s: float, speed_rad_s: float, supply_ratio: float) -> Feed:
        """Return the feed in star, in the gap or in delta."""
        if stage == 0:
            point = circuit.at(circuit.slip_at(speed_rad_s))
            return at_voltage(point, supply_ratio * _STAR, line_per_winding=_STAR, clock_s=clock_s, full=False)
        if stage == 1:
            return OFF._replace(clock_s=clock_s)
        return _full(circuit, speed_rad_s, supply_ratio, clock_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Autotransformer(_Switched):
    """A tap for a time, then the line. `open_gap_s` is 0 for a closed transition."""

    tap_ratio: float = 0.65
    tap_time_s: float = 6.0
    open_gap_s: float = 0.0

    def __post_init__(self) -> None:
        check_setting("tap_ratio", self.tap_ratio, 0.2, 1.0)
        check_setting("tap_time_s", self.tap_time_s, 0.1, 600.0)
        check_setting("open_gap_s", self.open_gap_s, 0.0, 2.0)

    @property
    def stage_ends_s(self) -> tuple[float, ...]:
        """Return the opening of the tap and the closing on the line."""
        return (self.tap_time_s, self.tap_time_s + self.open_gap_s)

    def starting(self, circuit: Circuit, flc_a: float, stage: int, clock_s: float, speed_rad_s: float, supply_ratio: float) -> Feed:
        """Return the feed on the tap, in the gap or on the line."""
        if stage == 0:
            point = circuit.at(circuit.slip_at(speed_rad_s))
            return at_voltage(point, supply_ratio * self.tap_ratio, line_per_winding=self.tap_ratio, clock_s=clock_s, full=False)
        if stage == 1:
            return OFF._replace(clock_s=clock_s)
        return _full(circuit, speed_rad_s, supply_ratio, clock_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class ResistorStep:
    """One step of a primary resistor: ohms in each line until this long after the start."""

    resistance_ohm: float
    until_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PrimaryResistor(_Switched):
    """Resistors in the line, cut out step by step. The motor's voltage rises by itself as its current falls."""

    steps: tuple[ResistorStep, ...]

    def __post_init__(self) -> None:
        if not self.steps:
            raise ValueError("steps: found none, allowed one or more")
        before = 0.0
        for step in self.steps:
            check_setting("resistance_ohm", step.resistance_ohm, 0.0, 1e6)
            check_setting("until_s", step.until_s, before + 0.01, 600.0)
            before = step.until_s

    @property
    def stage_ends_s(self) -> tuple[float, ...]:
        """Return the times at which the steps are cut out."""
        return tuple(step.until_s for step in self.steps)

    def starting(self, circuit: Circuit, flc_a: float, stage: int, clock_s: float, speed_rad_s: float, supply_ratio: float) -> Feed:
        """Return the feed behind the resistor of this stage, or on the line."""
        if stage >= len(self.steps):
            return _full(circuit, speed_rad_s, supply_ratio, clock_s)
        outside = self.steps[stage].resistance_ohm
        point = circuit.at(circuit.slip_at(speed_rad_s))
        ratio = supply_ratio * _share_behind(point, outside, 0.0)
        return at_voltage(point, ratio, clock_s=clock_s, full=False, outside_ohm=outside)


def _share_behind(point: OperatingPoint, resistance_ohm: float, reactance_ohm: float) -> float:
    """Return the motor's part of the voltage behind a series impedance."""
    own = point.resistance_ohm**2 + point.reactance_ohm**2
    return sqrt(own / ((point.resistance_ohm + resistance_ohm) ** 2 + (point.reactance_ohm + reactance_ohm) ** 2))


def resistor_for_voltage(circuit: Circuit, voltage_ratio: float) -> float:
    """Return the series resistance a phase that leaves `voltage_ratio` x rated voltage to the motor at standstill [ohm].

    >>> from gateway.machine.nameplate import EXAMPLE_45_KW, fit_circuit
    >>> circuit = fit_circuit(EXAMPLE_45_KW)
    >>> ohm = resistor_for_voltage(circuit, 0.65)
    >>> resistor = PrimaryResistor(steps=(ResistorStep(resistance_ohm=ohm, until_s=5.0),))
    >>> round(resistor.starting(circuit, EXAMPLE_45_KW.flc_a, 0, 0.0, 0.0, 1.0).voltage_ratio, 6)
    0.65
    """
    check_setting("voltage_ratio", voltage_ratio, 0.05, 1.0)
    point = circuit.at(1.0)
    impedance2 = point.resistance_ohm**2 + point.reactance_ohm**2
    return sqrt(impedance2 / voltage_ratio**2 - point.reactance_ohm**2) - point.resistance_ohm
