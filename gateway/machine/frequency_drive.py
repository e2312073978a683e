"""The variable-frequency drive: frequency ramp at constant volts per hertz with a boost, held back at the current limit.

The line current is not the motor current: the rectifier draws the motor's power at nearly unity power factor. Both stages are taken as
constants (common practice, no source): efficiency 0.97, true power factor 0.95 with a choke. Iron does not saturate here, so a generous
boost shows more torque at the lowest frequencies than a motor gives.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, sqrt

from gateway.machine.circuit import Circuit, OperatingPoint
from gateway.machine.feed import Feed
from gateway.machine.methods import check_setting

_EFFICIENCY = 0.97
_LINE_POWER_FACTOR = 0.95
_LEAST_FREQUENCY = 0.02
_SEARCH_STEPS = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class FrequencyDrive:
    """Settings. Frequencies and voltages x rated, current limit x FLC (of the motor current).

    boost_ratio: voltage at zero frequency. ramp_time_s: from zero to rated frequency. Without `braking` the frequency never falls below
    what the rotor turns at, as drives without a brake resistor must do.
    """

    ramp_time_s: float = 10.0
    boost_ratio: float = 0.02
    current_limit_ratio: float = 1.5
    target_frequency_ratio: float = 1.0
    stop_time_s: float = 0.0
    braking: bool = False

    def __post_init__(self) -> None:
        check_setting("ramp_time_s", self.ramp_time_s, 0.1, 3600.0)
        check_setting("boost_ratio", self.boost_ratio, 0.0, 0.25)
        check_setting("current_limit_ratio", self.current_limit_ratio, 0.3, 5.0)
        check_setting("target_frequency_ratio", self.target_frequency_ratio, 0.05, 1.0)
        check_setting("stop_time_s", self.stop_time_s, 0.0, 3600.0)

    @property
    def stage_ends_s(self) -> tuple[float, ...]:
        """Return nothing: the ramp may be held back, so its end is not known beforehand."""
        return ()

    @property
    def at_speed_without_full_voltage(self) -> bool:
        """Return False: the start ends at the frequency reference."""
        return False

    def starting(self, circuit: Circuit, flc_a: float, stage: int, clock_s: float, speed_rad_s: float, supply_ratio: float) -> Feed:
        """Return the feed on the frequency ramp; its `clock_s` is earlier than asked where the current limit holds the ramp back."""
        wanted = max(min(clock_s / self.ramp_time_s, self.target_frequency_ratio), _LEAST_FREQUENCY)
        given = self._held_back(circuit, flc_a, wanted, speed_rad_s, supply_ratio)
        clock = clock_s if given == wanted else given * self.ramp_time_s
        return self._fed(circuit, given, speed_rad_s, supply_ratio, clock, full=given >= self.target_frequency_ratio)

    def running(self, circuit: Circuit, flc_a: float, speed_rad_s: float, supply_ratio: float) -> Feed:
        """Return the feed at the frequency reference, less where the current limit holds it back."""
        given = self._held_back(circuit, flc_a, self.target_frequency_ratio, speed_rad_s, supply_ratio)
        return self._fed(circuit, given, speed_rad_s, supply_ratio, 0.0, full=given >= self.target_frequency_ratio)

    def stopping(self, circuit: Circuit, flc_a: float, clock_s: float, speed_rad_s: float, supply_ratio: float) -> Feed:
        """Return the feed on the falling frequency ramp."""
        wanted = max(self.target_frequency_ratio * (1.0 - clock_s / self.stop_time_s), _LEAST_FREQUENCY)
        if not self.braking:
            wanted = max(wanted, min(speed_rad_s / circuit.sync_speed_rad_s, 1.0))
        return self._fed(circuit, wanted, speed_rad_s, supply_ratio, clock_s, full=False)

    def clock_when_caught_s(self, circuit: Circuit, speed_rad_s: float) -> float:
        """Return the ramp's time at which its frequency meets the turning rotor: a flying start."""
        return min(speed_rad_s / circuit.sync_speed_rad_s, self.target_frequency_ratio) * self.ramp_time_s

    def _voltage(self, frequency_ratio: float, supply_ratio: float) -> float:
        return min(self.boost_ratio + (1.0 - self.boost_ratio) * frequency_ratio, supply_ratio)

    def _point(self, circuit: Circuit, frequency_ratio: float, speed_rad_s: float) -> OperatingPoint:
        return circuit.at(circuit.slip_at(speed_rad_s, frequency_ratio), frequency_ratio)

    def _held_back(self, circuit: Circuit, flc_a: float, wanted: float, speed_rad_s: float, supply_ratio: float) -> float:
        """Return the highest frequency up to `wanted` at which the motor current keeps to the limit."""
        limit = self.current_limit_ratio * flc_a

        def over(frequency_ratio: float) -> bool:
            return self._point(circuit, frequency_ratio, speed_rad_s).current_a * self._voltage(frequency_ratio, supply_ratio) > limit

        if self.current_limit_ratio == inf or not over(wanted):
            return wanted
        low = min(max(speed_rad_s / circuit.sync_speed_rad_s, _LEAST_FREQUENCY), wanted)
        if over(low):
            return low
        high = wanted
        for _ in range(_SEARCH_STEPS):
            middle = 0.5 * (low + high)
            low, high = (low, middle) if over(middle) else (middle, high)
        return low

    def _fed(
        self, circuit: Circuit, frequency_ratio: float, speed_rad_s: float, supply_ratio: float, clock_s: float, *, full: bool
    ) -> Feed:
        point = self._point(circuit, frequency_ratio, speed_rad_s)
        voltage = self._voltage(frequency_ratio, supply_ratio)
        square = voltage * voltage
        motor_power = point.power_w * square
        # A rectifier feeds nothing back; what braking returns goes to the brake resistor.
        line_power = max(motor_power, 0.0) / _EFFICIENCY
        return Feed(
            torque_nm=point.torque_nm * square,
            winding_current_a=point.current_a * voltage,
            line_current_a=line_power / (sqrt(3.0) * circuit.voltage_v * supply_ratio * _LINE_POWER_FACTOR),
            voltage_ratio=voltage,
            frequency_ratio=frequency_ratio,
            power_w=line_power,
            motor_power_w=motor_power,
            stator_heat_w=point.stator_heat_w * square,
            rotor_heat_w=point.rotor_heat_w * square,
            iron_heat_w=point.iron_heat_w * square,
            clock_s=clock_s,
            full=full,
        )
