"""What moving motors costs, without any wire: a mixed plant, its devices, the worst second, and the plain loop they are held against."""

from __future__ import annotations

import gc
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

from gateway.machine.drive import Drive, Phase
from gateway.machine.loads import Conveyor, Pump
from gateway.machine.methods import DirectOnLine, StarDelta
from gateway.machine.nameplate import EXAMPLE_45_KW
from simulators.motor import TICKS_PER_S, Motor
from simulators.plant import SimulatedStarter
from simulators.protection import ProtectionSettings
from simulators.timetable import DailyRuns
from simulators.traits import DeviceTraits, Drift, Make, Supply
from tests.simulators.makes import device_map, drive

_SECONDS = 20
_CYCLE_TICKS = 5
_RATED_NM = EXAMPLE_45_KW.rated_torque_nm


@dataclass(frozen=True, slots=True, kw_only=True)
class PhysicsRow:
    """CPU time of one motor moved by one second, in a plant of so many."""

    kind: str
    motors: int
    cpu_us: float


def _drives() -> list[Drive]:
    """A fan and a belt on soft starters, a pump direct on line, a fan on star-delta."""
    return [
        drive(),
        drive(method=DirectOnLine(), load=Pump(rated_torque_nm=0.9 * _RATED_NM, static_head_part=0.5), inertia_kg_m2=1.5),
        drive(method=StarDelta(star_time_s=6.0)),
        drive(load=Conveyor(rated_torque_nm=0.4 * _RATED_NM), inertia_kg_m2=5.0),
    ]


def _timed(count: int, tick: Callable[[int], None]) -> float:
    """Return CPU microseconds per motor and second."""
    gc.collect()
    begin = time.process_time()
    for second in range(1, _SECONDS + 1):
        tick(second)
    return 1e6 * (time.process_time() - begin) / (_SECONDS * count)


def mixed_devices(count: int) -> PhysicsRow:
    """Whole devices: physics, protection, timetable, measurement and truth. Half of them run, about one in a hundred starts or stops."""
    drives, shared = _drives(), device_map()
    starters = [
        SimulatedStarter(
            Make(
                name=f"m{number}",
                map=shared,
                drive=drives[number % len(drives)],
                device=DeviceTraits(update_s=0.1, noise=0.005),
                daily=(DailyRuns(first_s=(number * 37) % 1200, every_s=1200.0, run_s=600.0),),
                seed=number,
            )
        )
        for number in range(count)
    ]
    for starter in starters:
        starter.advance_to(1500.0)

    def tick(second: int) -> None:
        for starter in starters:
            starter.advance_to(1500.0 + second)

    return PhysicsRow(kind="mixed plant, whole devices", motors=count, cpu_us=_timed(count, tick))


def _motors(count: int) -> list[Motor]:
    drives = _drives()
    return [Motor(drives[number % len(drives)], Supply(), ProtectionSettings(), Drift(), _CYCLE_TICKS) for number in range(count)]


def _move(motors: list[Motor], ticks: int) -> None:
    for motor in motors:
        goal = motor.tick + ticks
        while motor.tick < goal:
            motor.step_to(min(motor.next_tick(), goal))


def mixed_motors(count: int) -> PhysicsRow:
    """Motors with their protection alone: half run, half stand, and every second one in 200 of those that stand is started."""
    motors = _motors(count)
    for motor in motors[::2]:
        motor.start()
    _move(motors, 120 * TICKS_PER_S)
    standing = [motor for motor in motors if motor.phase is Phase.OFF]

    def tick(second: int) -> None:
        for motor in standing[second::200][: max(count // 400, 1)]:
            motor.start()
        _move(motors, TICKS_PER_S)

    return PhysicsRow(kind="mixed plant, motors alone", motors=count, cpu_us=_timed(count, tick))


def starting_motors(count: int) -> PhysicsRow:
    """The worst there is: every motor starts in the same second, as after a power cut."""
    motors = _motors(count)
    for motor in motors:
        motor.start()
    return PhysicsRow(kind="every motor starting, then running", motors=count, cpu_us=_timed(count, lambda _: _move(motors, TICKS_PER_S)))


def plain_loop(count: int) -> PhysicsRow:
    """Heun's method at 50 ms for every motor all the time, voltage ramp and thermal sum included."""
    speeds = [0.0] * count
    heats = [0.0] * count
    drives = _drives()

    def torque(own: Drive, ratio: float, speed: float) -> tuple[float, float]:
        point = own.circuit.at(own.circuit.slip_at(speed))
        load = own.load.torque_nm(speed / own.rated_speed_rad_s, 0.0)
        return (ratio * ratio * point.torque_nm - load) / own.inertia_kg_m2, ratio * point.current_a

    def tick(second: int) -> None:
        for number in range(count):
            own = drives[number % len(drives)]
            speed, heat = speeds[number], heats[number]
            for part in range(20):
                ratio = min(0.4 + 0.06 * (second + part / 20), 1.0)
                rate, current = torque(own, ratio, speed)
                ahead, _ = torque(own, ratio, max(speed + 0.05 * rate, 0.0))
                speed = max(speed + 0.025 * (rate + ahead), 0.0)
                heat += 0.05 * current * current
            speeds[number], heats[number] = speed, heat

    return PhysicsRow(kind="plain loop, Heun 50 ms", motors=count, cpu_us=_timed(count, tick))


def physics_rows(count: int = 5000) -> list[PhysicsRow]:
    """Return every row; the plain loop last. The two slow ones are taken over fewer motors."""
    rows: list[Callable[[], PhysicsRow]] = [
        partial(mixed_motors, count),
        partial(mixed_devices, count),
        partial(starting_motors, count // 10),
        partial(plain_loop, count // 20),
    ]
    return [row() for row in rows]
