"""Links that wait for one moment share one timer; each is woken when it is due, and by nothing that befalls another."""

from __future__ import annotations

import asyncio

from gateway.clock import HandClock
from gateway.services.wakes import EARLY_S, GRID_S, Wakes, on_grid


class _CountingClock(HandClock):
    sleeps = 0

    async def sleep(self, duration_s: float) -> None:
        self.sleeps += 1
        await super().sleep(duration_s)


async def _noted(wakes: Wakes, due_s: float, clock: HandClock, woken: list[float]) -> None:
    await wakes.until(due_s)
    woken.append(clock.monotonic())


async def test_those_who_wait_for_one_moment_share_a_timer() -> None:
    clock, woken = _CountingClock(), list[float]()
    wakes = Wakes(clock)
    # Sums of intervals differ in their last bits.
    waiting = [asyncio.create_task(_noted(wakes, due_s, clock, woken)) for due_s in (1.0, 1.0 + 1e-9, 1.0 - 1e-9, 2.0)]
    await clock.turn(1.5)
    assert woken == [1.0, 1.0, 1.0]
    assert clock.sleeps == 2
    await clock.turn(1.0)
    assert woken[3:] == [2.0]
    await asyncio.gather(*waiting)


async def test_a_moment_off_the_grid_is_kept_to_as_well() -> None:
    clock, woken = HandClock(), list[float]()
    wakes = Wakes(clock)
    waiting = [asyncio.create_task(_noted(wakes, due_s, clock, woken)) for due_s in (0.513, 0.5 + EARLY_S)]
    await clock.turn(1.0)
    assert woken == [0.501, 0.513]
    await asyncio.gather(*waiting)


async def test_who_no_longer_waits_keeps_nobody_else_from_waking() -> None:
    clock, woken = HandClock(), list[float]()
    wakes = Wakes(clock)
    gone, waiting = (asyncio.create_task(_noted(wakes, 1.0, clock, woken)) for _ in range(2))
    await clock.turn(0.5)
    gone.cancel()
    await clock.turn(1.0)
    assert woken == [1.0]
    await waiting


async def test_a_moment_that_has_passed_is_no_wait() -> None:
    clock = HandClock()
    await clock.turn(3.0)
    await Wakes(clock).until(1.0)
    assert clock.monotonic() == 3.0


async def test_stopping_leaves_no_timer_and_nobody_waiting() -> None:
    clock, woken = HandClock(), list[float]()
    wakes = Wakes(clock)
    waiting = asyncio.create_task(_noted(wakes, 1.0, clock, woken))
    await clock.turn(0.5)
    await wakes.stop()
    await waiting
    assert woken == [0.5]


def test_a_deadline_moves_back_to_the_grid_by_less_than_its_step() -> None:
    for due_s in (0.0, 0.019, 0.02, 12.3456, 86_400.011):
        moment = on_grid(due_s)
        assert 0 <= due_s - moment < GRID_S
        assert abs(moment / GRID_S - round(moment / GRID_S)) < 1e-6
