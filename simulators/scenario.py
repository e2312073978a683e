"""The scenario file: which simulated starters there are, where they are served, and what happens to them when.

Every mistake is reported at once. An example:

```yaml
scenario: gravel-wash
seed: 7
addresses:
  bridge: {protocol: modbus, port: 15020, turnaround: 8 ms}
starters:
  dust-fan:
    map: maps/ramp.yaml            # beside this file
    address: bridge
    unit: 1
    motor: {rated_power: 45 kW, rated_voltage: 400 V, poles: 4, rated_speed: 1478 rpm, power_factor: 0.86, efficiency: 94.2 %,
            locked_rotor_current: 7.0, locked_rotor_torque: 2.4, breakdown_torque: 2.8, inertia: 0.45 kg m^2}
    load: {kind: fan, torque: 90 %, inertia: 10 kg m^2}
    method: {kind: soft_starter, initial_voltage: 40 %, ramp_time: 10 s, current_limit: 3.5 x FLC}
    timetable:
      - {daily: "06:00", until: "18:00", every: 90 min, run: 40 min, jitter: 10 min}
      - {at: 2 d 14:05, do: trip}
```
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from zlib import crc32

from gateway.errors import InputError, Problem
from gateway.registers.findings import Findings, nearest
from gateway.registers.load import load_map
from gateway.registers.model import Protocol, RegisterMap, WordType
from gateway.registers.quantities import parse_number
from gateway.registers.sections import Section
from gateway.registers.yaml_tree import read_tree
from simulators.faults import ReplyFault
from simulators.framing import Framing
from simulators.link_faults import MODBUS_FAULTS
from simulators.scenario_events import PlannedFault, read_timetable
from simulators.scenario_motor import read_drive
from simulators.scenario_traits import read_device, read_drift, read_protection, read_supply
from simulators.traits import Make

_TOP = ("scenario", "about", "seed", "addresses", "starters")
_ADDRESS = ("protocol", "framing", "host", "port", "turnaround", "connections", "silent_unknown")
_STARTER = (
    "map",
    "address",
    "unit",
    "motor",
    "load",
    "method",
    "device",
    "supply",
    "protection",
    "drift",
    "constants",
    "timetable",
    "unreachable",
    "faults",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class AddressPlan:
    """Where starters are served. port 0 takes a free one; the rest is for Modbus."""

    name: str
    protocol: Protocol
    host: str = "127.0.0.1"
    port: int = 0
    turnaround_s: float = 0.0
    connection_limit: int | None = None
    silent_unknown: bool = False
    framing: Framing = Framing.TCP


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """One starter and where it is found."""

    make: Make
    address: str
    unit: int
    faults: tuple[PlannedFault, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """A whole plant."""

    name: str
    seed: int
    addresses: tuple[AddressPlan, ...]
    starters: tuple[Placed, ...]
    file: Path


def load_scenario(path: Path) -> Scenario:
    """Return a checked scenario. Raises InputError with the problems of the file and of every map it names."""
    findings = Findings(str(path))
    tree = read_tree(path, findings)
    if tree is None:
        raise InputError(findings.problems)
    top = Section(tree, "", findings)
    top.allow(_TOP)
    seed = top.whole("seed", 0, 2**31) or 0
    maps = _Maps(path.parent)
    addresses = _addresses(top)
    starters = _starters(top, addresses, maps, seed)
    problems = [*findings.problems, *maps.problems]
    if problems:
        raise InputError(problems)
    return Scenario(name=top.text("scenario") or path.stem, seed=seed, addresses=tuple(addresses.values()), starters=starters, file=path)


class _Maps:
    """Register maps, each read once."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._read: dict[str, RegisterMap | None] = {}
        self.problems: list[Problem] = []

    def map(self, name: str) -> RegisterMap | None:
        """Return a map, None when it has problems."""
        if name not in self._read:
            try:
                self._read[name] = load_map(self._folder / name)
            except InputError as error:
                self._read[name] = None
                self.problems += error.problems
        return self._read[name]


def _addresses(top: Section) -> dict[str, AddressPlan]:
    listed = top.section("addresses")
    if listed is None:
        if "addresses" not in top:
            top.require("addresses", "{bridge: {protocol: modbus, port: 15020}}")
        return {}
    plans = {}
    for name in listed.names():
        own = listed.section(name)
        if own is not None:
            own.allow(_ADDRESS)
            plans[name] = AddressPlan(
                name=name,
                protocol=own.choice("protocol", Protocol) or Protocol.MODBUS,
                host=own.text("host") or "127.0.0.1",
                port=own.whole("port", 0, 65535) or 0,
                turnaround_s=own.quantity("turnaround", "s", 0.0, 10.0) or 0.0,
                connection_limit=own.whole("connections", 1, 10000),
                silent_unknown=own.flag("silent_unknown") or False,
                framing=own.choice("framing", Framing) or Framing.TCP,
            )
    return plans


def _starters(top: Section, addresses: Mapping[str, AddressPlan], maps: _Maps, seed: int) -> tuple[Placed, ...]:
    listed = top.section("starters")
    if listed is None:
        if "starters" not in top:
            top.require("starters", "{dust-fan: {map: ramp.yaml, address: bridge, unit: 1, motor: {...}, load: {...}, method: {...}}}")
        return ()
    placed: list[Placed] = []
    taken: dict[tuple[str, str], str] = {}
    for name in listed.names():
        own = listed.section(name)
        if own is None:
            continue
        starter = _starter(own, name, addresses, maps, seed)
        if starter is None:
            continue
        if addresses[starter.address].protocol is Protocol.MODBUS:
            other = taken.setdefault((starter.address, str(starter.unit)), name)
            if other != name:
                own.refuse("unit", f"{other} at the same address has this unit already", found=str(starter.unit))
        else:
            nodes = [str(signal.place) for signal in starter.make.map.signals]
            others = {taken.setdefault((starter.address, node), name) for node in nodes} - {name}
            if others:
                own.refuse("map", f"{', '.join(sorted(others))} at the same address has these nodes already: give each starter its own map")
        placed.append(starter)
    return tuple(placed)


def _starter(own: Section, name: str, addresses: Mapping[str, AddressPlan], maps: _Maps, seed: int) -> Placed | None:
    own.allow(_STARTER)
    address = _address_of(own, addresses)
    unit = own.whole("unit", 1, 247) or 1
    register_map = _map_of(own, address, maps)
    built = read_drive(own)
    # Every starter has its own noise and jitter, and keeps it when others come or go.
    own_seed = (seed * 1_000_003 + crc32(name.encode())) & 0x7FFFFFFF
    timetable = read_timetable(own)
    constants = _constants(own, register_map)
    if address is not None:
        _check_faults(own, address, timetable.faults)
    device, supply, protection, drift = read_device(own), read_supply(own), read_protection(own), read_drift(own)
    if address is None or register_map is None or built is None:
        return None
    make = Make(
        name=name,
        map=register_map,
        drive=built.drive,
        device=device,
        supply=supply,
        protection=protection,
        drift=drift,
        settings=built.settings,
        constants=constants,
        daily=timetable.daily,
        events=timetable.events,
        seed=own_seed,
    )
    return Placed(make=make, address=address.name, unit=unit, faults=timetable.faults)


def _check_faults(own: Section, address: AddressPlan, faults: tuple[PlannedFault, ...]) -> None:
    for fault in faults:
        of_modbus = isinstance(fault.kind, ReplyFault) or fault.kind in MODBUS_FAULTS
        if of_modbus is not (address.protocol is Protocol.MODBUS):
            own.refuse("faults", f"{fault.kind.value} cannot happen on {address.protocol.value}", found=fault.kind.value)
        elif fault.kind is ReplyFault.CRC and address.framing is not Framing.RTU:
            own.refuse("faults", "only RTU frames have a check sum: give the address `framing: rtu`", found=fault.kind.value)


def _address_of(own: Section, addresses: Mapping[str, AddressPlan]) -> AddressPlan | None:
    name = own.text("address")
    if name is None:
        if "address" not in own:
            own.require("address", next(iter(addresses), "bridge"))
        return None
    if name not in addresses:
        hint = nearest(name, addresses)
        own.refuse("address", "there is no such address in `addresses`" + (f": {hint}" if hint else ""), allowed=", ".join(addresses))
        return None
    return addresses[name]


def _map_of(own: Section, address: AddressPlan | None, maps: _Maps) -> RegisterMap | None:
    name = own.text("map")
    if name is None:
        if "map" not in own:
            own.require("map", "maps/ramp.yaml")
        return None
    register_map = maps.map(name)
    if register_map is not None and address is not None and register_map.protocol is not address.protocol:
        own.refuse("map", f"this map is for {register_map.protocol.value}, the address {address.name} is {address.protocol.value}")
        return None
    return register_map


def _constants(own: Section, register_map: RegisterMap | None) -> dict[str, float | str]:
    listed = own.section("constants")
    if listed is None or register_map is None:
        return {}
    kinds = {signal.name: signal.type for signal in register_map.signals if signal.role is None}
    listed.allow(kinds)
    constants: dict[str, float | str] = {}
    for name in listed.names():
        leaf = listed.leaf(name)
        if leaf is not None:
            constants[name] = leaf.text if kinds.get(name) is WordType.TEXT else _number_or_text(leaf.text)
    return constants


def _number_or_text(text: str) -> float | str:
    try:
        return parse_number(text)
    except ValueError:
        return text
