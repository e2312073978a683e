"""A simulated plant and the gateway over loopback: what really happened on one side, what the ledger says on the other."""

from __future__ import annotations

import asyncio
import contextlib
import textwrap
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from pathlib import Path
from zlib import crc32

from gateway.app import running_gateway
from gateway.clock import RealClock
from gateway.demo import served_site
from gateway.services.plant import Plant
from gateway.site import load_site
from simulators.live import LivePlant, build_starters
from simulators.plant import SimulatedStarter
from simulators.scenario import load_scenario
from simulators.timetable import Action
from simulators.truth import TrueStart

MAPS = Path(__file__).parents[2] / "config" / "maps"

MOTOR = """\
motor: {rated_power: 45 kW, rated_voltage: 400 V, poles: 4, rated_speed: 1478 rpm, power_factor: 0.86, efficiency: 94.2 %,
        locked_rotor_current: 7.0 x FLC, locked_rotor_torque: 2.4, breakdown_torque: 2.8, inertia: 0.45 kg m^2}
"""
SITE_MOTOR = """\
motor: {rated_power: 45 kW, rated_voltage: 400 V, full_load_current: 80.2 A, poles: 4, rated_speed: 1478 rpm, power_factor: 0.86,
        efficiency: 94.2 %, locked_rotor_current: 7.0 x FLC, cold_stall_time: 30 s, hot_stall_time: 18 s}
"""
SOFT = "{kind: soft_starter, initial_voltage: 40 %, ramp_time: 10 s, current_limit: 3.5 x FLC}"
DIRECT = "{kind: direct_on_line}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """One starter of a system test: its map, its method, and lines that are added on either side."""

    name: str
    map: str
    method: str
    device: str = "{noise: 0.3 %}"
    address: str = ""
    unit: int = 1
    inertia_kg_m2: float = 10.0
    simulated: str = ""
    read: str = ""

    @property
    def is_opcua(self) -> bool:
        return self.map == "softline-ua"

    @property
    def at(self) -> str:
        return self.address or self.name.lower()


@dataclass(frozen=True, slots=True)
class Bench:
    """Both sides while they run."""

    simulated: LivePlant
    plant: Plant

    def starter(self, name: str) -> SimulatedStarter:
        return self.simulated.starters[name]

    def command(self, name: str, action: Action, value: float = 0.0) -> None:
        self.starter(name).command(action, value)

    def true_starts(self, name: str) -> tuple[TrueStart, ...]:
        return self.starter(name).true_starts

    async def until(self, condition: Callable[[], bool], within_s: float = 30.0) -> None:
        """Wait for something to become true; the test fails when it does not."""
        async with asyncio.timeout(within_s):
            revision = -1
            while not condition():
                revision = await self.plant.wait_for_change(max(revision, self.plant.revision))

    def state(self, name: str) -> str:
        return self.plant.live(name).state.value

    async def until_state(self, name: str, state: str, within_s: float = 30.0) -> None:
        await self.until(lambda: self.state(name) == state, within_s)


def _write(folder: Path, places: tuple[Place, ...]) -> tuple[Path, Path]:
    addresses, starters, read = {}, [], []
    for place in places:
        addresses[place.at] = "opcua" if place.is_opcua else "modbus"
        lines = f"map: {MAPS / place.map}.yaml\naddress: {place.at}\nunit: {place.unit}\n{MOTOR}method: {place.method}\n"
        lines += f"load: {{kind: fan, torque: 90 %, inertia: {place.inertia_kg_m2} kg m^2}}\n"
        lines += f"device: {place.device}\n{place.simulated}"
        starters.append(f"  {place.name}:\n{textwrap.indent(lines, '    ')}")
        port = _port(place)
        modbus = f"modbus: {{host: 127.0.0.1, port: {port}, unit: {place.unit}}}"
        where = f'opcua: {{endpoint: "opc.tcp://127.0.0.1:{port}", security: none}}' if place.is_opcua else modbus
        kind = "direct_on_line" if place.method == DIRECT else "soft_starter"
        lines = f"map: {MAPS / place.map}.yaml\n{where}\n{SITE_MOTOR}starter: {{method: {kind}}}\n{place.read}"
        read.append(f"  {place.name}:\n{textwrap.indent(lines, '    ')}")
    listed = "".join(f"  {name}: {{protocol: {protocol}}}\n" for name, protocol in addresses.items())
    scenario, site = folder / "scenario.yaml", folder / "site.yaml"
    scenario.write_text(f"scenario: bench\nseed: 5\naddresses:\n{listed}starters:\n" + "".join(starters), encoding="utf-8")
    paces = "defaults:\n  pace: {standby: 100 ms, starting: 100 ms, running: 100 ms}\n"
    head = f"site: Bench\ntime_zone: UTC\nstore: sqlite:///bench.db\n{paces}starters:\n"
    site.write_text(head + "".join(read), encoding="utf-8")
    return scenario, site


def _port(place: Place) -> int:
    # Only so that starters behind one address are read over one link; the real port is put in once it is known.
    return 10000 + crc32(place.at.encode()) % 50000


@contextlib.asynccontextmanager
async def running_bench(folder: Path, *places: Place) -> AsyncIterator[Bench]:
    """Yield a simulated plant of these starters, all standing still, and the gateway that has read each of them."""
    scenario_file, site_file = _write(folder, places)
    scenario, site, clock = load_scenario(scenario_file), load_site(site_file), RealClock()
    async with LivePlant(scenario, build_starters(scenario), begin_at=clock.now(), clock=clock) as simulated:
        async with running_gateway(served_site(site, scenario, simulated), clock) as plant:
            bench = Bench(simulated, plant)
            await bench.until(lambda: all(bench.state(place.name) == "stopped" for place in places))
            yield bench
        assert simulated.trap_hits == 0
