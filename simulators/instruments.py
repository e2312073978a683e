"""What a device measures of its motor: the true values with its noise, its steps and the unbalance of its phases."""

from __future__ import annotations

from gateway.machine.drive import Observation, observe
from gateway.machine.line_faults import Shares
from simulators.meter import bell, stepped
from simulators.motor import TICK_S, Motor
from simulators.traits import Make
from simulators.words import Value


class Instruments:
    """The measuring part of one device. Values by role, in the role's unit; None is not available."""

    def __init__(self, make: Make, motor: Motor) -> None:
        self._make = make
        self._seen_state = motor.state
        self._seen = observe(motor.drive, motor.state)

    def measured(self, motor: Motor, tick: int) -> dict[str, Value]:
        """Return what the device measures in the cycle of `tick`, which is where the motor stands or a steady while later."""
        device, seed = self._make.device, self._make.seed
        if self._seen_state is not motor.state:
            self._seen_state, self._seen = motor.state, observe(motor.drive, motor.state)
        seen, noise = self._seen, self._make.device.noise
        # Voltage is measured better than current in every device that measures both.
        voltage_noise = 1.0 + 0.2 * noise * bell(seed, 4, tick)
        ambient_degc = self._make.supply.ambient_at(tick * TICK_S)
        values: dict[str, Value] = {
            "current": 0.0,
            "current_l1": 0.0,
            "current_l2": 0.0,
            "current_l3": 0.0,
            "voltage": seen.supply_voltage_v * voltage_noise,
            "motor_voltage": seen.motor_voltage_v * voltage_noise,
            "power": 0.0,
            "power_factor": None,
            "frequency": motor.drive.circuit.frequency_hz,
            "speed": seen.speed_rpm,
            "winding_temperature": ambient_degc + seen.winding_rise_k if device.temperature_sensor else None,
            "ambient_temperature": ambient_degc,
            "thermal_used": motor.protection.thermal.used_pct,
        }
        if seen.running:
            values |= self._fed(seen, motor.line_shares, tick)
        return values

    def _fed(self, seen: Observation, shares: Shares, tick: int) -> dict[str, Value]:
        """Return what is measured only while the motor is fed."""
        device, seed = self._make.device, self._make.seed
        noise, current, step = device.noise, seen.line_current_a, device.current_step_a
        high, low = 1.0 + device.unbalance, 1.0 - device.unbalance / 2
        l1 = stepped(current * shares[0] * high * (1.0 + noise * bell(seed, 1, tick)), step)
        l2 = stepped(current * shares[1] * low * (1.0 + noise * bell(seed, 2, tick)), step)
        l3 = stepped(current * shares[2] * low * (1.0 + noise * bell(seed, 3, tick)), step)
        return {
            "current": (l1 + l2 + l3) / 3,
            "current_l1": l1,
            "current_l2": l2,
            "current_l3": l3,
            "power": seen.power_w / 1000.0 * (1.0 + noise * bell(seed, 5, tick)),
            "power_factor": seen.power_factor,
            "frequency": seen.frequency_hz,
        }
