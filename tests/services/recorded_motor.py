"""Starts of a simulated starter as the gateway records them: stepped without sockets, polled, decoded and folded by the live code."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from gateway.machine.feed import Method as StartingMethod
from gateway.machine.loads import Conveyor, Fan, Load
from gateway.machine.methods import DirectOnLine
from gateway.machine.nameplate import EXAMPLE_45_KW
from gateway.machine.soft_starter import SoftStarter
from gateway.motors.facts import LoadData, LoadKind, Method, MotorData, SignalFacts, Starter, StarterData
from gateway.motors.reading import Reading, Scalar, TimeSource
from gateway.motors.records import Start, StartEnded
from gateway.motors.watch import Watch
from gateway.registers.decode import decode_block
from gateway.registers.plan import Block, plan_reads
from simulators.plant import SimulatedStarter
from simulators.timetable import Action
from simulators.traits import DeviceTraits, Drift, Make
from tests.simulators.makes import device_map, drive

POLL_S = 0.1
PHASE_S = 0.037
NOISE = 0.01
REST_S = 400.0
TRUE_TORQUE = 0.81
GUESSED_TORQUE = 0.9
"""What the site file says of the load: not what it is."""
SOFT = SoftStarter(initial_voltage_ratio=0.4, ramp_time_s=10.0, current_limit_ratio=3.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """A motor as it is, and what the site file believes of it."""

    method: StartingMethod
    load: Load
    inertia_kg_m2: float
    starter: Starter


def _torque_nm(part: float) -> float:
    return part * EXAMPLE_45_KW.rated_torque_nm


def case(kind: LoadKind, method: Method) -> Case:
    """Return a fan or a conveyor, by a soft starter or direct on line; the site file has the load 11 % and the inertia 40 % wrong."""
    soft = method is Method.SOFT_STARTER
    fan = kind is LoadKind.FAN
    part = TRUE_TORQUE if fan else 0.45
    load: Load = Fan(rated_torque_nm=_torque_nm(part)) if fan else Conveyor(rated_torque_nm=_torque_nm(part), breakaway_ratio=1.3)
    inertia = 10.45 if fan else 8.0
    nameplate = EXAMPLE_45_KW
    motor = MotorData(
        rated_power_kw=45,
        rated_voltage_v=400,
        flc_a=nameplate.flc_a,
        poles=4,
        rated_speed_rpm=nameplate.rated_speed_rpm,
        power_factor=nameplate.power_factor,
        efficiency=nameplate.efficiency,
        locked_rotor_ratio=nameplate.locked_rotor_current_ratio,
        locked_rotor_torque_ratio=nameplate.locked_rotor_torque_ratio,
        breakdown_torque_ratio=nameplate.breakdown_torque_ratio,
        inertia_kg_m2=0.45,
    )
    believed = part * GUESSED_TORQUE / TRUE_TORQUE
    given = LoadData(kind=kind, torque_ratio=believed, inertia_kg_m2=1.4 * inertia - 0.45, breakaway_ratio=None if fan else 1.3)
    device = StarterData(method=method)
    if soft:
        device = replace(device, initial_voltage_ratio=0.4, ramp_time_s=10.0, current_limit_ratio=3.5)
    keys = frozenset(signal.key for signal in device_map().signals)
    starter = Starter(name="M-1", motor=motor, load=given, device=device, signals=SignalFacts(keys=keys))
    return Case(method=SOFT if soft else DirectOnLine(), load=load, inertia_kg_m2=inertia, starter=starter)


def recorded(found: Case, count: int, *, seed: int = 3, drift: Drift | None = None) -> list[Start]:
    """Return `count` starts as the ledger has them, oldest first; polled at 100 ms out of step with the device."""
    machine = drive(found.method, found.load, found.inertia_kg_m2)
    traits = DeviceTraits(update_s=0.02, noise=NOISE)
    made = Make(name="M-1", map=device_map(), drive=machine, device=traits, drift=drift or Drift(), seed=seed)
    simulated, watch = SimulatedStarter(made), Watch(found.starter)
    blocks = plan_reads(made.map, slow=True)
    ledger: dict[int, Start] = {}
    begins = [2.0 + number * 2.0 * REST_S for number in range(count)]
    at_s = PHASE_S
    for began_s in begins:
        _step(simulated, watch, blocks, at_s, began_s - 1.0, 2.0, ledger)
        _step(simulated, watch, blocks, began_s - 1.0, began_s + PHASE_S, POLL_S, ledger)
        simulated.command(Action.START)
        _step(simulated, watch, blocks, began_s + PHASE_S, began_s + 40.0, POLL_S, ledger)
        simulated.command(Action.SWITCH_OFF)
        at_s = began_s + 40.0
    _step(simulated, watch, blocks, at_s, at_s + 10.0, 1.0, ledger)
    return [ledger[number] for number in sorted(ledger)]


def _step(
    simulated: SimulatedStarter,
    watch: Watch,
    blocks: Sequence[Block],
    from_s: float,
    to_s: float,
    every_s: float,
    ledger: dict[int, Start],
) -> None:
    steps = max(1, round((to_s - from_s) / every_s))
    for step in range(steps):
        at_s = from_s + step * (to_s - from_s) / steps
        simulated.advance_to(at_s)
        values: dict[str, Scalar] = {}
        for block in blocks:
            words = simulated.read(block.span.table, block.span.first, block.span.count)
            assert words is not None
            values.update(decode_block(block, words)[0])
        for event in watch.take(Reading(round(at_s * 1e6), values, {}, TimeSource.RECEIVED)):
            if isinstance(event, StartEnded):
                ledger[event.start.number] = event.start
