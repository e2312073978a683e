"""What a simulated starter does, as data and in words."""

from __future__ import annotations

from typing import Any

from gateway.machine.drive import observe
from gateway.registers.model import Signal
from gateway.registers.roles import ROLES
from simulators.plant import SimulatedStarter
from simulators.words import Value


def status_of(starter: SimulatedStarter, faults: tuple[str, ...] = ()) -> dict[str, Any]:
    """Return the motor's true state, what the device shows and which faults stand. Signals carry the unit of their role."""
    motor = starter.motor
    seen = observe(motor.drive, motor.state)
    shown = starter.values()
    return {
        "starter": starter.name,
        "phase": motor.phase.value,
        "trip": starter.trip_cause.value,
        "starts": starter.start_count,
        "current_a": seen.line_current_a,
        "current_ratio": seen.line_current_a / motor.drive.flc_a,
        "speed_rpm": seen.speed_rpm,
        "voltage_v": seen.supply_voltage_v,
        "thermal_used_pct": motor.protection.thermal.used_pct,
        "faults": list(faults),
        "signals": {signal.name: _text_of(signal, shown.get(signal.key)) for signal in starter.map.signals},
        "held": sorted(starter.held),
        "units": {signal.name: _unit(signal) for signal in starter.map.signals if _unit(signal)},
    }


def _unit(signal: Signal) -> str:
    return signal.unit if signal.role is None else ROLES[signal.role].unit


def _text_of(signal: Signal, value: Value) -> Value:
    return signal.texts.get(value, value) if isinstance(value, int) else value


def status_text(status: dict[str, Any]) -> str:
    """Return a status in words."""
    phase = status["phase"] if status["trip"] == "none" else f"{status['phase']} ({status['trip'].replace('_', ' ')})"
    lines = [
        f"{phase}: {status['current_a']:.1f} A ({status['current_ratio']:.2f} x FLC), {status['speed_rpm']:.0f} rpm, "
        f"{status['voltage_v']:.0f} V, thermal capacity used {status['thermal_used_pct']:.0f} %, starts counted {status['starts']}",
    ]
    if status["faults"]:
        lines.append(f"faults: {', '.join(status['faults'])}")
    lines += [f"  {name} {_shown(value)} {status['units'].get(name, '')}".rstrip() for name, value in status["signals"].items()]
    return "\n".join(lines)


def _shown(value: object) -> str:
    if value is None:
        return "not available"
    if isinstance(value, bool):
        return "on" if value else "off"
    return f"{value:.4g}" if isinstance(value, float) else str(value)
