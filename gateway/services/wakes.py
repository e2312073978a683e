"""Waiting together: one timer for all links whose turns come at the same moment. A thousand timers a second cost more than the waiting of a
thousand links on fifty."""

from __future__ import annotations

import asyncio
import math

from gateway.clock import Clock

GRID_S = 0.02
"""Between the moments at which turns begin, counted from zero of the monotonic clock."""
EARLY_S = 1e-3
"""A timer may fire so much too early: the turn is taken then, and not after another wait too short for any timer."""


def on_grid(due_s: float) -> float:
    """Return a deadline moved back to the grid: requests that leave together, and replies that come together, wake the program once.
    Intervals of whole 20 ms stay on it.

    >>> round(on_grid(12.3456), 9)
    12.34
    """
    return math.floor(due_s / GRID_S) * GRID_S


class Wakes:
    """Wakes whoever waits for a moment of the monotonic clock."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._waiting: dict[int, list[asyncio.Future[None]]] = {}
        self._ringing: set[asyncio.Task[None]] = set()

    async def until(self, due_s: float) -> None:
        """Wait for a moment [s]; together with all others where it lies on the grid. May be early by EARLY_S."""
        moment = round(due_s / GRID_S)
        # Half of it: what is woken early must be seen as due, or it would wait for no time again and again.
        if abs(due_s - moment * GRID_S) > EARLY_S / 2:
            await self._clock.sleep(due_s - self._clock.monotonic())
            return
        waiting = self._waiting.get(moment)
        if waiting is None:
            waiting = self._waiting[moment] = []
            ringing = asyncio.create_task(self._ring(moment), name="wake")
            self._ringing.add(ringing)
            ringing.add_done_callback(self._ringing.discard)
        wake = asyncio.get_running_loop().create_future()
        waiting.append(wake)
        await wake

    async def stop(self) -> None:
        """End every wait that nobody needs any more."""
        ringing = list(self._ringing)
        for each in ringing:
            each.cancel()
        await asyncio.gather(*ringing, return_exceptions=True)

    async def _ring(self, moment: int) -> None:
        try:
            await self._clock.sleep(moment * GRID_S - self._clock.monotonic())
        finally:
            for wake in self._waiting.pop(moment):
                if not wake.done():
                    wake.set_result(None)
