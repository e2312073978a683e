"""The soft starter: voltage ramp by phase control, current limit, kick start, bypass, soft stop. Algebraic: no controller loop is needed.

The fundamental is good enough for torque and speed from 0.3 x rated voltage up. The true RMS current is k(v) = 1 + 0.0148 (1 - v)/v
times the fundamental: fitted to 0.2 % to a time-stepped three-wire thyristor model at a load angle of 65 degrees.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf

from gateway.machine.circuit import Circuit
from gateway.machine.feed import Feed, at_voltage
from gateway.machine.methods import check_setting

_HARMONICS = 0.0148


def rms_ratio(conduction_ratio: float) -> float:
    """Return true RMS current over fundamental when phase control leaves `conduction_ratio` of the voltage's fundamental.

    >>> round(rms_ratio(0.488), 4), round(rms_ratio(1.0), 4)
    (1.0155, 1.0)
    """
    return 1.0 + _HARMONICS * (1.0 - conduction_ratio) / conduction_ratio


@dataclass(frozen=True, slots=True, kw_only=True)
class SoftStarter:
    """Settings of a soft starter. Voltages x rated, current limit x FLC (inf: none), times in seconds.

    kick_time_s > 0 begins with `kick_voltage_ratio`; the current limit is suspended meanwhile unless `limit_in_kick`. The ramp's time
    counts from the start command, so the ramp goes on from where it would be without the kick.
    bypass_at_speed: the bypass closes as soon as the current has fallen; otherwise the ramp goes on to full voltage first.
    stop_time_s > 0: soft stop, from a step down to `stop_step_ratio` to `stop_voltage_ratio`, then off.
    harmonics: report true RMS current, and hold the limit on it as a device does; False keeps to the fundamental.
    """

    initial_voltage_ratio: float = 0.4
    ramp_time_s: float = 10.0
    current_limit_ratio: float = inf
    kick_voltage_ratio: float = 0.0
    kick_time_s: float = 0.0
    limit_in_kick: bool = False
    bypass_at_speed: bool = False
    stop_time_s: float = 0.0
    stop_step_ratio: float = 0.8
    stop_voltage_ratio: float = 0.3
    harmonics: bool = True

    def __post_init__(self) -> None:
        check_setting("initial_voltage_ratio", self.initial_voltage_ratio, 0.05, 1.0)
        check_setting("ramp_time_s", self.ramp_time_s, 0.01, 600.0)
        if self.current_limit_ratio != inf:
            check_setting("current_limit_ratio", self.current_limit_ratio, 0.5, 20.0)
        check_setting("kick_time_s", self.kick_time_s, 0.0, min(10.0, 0.9 * self.ramp_time_s))
        if self.kick_time_s > 0:
            check_setting("kick_voltage_ratio", self.kick_voltage_ratio, 0.05, 1.0)
        check_setting("stop_time_s", self.stop_time_s, 0.0, 600.0)
        check_setting("stop_step_ratio", self.stop_step_ratio, 0.05, 1.0)
        check_setting("stop_voltage_ratio", self.stop_voltage_ratio, 0.0, self.stop_step_ratio)

    @property
    def stage_ends_s(self) -> tuple[float, ...]:
        """Return the end of the kick, if there is one, and of the ramp."""
        return (self.kick_time_s, self.ramp_time_s) if self.kick_time_s > 0 else (self.ramp_time_s,)

    @property
    def at_speed_without_full_voltage(self) -> bool:
        """Return whether falling current alone ends the start."""
        return self.bypass_at_speed

    def starting(self, circuit: Circuit, flc_a: float, stage: int, clock_s: float, speed_rad_s: float, supply_ratio: float) -> Feed:
        """Return the feed in the kick, on the ramp or at its end."""
        kicking = self.kick_time_s > 0 and stage == 0
        if kicking:
            wanted = self.kick_voltage_ratio
        else:
            along = clock_s / self.ramp_time_s
            at_end = stage == len(self.stage_ends_s) or along >= 1.0
            wanted = 1.0 if at_end else self.initial_voltage_ratio + (1.0 - self.initial_voltage_ratio) * along
        limited = self.limit_in_kick or not kicking
        return self._controlled(circuit, flc_a, clock_s, speed_rad_s, supply_ratio, wanted, limited=limited)

    def running(self, circuit: Circuit, flc_a: float, speed_rad_s: float, supply_ratio: float) -> Feed:
        """Return the feed through the bypass."""
        return at_voltage(circuit.at(circuit.slip_at(speed_rad_s)), supply_ratio, clock_s=0.0, full=True)

    def stopping(self, circuit: Circuit, flc_a: float, clock_s: float, speed_rad_s: float, supply_ratio: float) -> Feed:
        """Return the feed on the falling ramp."""
        along = min(clock_s / self.stop_time_s, 1.0)
        wanted = self.stop_step_ratio + (self.stop_voltage_ratio - self.stop_step_ratio) * along
        return self._controlled(circuit, flc_a, clock_s, speed_rad_s, supply_ratio, wanted, limited=False)

    def clock_when_caught_s(self, circuit: Circuit, speed_rad_s: float) -> float:
        """Return 0: the ramp starts with the command."""
        return 0.0

    def _controlled(
        self, circuit: Circuit, flc_a: float, clock_s: float, speed_rad_s: float, supply_ratio: float, wanted: float, *, limited: bool
    ) -> Feed:
        point = circuit.at(circuit.slip_at(speed_rad_s))
        conduction = wanted
        if limited:
            # With harmonics the RMS current is I1 (v + h (1 - v)): linear in v, so the limit needs no search.
            share = self.current_limit_ratio * flc_a / (point.current_a * supply_ratio)
            if self.harmonics:
                share = (share - _HARMONICS) / (1.0 - _HARMONICS)
            conduction = min(wanted, share)
        conduction = max(conduction, 1e-3)
        k = rms_ratio(max(conduction, 0.1)) if self.harmonics else 1.0
        return at_voltage(point, conduction * supply_ratio, clock_s=clock_s, full=conduction >= 1.0, rms_ratio=k)
