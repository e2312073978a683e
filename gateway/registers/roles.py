"""Roles: the meanings that the gateway knows. A signal named like a role has it; any other signal is kept and shown, not interpreted."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class RoleKind(StrEnum):
    """What sort of value a role carries."""

    NUMBER = "number"
    FLAG = "flag"
    CODE = "code"
    COUNTER = "counter"


@dataclass(frozen=True, slots=True)
class Role:
    """One meaning: its kind, its unit inside the program ('' for none) and a sentence for the handbook."""

    kind: RoleKind
    unit: str
    meaning: str


_NUMBER, _FLAG, _CODE, _COUNTER = RoleKind.NUMBER, RoleKind.FLAG, RoleKind.CODE, RoleKind.COUNTER

ROLES: dict[str, Role] = {
    "current": Role(_NUMBER, "A", "line current, r.m.s., mean or largest of the phases"),
    "current_l1": Role(_NUMBER, "A", "line current of phase L1, r.m.s."),
    "current_l2": Role(_NUMBER, "A", "line current of phase L2, r.m.s."),
    "current_l3": Role(_NUMBER, "A", "line current of phase L3, r.m.s."),
    "voltage": Role(_NUMBER, "V", "line-to-line supply voltage, r.m.s."),
    "motor_voltage": Role(_NUMBER, "V", "line-to-line voltage at the motor, r.m.s."),
    "power": Role(_NUMBER, "kW", "active power"),
    "power_factor": Role(_NUMBER, "", "power factor"),
    "frequency": Role(_NUMBER, "Hz", "supply or output frequency"),
    "speed": Role(_NUMBER, "rpm", "shaft speed"),
    "command": Role(_FLAG, "", "start command present"),
    "starting": Role(_FLAG, "", "the starter is ramping up"),
    "at_speed": Role(_FLAG, "", "full voltage reached or bypass closed"),
    "running": Role(_FLAG, "", "the motor is switched on, starting included"),
    "stopping": Role(_FLAG, "", "the starter is ramping down"),
    "tripped": Role(_FLAG, "", "a protective trip stands"),
    "trip_code": Role(_CODE, "", "the starter's own code for the last trip, 0 or a text for none"),
    "phase_loss": Role(_FLAG, "", "the starter says that a phase is lost"),
    "start_count": Role(_COUNTER, "", "starts counted by the starter itself"),
    "running_hours": Role(_NUMBER, "h", "running hours counted by the starter"),
    "winding_temperature": Role(_NUMBER, "degC", "measured winding temperature"),
    "ambient_temperature": Role(_NUMBER, "degC", "measured ambient temperature"),
    "thermal_used": Role(_NUMBER, "%", "the starter's own thermal capacity used"),
    "set_ramp_time": Role(_NUMBER, "s", "setting: ramp time"),
    "set_initial_voltage": Role(_NUMBER, "%", "setting: initial voltage"),
    "set_current_limit": Role(_NUMBER, "%", "setting: current limit, of FLC"),
    "set_flc": Role(_NUMBER, "A", "setting: motor full-load current"),
}
