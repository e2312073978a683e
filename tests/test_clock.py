"""The hand-turned clock behaves as a real one would, in its order and in its times; the real one agrees with the machine's."""

from __future__ import annotations

import asyncio
import time

from gateway.clock import HandClock, RealClock
from gateway.instants import SECOND


async def test_sleepers_wake_in_the_order_of_their_deadlines() -> None:
    clock = HandClock(now=50 * SECOND)
    woken: list[tuple[str, float, int]] = []

    async def sleeper(name: str, duration_s: float) -> None:
        await clock.sleep(duration_s)
        woken.append((name, clock.monotonic(), clock.now()))

    tasks = [asyncio.create_task(sleeper(name, duration_s)) for name, duration_s in (("late", 3.0), ("early", 1.0), ("never", 9.0))]
    await clock.turn(5.0)
    assert woken == [("early", 1.0, 51 * SECOND), ("late", 3.0, 53 * SECOND)]
    tasks[2].cancel()
    await asyncio.gather(*tasks, return_exceptions=True)


async def test_a_loop_that_sleeps_again_is_woken_as_often_as_its_interval_fits() -> None:
    clock = HandClock()
    ticks: list[float] = []

    async def loop() -> None:
        while True:
            await clock.sleep(0.25)
            ticks.append(clock.monotonic())

    task = asyncio.create_task(loop())
    await clock.turn(1.0)
    assert ticks == [0.25, 0.5, 0.75, 1.0]
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)


async def test_a_jump_moves_the_wall_alone() -> None:
    clock = HandClock(now=100 * SECOND)
    clock.jump(-40)
    assert (clock.now(), clock.monotonic()) == (60 * SECOND, 0.0)
    await clock.turn(2)
    assert (clock.now(), clock.monotonic()) == (62 * SECOND, 2.0)


async def test_a_cancelled_sleeper_stops_nothing() -> None:
    clock = HandClock()
    task = asyncio.create_task(clock.sleep(1))
    await asyncio.sleep(0)
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    await clock.turn(2)
    assert clock.monotonic() == 2


async def test_the_real_clock_is_the_machines() -> None:
    clock = RealClock()
    before = time.time_ns() // 1000
    assert before <= clock.now() <= time.time_ns() // 1000
    start = clock.monotonic()
    await clock.sleep(0.001)
    assert clock.monotonic() - start >= 0.001
