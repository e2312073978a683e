"""What leaves on one OPC UA session: every request is checked to be a read, and none goes faster than the map allows."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from contextlib import AbstractContextManager, nullcontext

from asyncua.client.ua_client import UaClient
from asyncua.observer import Observer

from gateway.clock import Clock
from gateway.drivers.guard import check_service
from gateway.drivers.request_rate import RequestRate


class BlockedServiceError(Exception):
    """The guard stopped a request before it left; a mistake in the program, not of the server."""


class _ReadOnly(Observer):
    def observe_request(self, request: object) -> AbstractContextManager[None]:
        reason = check_service(type(request).__name__)
        if reason is not None:
            raise BlockedServiceError(reason)
        return nullcontext()


class Requests:
    """The requests of one session: those of the driver and those that the library makes by itself (session, publish, its own watch).

    rate: shared by all sessions to one server. A connection attempt, hello and channel together, counts as one request; that the library
    renews the channel every few minutes, and takes leave of it, is not counted.
    waited_s: how long requests of this session were held back for that, together.
    """

    def __init__(self, client: UaClient, rate: RequestRate, clock: Clock) -> None:
        self._rate, self._clock = rate, clock
        self._line = asyncio.Lock()
        self._limit: asyncio.Timeout | None = None
        self.waited_s = 0.0
        client.observer = _ReadOnly()
        is_ready = client.pre_request_hook

        async def before_each() -> None:
            await self.turn()
            if is_ready is not None:
                await is_ready()

        client.pre_request_hook = before_each

    async def turn(self) -> None:
        """Return when one more request may leave, and count it."""
        async with self._line:
            wait_s = self._rate.wait_s(self._clock.monotonic())
            if wait_s > 0:
                left_s = self._stop_the_limit()
                await self._clock.sleep(wait_s)
                self.waited_s += wait_s
                self._go_on_with_the_limit(left_s)
            self._rate.note(self._clock.monotonic())

    @contextlib.asynccontextmanager
    async def within(self, duration_s: float) -> AsyncIterator[None]:
        """Raise TimeoutError when what is done takes longer than this; waiting for a turn does not count."""
        async with asyncio.timeout(duration_s) as limit:
            self._limit = limit
            try:
                yield
            finally:
                self._limit = None

    def _stop_the_limit(self) -> float | None:
        limit = self._limit
        if limit is None or limit.expired():
            return None
        until_s = limit.when()
        if until_s is None:
            return None
        limit.reschedule(None)
        return until_s - asyncio.get_running_loop().time()

    def _go_on_with_the_limit(self, left_s: float | None) -> None:
        limit = self._limit
        if left_s is not None and limit is not None and not limit.expired():
            limit.reschedule(asyncio.get_running_loop().time() + left_s)
