"""F21 with the project's own simulated server: freeze, kill, restart, freeze then kill, a namespace inserted, a node removed.

Data must come back at the first opening that the server lets succeed, no value may ever be another variable's, and a node that is gone is
bad, not missing. The link is driven as the poller drives it; the project's back-off waits 10 s at most between openings.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager

import pytest

from gateway.clock import RealClock
from gateway.drivers.base import Attached, Poll
from gateway.drivers.opcua import OpcuaLink
from gateway.motors.reading import Quality, Reading
from gateway.motors.records import Pace
from gateway.registers.model import Fetch, OpcuaPlace, Protocol, RegisterMap, Signal
from simulators.opcua import Device, OpcuaServer
from simulators.words import Value

URI, OTHER = "urn:example:tarn-hollow:starter", "urn:example:another"
TRUTH: dict[str, tuple[float, float]] = {"current": (40.0, 60.0), "voltage": (395.0, 405.0)}
"""The band in which each signal lies for ever: a value outside it is another variable's."""


class Source:
    """Values that change all the time, each inside its own band."""

    answers = True

    def __init__(self) -> None:
        self._step = 0

    def sample(self) -> tuple[Mapping[str, Value], float]:
        self._step += 1
        part = self._step % 10 / 10
        return {key: low + part * (high - low) for key, (low, high) in TRUTH.items()}, time.time()


def sketch(fetch: Fetch) -> RegisterMap:
    places = {
        name: OpcuaPlace(namespace_uri=URI, identifier=f"s={name}", fetch=fetch, sampling_interval_s=0.05, written=name) for name in TRUTH
    }
    signals = tuple(Signal(name=name, key=name, role=None, place=place, type=None) for name, place in places.items())
    return RegisterMap(name="sketch", protocol=Protocol.OPCUA, signals=signals, timeout_s=4.0)


class Rig:
    """The server, and a link that is opened again whenever it is closed."""

    def __init__(self, fetch: Fetch) -> None:
        register_map = sketch(fetch)
        self.server = OpcuaServer([Device(map=register_map, source=Source())], update_s=0.05)
        self._attached = [Attached(starter="fan", map=register_map)]
        self.openings = 0

    async def start(self) -> None:
        await self.server.start()
        self.link = OpcuaLink(self.server.endpoint, self._attached, RealClock())

    async def turn(self) -> Poll:
        if not self.link.is_open:
            self.openings += 1
            await self.link.open()
        poll = await self.link.poll("fan", Pace.SLOW)
        if self.link.is_open and any(fault.breaks_link for fault in poll.faults):
            await self.link.close()
        for reading in poll.readings:
            for key, value in reading.values.items():
                low, high = TRUTH[key]
                assert isinstance(value, float)
                assert low <= value <= high, f"{key} has another variable's value {value}"
        await asyncio.sleep(0.05)
        return poll

    async def until_moving(self, keys: frozenset[str] = frozenset(TRUTH)) -> Reading:
        """Return once every one of the signals has changed twice; fails after 400 turns."""
        seen: dict[str, set[object]] = {key: set() for key in keys}
        for _ in range(400):
            for reading in (await self.turn()).readings:
                for key in keys & reading.values.keys():
                    seen[key].add(reading.values[key])
            if all(len(values) > 2 for values in seen.values()):
                return reading
        raise AssertionError(f"nothing moves: {seen}")

    async def until_broken(self) -> Poll:
        for _ in range(400):
            poll = await self.turn()
            if any(fault.breaks_link for fault in poll.faults):
                assert not poll.readings[-1].has_data
                return poll
        raise AssertionError("the link never broke")


@asynccontextmanager
async def rig(fetch: Fetch) -> AsyncIterator[Rig]:
    made = Rig(fetch)
    await made.start()
    try:
        await made.until_moving()
        yield made
    finally:
        await made.link.close()
        await made.server.stop()


FETCHES = pytest.mark.parametrize("fetch", list(Fetch))


@FETCHES
async def test_a_server_killed_and_started_again_is_read_at_once(fetch: Fetch) -> None:
    async with rig(fetch) as bench:
        await bench.server.kill()
        await bench.until_broken()
        await bench.server.start()
        bench.openings = 0
        await bench.until_moving()
        assert bench.openings <= 2


@FETCHES
async def test_a_server_that_restarts_in_order_is_read_at_once(fetch: Fetch) -> None:
    async with rig(fetch) as bench:
        await bench.server.stop()
        await bench.until_broken()
        await bench.server.start()
        bench.openings = 0
        await bench.until_moving()
        assert bench.openings <= 2


async def test_a_frozen_server_is_left_and_read_again_when_it_moves() -> None:
    async with rig(Fetch.SUBSCRIBE) as bench:
        bench.server.frozen = True
        assert (await bench.until_broken()).faults[0].kind == "frozen"
        bench.server.frozen = False
        await bench.until_moving()


async def test_a_server_frozen_and_then_killed_is_read_again() -> None:
    async with rig(Fetch.SUBSCRIBE) as bench:
        bench.server.frozen = True
        await bench.until_broken()
        await bench.server.kill()
        bench.server.frozen = False
        await bench.until_broken()
        await bench.server.start()
        bench.openings = 0
        await bench.until_moving()
        assert bench.openings <= 2


@FETCHES
async def test_namespaces_inserted_at_a_restart_never_give_another_variable(fetch: Fetch) -> None:
    async with rig(fetch) as bench:
        for namespaces in ([OTHER], [OTHER, "urn:example:third"], []):
            await bench.server.kill()
            await bench.until_broken()
            bench.server.extra_namespaces = tuple(namespaces)
            await bench.server.start()
            await bench.until_moving()


@FETCHES
async def test_a_removed_node_is_bad_and_the_others_are_read(fetch: Fetch) -> None:
    async with rig(fetch) as bench:
        await bench.server.kill()
        await bench.until_broken()
        bench.server.removed = {"voltage"}
        await bench.server.start()
        reading = await bench.until_moving(frozenset({"current"}))
        assert reading.quality_of("voltage") is Quality.BAD
        poll = await bench.turn()
        assert "voltage" in poll.readings[-1].flaws
        assert any(fault.kind == "no_node" for fault in poll.faults)
        await bench.server.kill()
        await bench.until_broken()
        bench.server.removed = set()
        await bench.server.start()
        await bench.until_moving()


async def test_nothing_was_written() -> None:
    async with rig(Fetch.SUBSCRIBE) as bench:
        await bench.until_moving()
        assert bench.server.trap_hits == 0
