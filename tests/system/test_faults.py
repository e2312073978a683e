"""What devices and cables do, over real sockets: restart, cut, counter reset, wrong word order. The count stays right or says that it
is not, and nothing wrong is shown as good."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from gateway.motors.alert_rules import AlertKind
from gateway.motors.records import MotorState, Outcome
from simulators.timetable import Action
from tests.system.bench import DIRECT, SOFT, Bench, Place, running_bench

NAME = "FAN"
MODBUS = Place(name=NAME, map="ramp-pro-metered", method=DIRECT, device="{noise: 0.3 %, start_count: 41, boot_time: 1 s}")
OPCUA = Place(name=NAME, map="softline-ua", method=DIRECT, device="{noise: 0.3 %, start_count: 41}")


async def _start(bench: Bench) -> None:
    bench.command(NAME, Action.START)
    await bench.until_state(NAME, "running")


async def _stop(bench: Bench) -> None:
    bench.command(NAME, Action.STOP)
    await bench.until_state(NAME, "stopped")


async def _until_counted(bench: Bench, total: int) -> None:
    await bench.until(lambda: bench.plant.live(NAME).total_starts == total)


async def test_starts_behind_a_cut_cable_are_entered_as_unseen(tmp_path: Path) -> None:
    async with running_bench(tmp_path, MODBUS) as bench:
        await _start(bench)
        bench.command(NAME, Action.UNREACHABLE)
        await bench.until(lambda: not bench.plant.live(NAME).quality.name == "GOOD")
        for action in (Action.STOP, Action.START, Action.STOP, Action.START):
            bench.command(NAME, action)
            await asyncio.sleep(0.4)
        # Longer than the gap that the site file allows, so that the time in between counts as not seen.
        await asyncio.sleep(5.5)
        bench.command(NAME, Action.REACHABLE)
        await _until_counted(bench, 3)
        await bench.until(lambda: len(bench.plant.starts(NAME)) == 3)
        outcomes = [start.outcome for start in bench.plant.starts(NAME)]
        assert outcomes == [Outcome.UNSEEN, Outcome.UNSEEN, Outcome.AT_SPEED]
        assert any(stored.kind == "unseen_starts" for stored in bench.plant.events(NAME))
        assert bench.plant.live(NAME).unseen_last_hour == 2


async def test_closed_sockets_are_opened_again_and_lose_no_start(tmp_path: Path) -> None:
    async with running_bench(tmp_path, MODBUS) as bench:
        server = bench.simulated.modbus[MODBUS.at]
        await _start(bench)
        await server.cut()
        await _stop(bench)
        await _start(bench)
        assert bench.plant.live(NAME).total_starts == 2
        (link,) = bench.plant.links()
        assert link.is_open
        assert link.faults


async def test_an_opcua_server_that_is_killed_and_comes_back_is_read_again(tmp_path: Path) -> None:
    async with running_bench(tmp_path, OPCUA) as bench:
        server = bench.simulated.opcua[OPCUA.at]
        await _start(bench)
        await server.kill()
        await bench.until(lambda: not bench.plant.live(NAME).values or bench.plant.live(NAME).quality.name == "BAD")
        await server.start()
        await bench.until(lambda: bench.plant.live(NAME).quality.name != "BAD", 20)
        assert bench.state(NAME) == "running"
        await _stop(bench)
        await _start(bench)
        assert bench.plant.live(NAME).total_starts == 2


async def test_a_device_that_restarts_stops_its_motor_and_keeps_its_count(tmp_path: Path) -> None:
    async with running_bench(tmp_path, MODBUS) as bench:
        await _start(bench)
        bench.command(NAME, Action.RESTART)
        await bench.until(lambda: bench.plant.live(NAME).state is MotorState.STOPPED)
        await _start(bench)
        assert bench.plant.live(NAME).total_starts == 2
        assert [start.outcome for start in bench.plant.starts(NAME) if start.outcome is Outcome.UNSEEN] == []


async def test_a_counter_that_is_reset_is_told_and_counts_nothing_twice(tmp_path: Path) -> None:
    async with running_bench(tmp_path, MODBUS) as bench:
        await _start(bench)
        await _stop(bench)
        bench.command(NAME, Action.SET_COUNTER, 0.0)
        await bench.until(lambda: any(stored.kind == "counter_reset" for stored in bench.plant.events(NAME)))
        await _start(bench)
        await bench.until(lambda: len(bench.plant.starts(NAME)) == 2)
        assert bench.plant.live(NAME).total_starts == 2
        assert all(start.outcome is Outcome.AT_SPEED for start in bench.plant.starts(NAME))


async def test_a_wrong_word_order_is_caught_as_implausible_and_never_shown(tmp_path: Path) -> None:
    swapped = Place(name=NAME, map="ramp-pro-metered", method=SOFT)
    async with running_bench(tmp_path, swapped) as bench:
        await _start(bench)
        right = bench.plant.live(NAME).values["power"]
        bench.command(NAME, Action.SWAP_WORDS)
        await bench.until(lambda: "implausible" in bench.plant.live(NAME).flaws.get("power", ""))
        live = bench.plant.live(NAME)
        assert "power" not in live.values
        assert "plausible" in live.flaws["power"]
        await bench.until(lambda: any(alert.kind is AlertKind.IMPLAUSIBLE_VALUE for alert in bench.plant.standing_alerts()), 40)
        bench.command(NAME, Action.UNSWAP_WORDS)
        await bench.until(lambda: "power" in bench.plant.live(NAME).values)
        assert bench.plant.live(NAME).values["power"] == pytest.approx(right, rel=0.2)
        assert bench.plant.live(NAME).total_starts == 1
