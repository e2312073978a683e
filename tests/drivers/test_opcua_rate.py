"""`requests_per_s` on OPC UA, by the hand clock: whatever a session needs, and however often it is made anew, no second holds more."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Awaitable, Callable
from typing import Any

import pytest
from asyncua import ua
from asyncua.client.ua_client import UaClient, UASocketProtocol

from gateway.clock import HandClock
from gateway.drivers.base import Attached
from gateway.drivers.opcua import OpcuaLink
from gateway.motors.records import Pace
from gateway.registers.model import Fetch, OpcuaPlace, Protocol, RegisterMap, Signal
from tests.drivers.opcua_server import PLANT, Relay, free_port, serving

T0 = 1_780_000_000_000_000
LIMIT = 3
VALUES: dict[str, object] = {"current": 1.0, "running": True}
TIMEOUT_S = 5.0


@pytest.fixture
def clock() -> HandClock:
    return HandClock(T0)


@pytest.fixture
def left(clock: HandClock, monkeypatch: pytest.MonkeyPatch) -> list[tuple[float, str]]:
    """When the library connected, and what it put on the wire and when. A channel is opened with each connection and counts as that;
    taking leave of it is no request: nobody answers it."""
    moments: list[tuple[float, str]] = []
    send, connect = UASocketProtocol._send_request, UaClient.connect_socket

    def noting(self: UASocketProtocol, request: Any, *rest: Any, **named: Any) -> Any:
        if not isinstance(request, (ua.OpenSecureChannelRequest, ua.CloseSecureChannelRequest)):
            moments.append((clock.monotonic(), type(request).__name__))
        return send(self, request, *rest, **named)

    async def connecting(self: UaClient, host: str, port: int) -> None:
        moments.append((clock.monotonic(), "connection"))
        await connect(self, host, port)

    monkeypatch.setattr(UASocketProtocol, "_send_request", noting)
    monkeypatch.setattr(UaClient, "connect_socket", connecting)
    return moments


def link_to(port: int, clock: HandClock, fetch: Fetch, requests_per_s: int | None) -> OpcuaLink:
    signals = tuple(
        Signal(name=name, key=name, role=None, place=OpcuaPlace(namespace_uri=PLANT, identifier=f"s={name}", fetch=fetch), type=None)
        for name in ("current", "running")
    )
    register_map = RegisterMap(
        name="paced", protocol=Protocol.OPCUA, signals=signals, timeout_s=TIMEOUT_S, requests_per_s=requests_per_s
    )
    return OpcuaLink(f"opc.tcp://127.0.0.1:{port}/plant", [Attached(starter="fan", map=register_map)], clock)


async def turned_until_done(clock: HandClock, work: Callable[[], Awaitable[None]]) -> None:
    """Turn the clock on while something is done; bytes travel in real time."""
    task = asyncio.ensure_future(work())
    try:
        async with asyncio.timeout(20):
            while not task.done():
                await clock.turn(0.05)
                await asyncio.sleep(0.001)
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


def most_in_a_second(moments: list[tuple[float, str]]) -> int:
    at = [moment for moment, _ in moments]
    return max(sum(first <= each < first + 1.0 for each in at) for first in at)


@pytest.mark.parametrize("fetch", list(Fetch))
async def test_no_second_holds_more_requests_than_the_map_allows(
    clock: HandClock, left: list[tuple[float, str]], fetch: Fetch
) -> None:
    port = free_port()
    async with serving(port, VALUES), Relay(port) as relay:
        link, good = link_to(relay.port, clock, fetch, LIMIT), 0

        async def storm() -> None:
            nonlocal good
            for turn in range(12):
                if not link.is_open:
                    assert await link.open() is None
                poll = await link.poll("fan", Pace.SLOW)
                good += poll.readings[-1].values.get("current") == 1.0
                if turn % 3 == 2:
                    relay.cut()
                    await asyncio.sleep(0.01)
            await link.close()

        await turned_until_done(clock, storm)
    assert good >= 8
    assert len({name for _, name in left}) >= 4
    assert most_in_a_second(left) == LIMIT


async def test_waiting_for_a_turn_is_no_silence_of_the_server(clock: HandClock, left: list[tuple[float, str]]) -> None:
    """One request a second, and a session takes longer to make than its own time limit would allow."""
    port = free_port()
    async with serving(port, VALUES):
        link = link_to(port, clock, Fetch.POLL, 1)

        async def slowly() -> None:
            assert await link.open() is None
            assert (await link.poll("fan", Pace.RUNNING)).readings[-1].values["current"] == 1.0
            await link.close()

        await turned_until_done(clock, slowly)
    assert most_in_a_second(left) == 1
    assert left[-1][0] > 4.0


async def test_without_such_a_line_nothing_waits(clock: HandClock, left: list[tuple[float, str]]) -> None:
    port = free_port()
    async with serving(port, VALUES):
        link = link_to(port, clock, Fetch.POLL, None)
        assert await link.open() is None
        for _ in range(10):
            await link.poll("fan", Pace.RUNNING)
        await link.close()
    assert {moment for moment, _ in left} == {0.0}
