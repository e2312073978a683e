"""Simulated starters for tests: one map with every role that a device shows, and the 45 kW example motor on a fan."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

from gateway.machine.drive import Drive, drive_for
from gateway.machine.feed import Method
from gateway.machine.loads import Conveyor, Fan, Load
from gateway.machine.methods import DirectOnLine
from gateway.machine.nameplate import EXAMPLE_45_KW
from gateway.machine.soft_starter import SoftStarter
from gateway.registers.model import ModbusPlace, Protocol, RegisterMap, Signal, Span, Table, WordType
from simulators.plant import SimulatedStarter
from simulators.traits import Make

BITS = ("command", "starting", "at_speed", "running", "stopping", "tripped")
NUMBERS: tuple[tuple[str, int, WordType, float], ...] = (
    ("trip_code", 1, WordType.UINT16, 1.0),
    ("current", 2, WordType.UINT16, 0.1),
    ("current_l1", 3, WordType.UINT16, 0.1),
    ("current_l2", 4, WordType.UINT16, 0.1),
    ("current_l3", 5, WordType.UINT16, 0.1),
    ("voltage", 6, WordType.UINT16, 0.1),
    ("thermal_used", 7, WordType.UINT16, 0.1),
    ("winding_temperature", 8, WordType.INT16, 0.1),
    ("power", 9, WordType.FLOAT32, 1.0),
    ("start_count", 11, WordType.UINT32, 1.0),
    ("running_hours", 13, WordType.UINT32, 0.1),
    ("set_ramp_time", 15, WordType.UINT16, 0.1),
)

SOFT = SoftStarter(initial_voltage_ratio=0.4, ramp_time_s=10.0, current_limit_ratio=3.5, stop_time_s=6.0)
FAN = Fan(rated_torque_nm=0.9 * EXAMPLE_45_KW.rated_torque_nm)
STIFF_BELT = Conveyor(rated_torque_nm=0.9 * EXAMPLE_45_KW.rated_torque_nm, breakaway_ratio=1.5)
"""At 2.5 x FLC the example motor cannot move it."""


def device_map(*, wraps_at: int | None = None) -> RegisterMap:
    """A map with bits in holding 0 and numbers behind it."""

    def signal(name: str, first: int, kind: WordType, scale: float = 1.0, bit: int | None = None) -> Signal:
        count = 2 if kind in (WordType.UINT32, WordType.FLOAT32) else 1
        return Signal(
            name=name,
            key=name,
            role=name,
            place=ModbusPlace(span=Span(Table.HOLDING, first, first + count - 1), written=f"holding {first}"),
            type=kind,
            bit=bit,
            scale=scale,
            wraps_at=wraps_at if name == "start_count" else None,
            no_value=(-32768,) if name == "winding_temperature" else (),
        )

    bits = [signal(name, 0, WordType.BIT, bit=index) for index, name in enumerate(BITS)]
    return RegisterMap(name="bench", protocol=Protocol.MODBUS, signals=(*bits, *(signal(*number) for number in NUMBERS)))


@cache
def _fitted() -> Drive:
    return drive_for(EXAMPLE_45_KW, load=FAN, inertia_kg_m2=10.45, method=DirectOnLine())


def drive(method: Method = SOFT, load: Load = FAN, inertia_kg_m2: float = 10.45) -> Drive:
    """The example motor with a load, by a method."""
    return replace(_fitted(), method=method, load=load, inertia_kg_m2=inertia_kg_m2)


def starter(make: Make | None = None) -> SimulatedStarter:
    """A simulated starter, by default the soft-started fan."""
    return SimulatedStarter(make if make is not None else Make(name="fan", map=device_map(), drive=drive()))
