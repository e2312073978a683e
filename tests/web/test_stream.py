"""The live stream: serialised once, newest event only, heartbeat, full house, and an end."""

from __future__ import annotations

import asyncio

import orjson
import pytest
from starlette.types import Message

from gateway.clock import HandClock
from gateway.web.stream import HEARTBEAT_S, STREAM_LIFE_S, EventStream, Hub, Seat


class Counter:
    """Makes numbered messages and remembers how many were asked for."""

    def __init__(self) -> None:
        self.made = 0

    def __call__(self) -> object:
        self.made += 1
        return {"number": self.made}


class Client:
    """One listener without a socket: keeps what was sent, and can hang up or stop reading."""

    def __init__(self) -> None:
        self.sent: list[bytes] = []
        self.more = True
        self.beat = asyncio.Event()
        self._gone = asyncio.Event()
        self.reads = asyncio.Event()
        self.reads.set()

    async def receive(self) -> Message:
        await self._gone.wait()
        return {"type": "http.disconnect"}

    async def send(self, message: Message) -> None:
        await self.reads.wait()
        if message["type"] == "http.response.body":
            self.sent.append(message["body"])
            self.more = message["more_body"]
            if message["body"] == b": heartbeat\n\n":
                self.beat.set()

    def hang_up(self) -> None:
        self._gone.set()

    @property
    def numbers(self) -> list[int]:
        return [orjson.loads(event[6:])["number"] for event in self.sent if event.startswith(b"data: ")]


async def settle() -> None:
    for _ in range(20):
        await asyncio.sleep(0)


def listening(hub: Hub, clock: HandClock, client: Client) -> asyncio.Task[None]:
    return asyncio.create_task(EventStream(hub, clock)({"type": "http"}, client.receive, client.send))


async def test_one_message_serves_all_clients() -> None:
    clock, made = HandClock(), Counter()
    hub = Hub(made, clock)
    feeding = asyncio.create_task(hub.run())
    clients = [Client() for _ in range(5)]
    tasks = [listening(hub, clock, client) for client in clients]
    await settle()
    before = made.made
    await clock.turn(3.0)
    assert made.made == before + 3
    assert hub.clients == 5
    assert all(client.numbers[-3:] == [before + 1, before + 2, before + 3] for client in clients)
    hub.stop()
    await asyncio.gather(*tasks)
    assert all(client.sent[-1].startswith(b"event: bye") and not client.more for client in clients)
    assert hub.clients == 0
    feeding.cancel()
    with pytest.raises(asyncio.CancelledError):
        await feeding


async def test_nothing_is_made_while_nobody_listens() -> None:
    clock, made = HandClock(), Counter()
    feeding = asyncio.create_task(Hub(made, clock).run())
    await clock.turn(5.0)
    assert made.made == 0
    feeding.cancel()
    with pytest.raises(asyncio.CancelledError):
        await feeding


async def test_a_client_that_does_not_read_gets_the_newest_alone() -> None:
    clock, made = HandClock(), Counter()
    hub = Hub(made, clock)
    feeding = asyncio.create_task(hub.run())
    client = Client()
    task = listening(hub, clock, client)
    await settle()
    client.reads.clear()
    await clock.turn(60.0)
    client.reads.set()
    await settle()
    await clock.turn(1.0)
    assert made.made == 62
    assert client.numbers[0] == 1
    assert client.numbers[-1] == 62
    assert len(client.numbers) <= 4
    client.hang_up()
    hub.stop()
    await task
    feeding.cancel()
    with pytest.raises(asyncio.CancelledError):
        await feeding


async def test_a_seat_holds_one_event() -> None:
    seat = Seat()
    seat.put(b"old")
    seat.put(b"new")
    assert await seat.take(1.0) == b"new"
    assert await seat.take(0.001) is None


async def test_a_client_that_hangs_up_gives_its_seat_back() -> None:
    clock = HandClock()
    hub = Hub(Counter(), clock)
    client = Client()
    task = listening(hub, clock, client)
    await settle()
    assert hub.clients == 1
    client.hang_up()
    await settle()
    next(iter(hub._seats)).put(b"data: {}\n\n")
    await task
    assert hub.clients == 0


async def test_heartbeat_when_nothing_comes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gateway.web.stream.HEARTBEAT_S", 0.001)
    clock = HandClock()
    hub = Hub(Counter(), clock)
    client = Client()
    task = listening(hub, clock, client)
    await asyncio.wait_for(client.beat.wait(), 10)
    hub.stop()
    await task
    assert HEARTBEAT_S == 15.0


async def test_a_stuck_send_ends_the_stream(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gateway.web.stream.SEND_TIMEOUT_S", 0.001)
    clock = HandClock()
    hub = Hub(Counter(), clock)
    client = Client()
    task = listening(hub, clock, client)
    await settle()
    client.reads.clear()
    next(iter(hub._seats)).put(b"data: {}\n\n")
    await asyncio.wait_for(task, 5)
    assert hub.clients == 0


async def test_a_stream_ends_after_its_life() -> None:
    clock = HandClock()
    hub = Hub(Counter(), clock)
    client = Client()
    task = listening(hub, clock, client)
    await settle()
    await clock.turn(STREAM_LIFE_S + 1.0)
    next(iter(hub._seats)).put(b"data: {}\n\n")
    await asyncio.wait_for(task, 5)
    assert hub.clients == 0


async def test_full_house_and_after_the_end() -> None:
    clock = HandClock()
    hub = Hub(Counter(), clock, most_streams=2)
    full = [hub.is_full]
    first, second = hub.sit(), hub.sit()
    full.append(hub.is_full)
    hub.leave(first)
    full.append(hub.is_full)
    assert full == [False, True, False]
    hub.stop()
    assert hub.stopped
    late = hub.sit()
    assert await late.take(1.0) == b"event: bye\ndata: {}\n\n"
    hub.leave(second)
    hub.leave(late)
