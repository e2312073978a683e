"""Records of a simulated start for the bench: what a device would have answered, made without a socket by the simulators' own encoder."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

from gateway.bench.corrections import Correction
from gateway.bench.exchange import Exchange
from gateway.bench.timeline import Timeline, timeline_of
from gateway.instants import SECOND
from gateway.machine.drive import Drive, drive_for
from gateway.machine.loads import Fan
from gateway.machine.nameplate import EXAMPLE_45_KW
from gateway.machine.soft_starter import SoftStarter
from gateway.registers.load import load_map
from gateway.registers.model import ModbusPlace, RegisterMap, Signal, Span, Table
from simulators.plant import SimulatedStarter
from simulators.timetable import Action, Event
from simulators.traits import DeviceTraits, Make
from simulators.words import Value

MAPS = Path(__file__).parents[2] / "config" / "maps"
START_AT_S = 4.0
SOFT = SoftStarter(initial_voltage_ratio=0.4, ramp_time_s=6.0, current_limit_ratio=3.5, stop_time_s=6.0)
TRAITS = DeviceTraits(noise=0.005, unbalance=0.01, start_count=1207, running_hours=5310.4)
SETTINGS = {"set_flc": 82.0, "set_initial_voltage": 40.0, "set_ramp_time": 6.0, "set_current_limit": 350.0}
CONSTANTS: dict[str, Value] = {"control_place": 2, "energy": 181_233.7, "serial_number": "RP-40417"}


@cache
def shipped(name: str) -> RegisterMap:
    """One of the maps that come with the program."""
    return load_map(MAPS / f"{name}.yaml")


@cache
def fan_drive() -> Drive:
    fan = Fan(rated_torque_nm=0.9 * EXAMPLE_45_KW.rated_torque_nm)
    return drive_for(EXAMPLE_45_KW, load=fan, inertia_kg_m2=10.45, method=SOFT)


def device(
    register_map: RegisterMap, *, starts_at_s: float | None = START_AT_S, noise: float | None = None, seed: int = 1
) -> SimulatedStarter:
    """A simulated starter behind the map that is true for it."""
    events = () if starts_at_s is None else (Event(starts_at_s, Action.START, 0.0),)
    traits = TRAITS if noise is None else replace(TRAITS, noise=noise)
    make = Make(
        name="fan", map=register_map, drive=fan_drive(), device=traits, settings=SETTINGS, constants=CONSTANTS, events=events, seed=seed
    )
    return SimulatedStarter(make)


@cache
def recorded_start(name: str, duration_s: float = 24.0, period_s: float = 0.2) -> tuple[Exchange, ...]:
    """Return every word that the device of a shipped map gives through a start, in one piece for each table."""
    starter = device(shipped(name))
    exchanges: list[Exchange] = []
    for step in range(round(duration_s / period_s)):
        starter.advance_to(step * period_s)
        exchanges += whole_image(starter, at=round(step * period_s * SECOND))
    return tuple(exchanges)


def whole_image(starter: SimulatedStarter, at: int) -> list[Exchange]:
    """Return all registers of a device in runs of neighbouring addresses."""
    cells = starter.image().cells()
    runs: list[tuple[Table, int, list[int]]] = []
    for (table, address), word in sorted(cells.items(), key=lambda cell: (cell[0][0].value, cell[0][1])):
        if runs and runs[-1][0] is table and runs[-1][1] + len(runs[-1][2]) == address:
            runs[-1][2].append(word)
        else:
            runs.append((table, address, [word]))
    return [Exchange(at=at, unit=1, span=Span(table, first, first + len(words) - 1), words=tuple(words)) for table, first, words in runs]


@cache
def start_line(name: str, moved_by: int = 0) -> Timeline:
    """Return the record of a start as a timeline; `moved_by`: the device has everything so many addresses higher."""
    return timeline_of(
        replace(each, span=Span(each.span.table, each.span.first + moved_by, each.span.last + moved_by)) for each in recorded_start(name)
    )


def moved(register_map: RegisterMap, by: int) -> RegisterMap:
    """Return the map with every address so much higher."""
    return changed(register_map, {signal.key: Correction(shift=by) for signal in register_map.signals})


def changed(register_map: RegisterMap, mistakes: dict[str, Correction]) -> RegisterMap:
    """Return the map with a mistake in some of its lines."""
    signals = []
    for signal in register_map.signals:
        mistake = mistakes.get(signal.key)
        wrong = signal if mistake is None else mistake.applied(signal)
        assert wrong is not None, f"{mistake} makes no sense for {signal.name}"
        signals.append(wrong)
    return replace(register_map, signals=tuple(signals))


def place(signal: Signal) -> Span:
    assert isinstance(signal.place, ModbusPlace)
    return signal.place.span
