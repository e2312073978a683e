"""The clock that services are given: the real one, and one that tests turn by hand.

Pure code never sees a clock; it gets an instant with each reading. Intervals come from `monotonic`, stamps from `now`.
"""

from __future__ import annotations

import asyncio
import heapq
import itertools
import time
from typing import Protocol

from gateway.instants import SECOND, Instant


class Clock(Protocol):
    """What a service may know about time."""

    def now(self) -> Instant:
        """Return the wall clock, UTC [us]."""
        ...

    def monotonic(self) -> float:
        """Return a clock that never jumps [s]; only differences mean something."""
        ...

    async def sleep(self, duration_s: float) -> None:
        """Return after `duration_s` seconds of the monotonic clock."""
        ...


class RealClock:
    """The clock of the machine."""

    # Asked a dozen times a poll: the function itself, without one of ours round it.
    monotonic = staticmethod(time.monotonic)

    def now(self) -> Instant:
        return time.time_ns() // 1000

    async def sleep(self, duration_s: float) -> None:
        await asyncio.sleep(duration_s)


class HandClock:
    """A clock that moves only when it is turned; sleepers wake in the order of their deadlines.

    `turn` moves wall and monotonic time together; `jump` moves the wall alone, as a time server does.
    """

    def __init__(self, now: Instant = 0) -> None:
        self._now = now
        self._monotonic_us = 0
        self._sleepers: list[tuple[int, int, asyncio.Future[None]]] = []
        self._order = itertools.count()

    def now(self) -> Instant:
        return self._now

    def monotonic(self) -> float:
        return self._monotonic_us / SECOND

    async def sleep(self, duration_s: float) -> None:
        if duration_s <= 0:
            await asyncio.sleep(0)
            return
        wake = asyncio.get_running_loop().create_future()
        heapq.heappush(self._sleepers, (self._monotonic_us + round(duration_s * SECOND), next(self._order), wake))
        await wake

    def jump(self, duration_s: float) -> None:
        """Move the wall clock alone by `duration_s` seconds, either way."""
        self._now += round(duration_s * SECOND)

    async def turn(self, duration_s: float) -> None:
        """Move both clocks on by `duration_s` seconds, waking every sleeper at its own moment on the way."""
        target = self._monotonic_us + round(duration_s * SECOND)
        await self._settle()
        while self._sleepers and self._sleepers[0][0] <= target:
            deadline, _, wake = heapq.heappop(self._sleepers)
            self._move_to(deadline)
            if not wake.done():
                wake.set_result(None)
            await self._settle()
        self._move_to(target)
        await self._settle()

    def _move_to(self, monotonic_us: int) -> None:
        self._now += monotonic_us - self._monotonic_us
        self._monotonic_us = monotonic_us

    @staticmethod
    async def _settle() -> None:
        # Tasks woken by one sleeper may need several turns of the loop before they sleep again.
        for _ in range(20):
            await asyncio.sleep(0)
