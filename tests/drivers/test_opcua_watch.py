"""A look at the watched nodes of an OPC UA server alone, and everything as soon as one of them has changed."""

from __future__ import annotations

import asyncio
from dataclasses import replace

from gateway.motors.records import Pace
from gateway.registers.model import Fetch, SignalPace
from tests.drivers.opcua_server import free_port, serving
from tests.drivers.test_opcua import VALUES, link_to, signal

WATCHED = replace(signal("running"), pace=SignalPace.WATCH)


async def test_a_look_reads_the_watched_nodes_alone_until_one_changes() -> None:
    async with serving(free_port(), VALUES) as plant:
        link = link_to(plant.endpoint, WATCHED, signal("current"), signal("energy", slow=True))
        assert await link.open() is None
        whole = await link.poll("fan", Pace.WATCH)
        assert not whole.is_unchanged
        assert whole.readings[-1].values.keys() == {"running", "current", "energy"}
        look = await link.poll("fan", Pace.WATCH)
        assert look.is_unchanged
        assert look.readings[-1].values == {"running": True}
        await plant.put("running", False)
        changed = await link.poll("fan", Pace.WATCH)
        assert not changed.is_unchanged
        assert changed.readings[-1].values == {"running": False, "current": 41.5}
        assert (await link.poll("fan", Pace.WATCH)).is_unchanged
        await link.close()


async def test_what_was_notified_is_handed_on_with_the_next_look() -> None:
    async with serving(free_port(), VALUES) as plant:
        link = link_to(plant.endpoint, WATCHED, signal("current", fetch=Fetch.SUBSCRIBE))
        assert await link.open() is None
        await link.poll("fan", Pace.STANDBY)
        await plant.put("current", 300.0)
        async with asyncio.timeout(20):
            poll = await link.poll("fan", Pace.WATCH)
            # The notification comes when the server's next publishing interval ends, on a busy machine later.
            while not any(reading.values.get("current") == 300.0 for reading in poll.readings):
                await asyncio.sleep(0.02)
                poll = await link.poll("fan", Pace.WATCH)
        assert not poll.is_unchanged
        assert poll.readings[-1].values["current"] == 300.0
        await link.close()
