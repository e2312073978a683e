"""One motor with its load and its starting device, as nouns: the parameters, the state at one moment, the commands, what can be measured.

`gateway.machine.motion` moves the state in time.

>>> from gateway.machine.nameplate import EXAMPLE_45_KW
>>> from gateway.machine.loads import Fan
>>> from gateway.machine.methods import DirectOnLine
>>> from gateway.machine.motion import advance
>>> torque_nm = 0.9 * EXAMPLE_45_KW.rated_torque_nm
>>> drive = drive_for(EXAMPLE_45_KW, load=Fan(rated_torque_nm=torque_nm), inertia_kg_m2=10.45, method=DirectOnLine())
>>> state = advance(drive, start(drive, DriveState()), 5.0)
>>> state.phase.value, round(observe(drive, state).speed_rpm)
('running', 1480)
>>> state = advance(drive, stop(state), 3600.0)
>>> observe(drive, state).speed_rpm
0.0
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from math import isfinite, pi
from typing import NamedTuple

from gateway.machine.circuit import Circuit
from gateway.machine.feed import OFF, Feed, Method, power_factor
from gateway.machine.loads import Load
from gateway.machine.nameplate import Nameplate, fit_circuit
from gateway.machine.thermal_truth import COLD, Rise, TwoNode, typical_two_node


class Phase(StrEnum):
    """What the starting device is doing."""

    OFF = "off"
    """Nothing is applied; the motor may still coast."""
    STARTING = "starting"
    RUNNING = "running"
    """At speed: full voltage or the frequency reference is reached and the current has stayed down."""
    STOPPING = "stopping"
    """A soft stop is under way."""
    TRIPPED = "tripped"
    """Off, and locked until `reset`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Drive:
    """Parameters. `inertia_kg_m2` is motor and load together, on the motor's shaft.

    A start is over when the line current has stayed below `at_speed_current_ratio` x FLC for `at_speed_hold_s` at full voltage.
    """

    circuit: Circuit
    flc_a: float
    rated_speed_rad_s: float
    inertia_kg_m2: float
    load: Load
    method: Method
    thermal: TwoNode
    at_speed_current_ratio: float = 1.2
    at_speed_hold_s: float = 0.15

    def __post_init__(self) -> None:
        for name in ("flc_a", "rated_speed_rad_s", "inertia_kg_m2", "at_speed_current_ratio"):
            value = getattr(self, name)
            if not (isfinite(value) and value > 0):
                raise ValueError(f"{name}: must be a positive number, found {value:g}")


def drive_for(nameplate: Nameplate, *, load: Load, inertia_kg_m2: float, method: Method) -> Drive:
    """Return a drive with the circuit fitted to a nameplate and typical thermal constants; NameplateError when the nameplate contradicts
    itself.
    """
    circuit = fit_circuit(nameplate)
    return Drive(
        circuit=circuit,
        flc_a=nameplate.flc_a,
        rated_speed_rad_s=nameplate.rated_speed_rad_s,
        inertia_kg_m2=inertia_kg_m2,
        load=load,
        method=method,
        thermal=typical_two_node(nameplate, circuit),
    )


class Tally(NamedTuple):
    """What one start has summed up so far, from the start command on. I2t and heat are exact sums, not samples."""

    elapsed_s: float = 0.0
    line_i2t_a2s: float = 0.0
    winding_i2t_a2s: float = 0.0
    stator_heat_j: float = 0.0
    rotor_heat_j: float = 0.0
    iron_heat_j: float = 0.0
    motor_energy_j: float = 0.0
    """Electrical energy into the motor."""
    load_work_j: float = 0.0
    """Into load and friction."""
    peak_line_a: float = 0.0
    peak_winding_a: float = 0.0
    peak_torque_nm: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveState:
    """The state at one moment; `DriveState()` is a cold motor at rest.

    phase_for_s: time since the phase began. clock_s, stage: the method's clock and stage within it.
    tally: sums of the present or last start, kept after it. tally_when_current_fell: the same at the last fall of the line current below
    the at-speed line, None before. tally_when_full: the same when the start was over (the hold that confirms it not counted), None before.
    supply_ratio, load_ratio: as last given to `advance`.
    """

    phase: Phase = Phase.OFF
    phase_for_s: float = 0.0
    clock_s: float = 0.0
    stage: int = 0
    speed_rad_s: float = 0.0
    rise: Rise = COLD
    feed: Feed = OFF
    supply_ratio: float = 1.0
    load_ratio: float = 1.0
    been_above: bool = False
    over_for_s: float | None = None
    """How long what ends a start has held, None while it does not."""
    tally: Tally = Tally()
    tally_when_current_fell: Tally | None = None
    tally_when_full: Tally | None = None
    settled: bool = False
    """Nothing moves: the next time can be taken in one step."""


def feed_now(drive: Drive, state: DriveState) -> Feed:
    """Return what the starting device gives in this state."""
    method, circuit = drive.method, drive.circuit
    if state.phase is Phase.STARTING:
        return method.starting(circuit, drive.flc_a, state.stage, state.clock_s, state.speed_rad_s, state.supply_ratio)
    if state.phase is Phase.RUNNING:
        return method.running(circuit, drive.flc_a, state.speed_rad_s, state.supply_ratio)
    if state.phase is Phase.STOPPING:
        return method.stopping(circuit, drive.flc_a, state.clock_s, state.speed_rad_s, state.supply_ratio)
    return OFF


def start(drive: Drive, state: DriveState) -> DriveState:
    """Return the state with a start begun. No effect while starting, running or tripped; a soft stop under way is broken off."""
    if state.phase in (Phase.STARTING, Phase.RUNNING, Phase.TRIPPED):
        return state
    began = replace(
        state,
        phase=Phase.STARTING,
        phase_for_s=0.0,
        clock_s=drive.method.clock_when_caught_s(drive.circuit, state.speed_rad_s),
        stage=0,
        been_above=False,
        over_for_s=None,
        tally=Tally(),
        tally_when_current_fell=None,
        tally_when_full=None,
        settled=False,
    )
    return replace(began, feed=feed_now(drive, began))


def _opened(state: DriveState, phase: Phase) -> DriveState:
    return replace(state, phase=phase, phase_for_s=0.0, clock_s=0.0, stage=0, feed=OFF, over_for_s=None, settled=False)


def stop(state: DriveState) -> DriveState:
    """Return the state with the motor switched off at once; it coasts with its load. No effect while off or tripped."""
    return state if state.phase in (Phase.OFF, Phase.TRIPPED) else _opened(state, Phase.OFF)


def soft_stop(drive: Drive, state: DriveState) -> DriveState:
    """Return the state with a soft stop begun, or switched off when the method has none or nothing runs."""
    if state.phase not in (Phase.STARTING, Phase.RUNNING) or drive.method.stop_time_s <= 0:
        return stop(state) if state.phase is not Phase.STOPPING else state
    began = replace(state, phase=Phase.STOPPING, phase_for_s=0.0, clock_s=0.0, stage=0, over_for_s=None, settled=False)
    return replace(began, feed=feed_now(drive, began))


def trip(state: DriveState) -> DriveState:
    """Return the state switched off and locked."""
    return state if state.phase is Phase.TRIPPED else _opened(state, Phase.TRIPPED)


def reset(state: DriveState) -> DriveState:
    """Return the state unlocked after a trip."""
    return replace(state, phase=Phase.OFF, phase_for_s=0.0) if state.phase is Phase.TRIPPED else state


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation:
    """What could be measured at one moment. `winding_current_a` is on the base of the line current in delta."""

    line_current_a: float
    winding_current_a: float
    supply_voltage_v: float
    motor_voltage_v: float
    frequency_hz: float
    torque_nm: float
    load_torque_nm: float
    speed_rpm: float
    power_w: float
    power_factor: float
    winding_rise_k: float
    body_rise_k: float
    starting: bool
    at_speed: bool
    running: bool
    """The motor is fed: starting, at speed or stopping softly."""
    stopping: bool
    tripped: bool


def observe(drive: Drive, state: DriveState) -> Observation:
    """Return what could be measured in this state."""
    feed, phase = state.feed, state.phase
    at_speed_for = state.phase_for_s if phase is Phase.RUNNING else 0.0
    return Observation(
        line_current_a=feed.line_current_a,
        winding_current_a=feed.winding_current_a,
        supply_voltage_v=drive.circuit.voltage_v * state.supply_ratio,
        motor_voltage_v=drive.circuit.voltage_v * feed.voltage_ratio,
        frequency_hz=drive.circuit.frequency_hz * feed.frequency_ratio,
        torque_nm=feed.torque_nm,
        load_torque_nm=state.load_ratio * drive.load.torque_nm(state.speed_rad_s / drive.rated_speed_rad_s, at_speed_for),
        speed_rpm=state.speed_rad_s * 30.0 / pi,
        power_w=feed.power_w,
        power_factor=power_factor(feed, drive.circuit, state.supply_ratio),
        winding_rise_k=state.rise.winding_k,
        body_rise_k=state.rise.body_k,
        starting=phase is Phase.STARTING,
        at_speed=phase is Phase.RUNNING,
        running=phase in (Phase.STARTING, Phase.RUNNING, Phase.STOPPING),
        stopping=phase is Phase.STOPPING,
        tripped=phase is Phase.TRIPPED,
    )
