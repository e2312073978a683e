"""The live stream: one server-sent event a second, serialised once for all clients; each client holds at most the latest one.

A client that stops reading loses events, never the gateway's memory: its place holds one event, the newest. A stream ends when the gateway
stops, when its client goes, when a send takes too long, or after a quarter of an hour (the page then opens a new one).
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import suppress

import orjson
from starlette.responses import Response
from starlette.types import Receive, Scope, Send

from gateway.clock import Clock

EVENT_EVERY_S = 1.0
HEARTBEAT_S = 15.0
SEND_TIMEOUT_S = 10.0
STREAM_LIFE_S = 900.0
MOST_STREAMS = 50
_GOODBYE = b"event: bye\ndata: {}\n\n"


class Seat:
    """One client's place: the newest event that it has not been sent."""

    def __init__(self) -> None:
        self._event: bytes | None = None
        self._ready = asyncio.Event()

    def put(self, event: bytes) -> None:
        """Lay the newest event over one that was not fetched."""
        self._event = event
        self._ready.set()

    async def take(self, timeout_s: float) -> bytes | None:
        """Return the newest event, None when none came in time."""
        try:
            async with asyncio.timeout(timeout_s):
                await self._ready.wait()
        except TimeoutError:
            return None
        self._ready.clear()
        event, self._event = self._event, None
        return event


class Hub:
    """All streams of the gateway. `message` makes the event's data; it is called once a second, and only while somebody listens."""

    def __init__(self, message: Callable[[], object], clock: Clock, *, most_streams: int = MOST_STREAMS) -> None:
        self._message = message
        self._clock = clock
        self._most_streams = most_streams
        self._seats: set[Seat] = set()
        self._stopped = asyncio.Event()

    @property
    def clients(self) -> int:
        """Streams open now."""
        return len(self._seats)

    @property
    def is_full(self) -> bool:
        """True when no further stream is taken."""
        return len(self._seats) >= self._most_streams

    @property
    def stopped(self) -> bool:
        """True once the gateway is stopping."""
        return self._stopped.is_set()

    def stop(self) -> None:
        """End every stream."""
        self._stopped.set()
        for seat in self._seats:
            seat.put(_GOODBYE)

    def event(self) -> bytes:
        """Return the present event, as it goes on the wire."""
        return b"data: " + orjson.dumps(self._message()) + b"\n\n"

    async def run(self) -> None:
        """Send an event to every client each second until cancelled."""
        while True:
            await self._clock.sleep(EVENT_EVERY_S)
            if self._seats and not self.stopped:
                event = self.event()
                for seat in self._seats:
                    seat.put(event)

    def sit(self) -> Seat:
        """Take a place; the caller gives it back."""
        seat = Seat()
        self._seats.add(seat)
        seat.put(_GOODBYE if self.stopped else self.event())
        return seat

    def leave(self, seat: Seat) -> None:
        """Give a place back."""
        self._seats.discard(seat)


class EventStream(Response):
    """The response of one client. Takes its seat when the body starts, so that a client that left before costs nothing."""

    media_type = "text/event-stream"

    def __init__(self, hub: Hub, clock: Clock) -> None:
        super().__init__(headers={"cache-control": "no-store", "x-accel-buffering": "no"})
        del self.headers["content-length"]
        self._hub = hub
        self._clock = clock

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        await send({"type": "http.response.start", "status": self.status_code, "headers": self.raw_headers})
        seat = self._hub.sit()
        gone = asyncio.create_task(_client_gone(receive))
        try:
            await self._feed(seat, send, gone)
        finally:
            self._hub.leave(seat)
            gone.cancel()
            with suppress(asyncio.CancelledError):
                await gone

    async def _feed(self, seat: Seat, send: Send, gone: asyncio.Task[None]) -> None:
        ends_at = self._clock.monotonic() + STREAM_LIFE_S
        await send({"type": "http.response.body", "body": b"retry: 2000\n\n", "more_body": True})
        while not gone.done() and self._clock.monotonic() < ends_at:
            event = await seat.take(HEARTBEAT_S)
            if gone.done():
                return
            # A client that has stopped reading fills its socket's buffer; waiting for it for ever would keep the seat.
            try:
                async with asyncio.timeout(SEND_TIMEOUT_S):
                    await send({"type": "http.response.body", "body": event or b": heartbeat\n\n", "more_body": event != _GOODBYE})
            except TimeoutError:
                return
            if event == _GOODBYE:
                return


async def _client_gone(receive: Receive) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass
