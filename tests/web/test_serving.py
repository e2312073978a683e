"""Serving on a real socket: taken ports in plain words, fifty open streams that hold up no shutdown, the fifty-first refused."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import httpx
import orjson
import pytest

from gateway.errors import ServeError
from gateway.web.application import create_app
from gateway.web.serving import bound_socket, serve
from tests.web.tarn_hollow import FakePlant, ShiftedClock, tarn_hollow

LONGEST_SHUTDOWN_S = 10.0


@asynccontextmanager
async def serving(plant: FakePlant, clock: ShiftedClock) -> AsyncIterator[tuple[str, asyncio.Event, asyncio.Task[None]]]:
    stop = asyncio.Event()
    ready: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    task = asyncio.create_task(serve(create_app(plant, clock=clock), "127.0.0.1", 0, stop, on_ready=ready.set_result))
    address = await asyncio.wait_for(ready, 10)
    try:
        yield address, stop, task
    finally:
        stop.set()
        await task


async def opened(address: str) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    """Open a stream by hand, so that it can be left unread."""
    host, port = address.removeprefix("http://").split(":")
    reader, writer = await asyncio.open_connection(host, int(port))
    writer.write(b"GET /stream HTTP/1.1\r\nhost: gateway\r\n\r\n")
    await writer.drain()
    head = await reader.readuntil(b"\r\n\r\n")
    assert head.startswith(b"HTTP/1.1 200"), head
    assert b"text/event-stream" in head
    await reader.readuntil(b"data: ")
    return reader, writer


async def test_fifty_open_streams_do_not_hold_up_the_shutdown() -> None:
    clock = ShiftedClock()
    async with serving(tarn_hollow(clock), clock) as (address, stop, task):
        streams = [await opened(address) for _ in range(50)]
        async with httpx.AsyncClient(base_url=address) as client:
            refused = await client.get("/stream")
            assert refused.status_code == 503
            assert "As many pages" in refused.json()["happened"]
            assert (await client.get("/")).status_code == 200
        stop.set()
        await asyncio.wait_for(asyncio.shield(task), LONGEST_SHUTDOWN_S)
        for reader, writer in streams:
            assert b"event: bye" in await reader.read()
            writer.close()


async def test_events_are_whole_pictures_of_the_moment() -> None:
    clock = ShiftedClock()
    async with serving(tarn_hollow(clock), clock) as (address, _, _):
        reader, writer = await opened(address)
        first = orjson.loads(await reader.readuntil(b"\n\n"))
        assert first["clock"] == "14:12"
        assert set(first["motors"]) == set(tarn_hollow().motors)
        assert first["motors"]["DC-01"]["t"]["main"] == "14:37"
        assert first["motors"]["BP-01"]["m"] == {"stale": True, "unc": True}
        assert first["motors"]["RW-01"]["v"]["voltage"] == ["401.3", ""]
        writer.close()
        await writer.wait_closed()


async def test_a_taken_port_is_said_plainly() -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        with pytest.raises(ServeError, match=f"127.0.0.1:{port}: the port is taken by another program"):
            await serve(create_app(tarn_hollow()), "127.0.0.1", port, asyncio.Event())


@pytest.mark.parametrize(
    ("host", "words"),
    [("203.0.113.7", "no such address"), ("no-such-host.invalid", "does not resolve")],
)
def test_an_address_that_is_not_ours(host: str, words: str) -> None:
    with pytest.raises(ServeError, match=words):
        bound_socket(host, 0)


async def test_ipv6_is_shown_in_brackets() -> None:
    stop = asyncio.Event()
    shown: list[str] = []

    def ready(address: str) -> None:
        shown.append(address)
        stop.set()

    await asyncio.wait_for(serve(create_app(tarn_hollow()), "::1", 0, stop, on_ready=ready), 10)
    assert shown[0].startswith("http://[::1]:")


async def test_the_log_says_why_live_updates_stopped(monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture) -> None:
    clock = ShiftedClock()
    plant = tarn_hollow(clock)
    app = create_app(plant, clock=clock)
    hub = app.state.desk.hub

    def broken() -> object:
        raise RuntimeError("no such figure")

    with pytest.raises(RuntimeError, match="no such figure"):
        async with app.router.lifespan_context(app):
            seat = hub.sit()
            monkeypatch.setattr(hub, "_message", broken)
            while not caplog.records:
                await seat.take(0.05)
    assert "live updates of the pages have stopped" in caplog.text
