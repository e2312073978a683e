"""Servers that do not subscribe as asked: seldom, not at all, not this node, with a short queue. What they hold is read all the same."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest
from asyncua import ua
from asyncua.server.subscription_service import SubscriptionService
from asyncua.ua.uaerrors import BadServiceUnsupported, BadTooManySubscriptions, UaStatusCodeError

from gateway.motors.records import Pace
from tests.drivers.opcua_server import Plant, free_port, serving
from tests.drivers.test_opcua import SUBSCRIBED, VALUES, gather, link_to


async def _is_polled(plant: Plant, words: str) -> None:
    link = link_to(plant.endpoint, *SUBSCRIBED)
    assert await link.open() is None
    assert [words in note and "polled instead" in note for note in link.notes] == [True]
    for current in (7.5, 8.5):
        await plant.put("current", current)
        poll = await link.poll("fan", Pace.RUNNING)
        assert poll.faults == ()
        assert poll.readings[-1].values["current"] == current
        assert poll.requests == 1
    await link.close()
    assert link.notes == ()


@pytest.mark.parametrize("refusal", [BadServiceUnsupported, BadTooManySubscriptions])
async def test_a_server_without_subscriptions_is_polled_and_that_is_told(
    refusal: type[UaStatusCodeError], monkeypatch: pytest.MonkeyPatch
) -> None:
    async def refuse(*_: object, **__: object) -> None:
        raise refusal

    monkeypatch.setattr(SubscriptionService, "create_subscription", refuse)
    async with serving(free_port(), VALUES) as plant:
        await _is_polled(plant, f"takes no subscription ({refusal.__name__})")


def _publishing_every(seconds: float, monkeypatch: pytest.MonkeyPatch) -> None:
    create = SubscriptionService.create_subscription

    async def revising(self: SubscriptionService, parameters: ua.CreateSubscriptionParameters, *rest: Any, **named: Any) -> Any:
        parameters.RequestedPublishingInterval = 1000 * seconds
        return await create(self, parameters, *rest, **named)

    monkeypatch.setattr(SubscriptionService, "create_subscription", revising)


async def test_a_server_that_notifies_too_seldom_is_polled_and_that_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """Values of 5 s ago would be shown as none at all, and a start would be seen when it is over."""
    _publishing_every(5.0, monkeypatch)
    async with serving(free_port(), VALUES) as plant:
        await _is_polled(plant, "notifies only every 5 s, asked were 0.05 s")
        assert not plant.server.iserver.subscription_service.subscriptions


async def test_a_server_that_notifies_somewhat_slower_keeps_every_change(monkeypatch: pytest.MonkeyPatch) -> None:
    """Asked every 50 ms it notifies every second: its queue must hold what it samples in between."""
    _publishing_every(1.0, monkeypatch)
    async with serving(free_port(), VALUES) as plant:
        link = link_to(plant.endpoint, *SUBSCRIBED)
        assert await link.open() is None
        await link.poll("fan", Pace.RUNNING)
        for change in range(30):
            await plant.put("current", 100.0 + change)
            await asyncio.sleep(0.002)
        readings = await gather(link, lambda reading: reading.values.get("current") == 129.0)
        await link.close()
    found = [value for reading in readings if (value := reading.values.get("current")) is not None and value >= 100.0]
    assert sorted(set(found)) == [100.0 + change for change in range(30)]
    assert link.dropped == 0
    assert link.notes == ()
