"""F20: the link goes down, the route swallows everything without a word, the device gets another address. It is noticed within 10 s, shown
as stale with one alert a device, and read again within 15 s of the cure. The figures are logged: run with `--log-cli-level=INFO`."""

from __future__ import annotations

import asyncio
import logging
import socket
from pathlib import Path

import pytest

from gateway.clock import HandClock, RealClock
from gateway.drivers.modbus_connection import ModbusConnection
from simulators.modbus import ModbusServer
from tests.system.far_device import PORT, TruthfulDevice, open_descriptors, polled_device, until
from tests.system.far_plant import FAN, PUMP, FarPlant, far_plant
from tests.system.lossy_link import DEVICE, MOVED_DEVICE, LossyLink, lossy_link

log = logging.getLogger(__name__)

DETECTION_S, RECOVERY_S = 10.0, 15.0
T0 = 1_780_000_000_000_000
NAME = "starter-7.plant.example"


def _cut(net: LossyLink, how: str) -> None:
    if how == "down":
        net.set_up(False)
    else:
        net.is_swallowing = True


def _mend(net: LossyLink) -> None:
    net.is_swallowing = False
    net.set_up(True)


async def _link_is_lost(folder: Path, how: str, dark_s: float, opcua: str, gap: str) -> None:
    names = (FAN, PUMP)
    async with lossy_link(seed=20) as net, far_plant(folder, net, RealClock(), opcua=opcua, gap=gap) as far:
        await until(lambda: all(far.is_shown(name) for name in names), 10, "the first values")
        # The store's readers hold files of their own from their first question on.
        assert not far.plant.alerts()
        assert not far.plant.standing_alerts()
        before = open_descriptors(net)
        _cut(net, how)
        noticed_s = await until(lambda: all(far.row(name).stale for name in names), DETECTION_S, "stale rows")
        alerted_s = noticed_s + await until(
            lambda: all(far.silences(name) for name in names), DETECTION_S - noticed_s, "an alert for each device"
        )
        assert all(far.row(name).state == "no data" for name in names)
        # A value may stand only beside the reason why it is no longer one.
        assert not any(far.plant.live(name).values for name in names)
        await asyncio.sleep(max(0.0, dark_s - alerted_s))
        assert [len(far.silences(name)) for name in names] == [1] * len(names)
        assert len(far.plant.standing_alerts()) == len(names)
        _mend(net)
        back_s = await until(lambda: all(far.is_shown(name) for name in names), RECOVERY_S, "values after the cut")
        wrong = [each for name in names for each in far.wrong_values(name)]
        raised = {name: len(far.plant.alerts(starter=name)) for name in names}
        after = open_descriptors(net)
    log.info(
        "%s for %g s (%s): stale after %.2f s, alert after %.2f s, back after %.2f s, descriptors %d -> %d, alerts raised %s",
        *(how, dark_s, opcua, noticed_s, alerted_s, back_s, before, after, raised),
    )
    assert wrong == []
    assert abs(after - before) <= 2
    assert all(count <= 1 for count in raised.values())


async def test_f20_a_swallowing_route_is_shown_with_one_alert_a_device(tmp_path: Path) -> None:
    await _link_is_lost(tmp_path, "swallowed", 0.0, "poll", "1 s")


@pytest.mark.slow
@pytest.mark.timeout(300)
@pytest.mark.parametrize("opcua", ["poll", "subscribe"])
@pytest.mark.parametrize("how", ["down", "swallowed"])
async def test_f20_a_link_lost_for_a_minute(tmp_path: Path, how: str, opcua: str) -> None:
    await _link_is_lost(tmp_path, how, 60.0, opcua, "5 s")


async def test_f20_a_link_that_is_down_for_a_second_loses_no_value_for_longer_than_that() -> None:
    async with lossy_link(seed=21) as net, polled_device(net, host=DEVICE) as far:
        await until(lambda: far.judge.whole > 5, 10, "the first polls")
        before = open_descriptors(net)
        net.set_up(False)
        await asyncio.sleep(1.0)
        net.set_up(True)
        seen = far.judge.whole
        await until(lambda: far.judge.whole > seen + 3, RECOVERY_S, "data after a second without link")
        assert abs(open_descriptors(net) - before) <= 2
    assert far.judge.wrong == []


async def _hand_until(far: FarPlant, clock: HandClock, step_s: float, within_s: float, shown: bool) -> float:
    """Turn the clock until the motor's values are shown or no longer shown; return how far it was turned [s]."""
    began_s = clock.monotonic()
    while far.is_shown(FAN) is not shown:
        assert clock.monotonic() - began_s <= within_s
        await clock.turn(step_s)
        # The packets themselves travel in real time.
        await asyncio.sleep(0.02)
    return clock.monotonic() - began_s


async def test_f20_an_hour_without_link_by_the_hand_clock(tmp_path: Path) -> None:
    clock = HandClock(T0)
    async with lossy_link(seed=22) as net, far_plant(tmp_path, net, clock, standby="1 s") as far:
        await _hand_until(far, clock, 0.25, 20, shown=True)
        before = open_descriptors(net)
        net.set_up(False)
        await clock.turn(1.0)
        # The request that is on its way meets its timeout in real time.
        await until(lambda: not far.plant.links()[0].is_open, DETECTION_S, "the end of the connection")
        noticed_s = 1.0 + await _hand_until(far, clock, 0.25, DETECTION_S - 1.0, shown=False)
        await clock.turn(3600.0)
        assert far.row(FAN).stale
        assert len(far.silences(FAN)) == 1
        assert len(far.plant.standing_alerts()) == 1
        net.set_up(True)
        back_s = await _hand_until(far, clock, 0.25, RECOVERY_S, shown=True)
        assert far.wrong_values(FAN) == []
        assert abs(open_descriptors(net) - before) <= 2
        # One alert over the whole hour, that has returned since.
        await clock.turn(10.0)
        (alert,) = far.plant.standing_alerts()
        assert alert.returned_at is not None
    log.info("link down for 1 h by the hand clock: stale after %.2f s, back after %.2f s", noticed_s, back_s)


async def test_f20_a_device_with_a_new_address_is_found_by_its_name(monkeypatch: pytest.MonkeyPatch) -> None:
    address, asked = DEVICE, 0

    def resolve(host: str, port: int, *_: object, **__: object) -> list[tuple[object, ...]]:
        nonlocal asked
        assert host == NAME
        asked += 1
        return [(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP, "", (address, port))]

    monkeypatch.setattr(socket, "getaddrinfo", resolve)
    async with lossy_link(seed=23) as net, polled_device(net, host=NAME) as far:
        await until(lambda: far.judge.whole > 5, 10, "the first polls")
        before, asked_before = open_descriptors(net), asked
        net.move_device(MOVED_DEVICE)
        address = MOVED_DEVICE
        seen = far.judge.whole
        back_s = await until(lambda: far.judge.whole > seen + 3, RECOVERY_S, "data from the new address")
        after = open_descriptors(net)
    log.info("device moved: back after %.2f s, name asked %d times, descriptors %d -> %d", back_s, asked, before, after)
    assert asked > asked_before
    assert far.judge.wrong == []
    assert abs(after - before) <= 2


@pytest.mark.slow
async def test_f20_an_idle_connection_notices_a_dead_route_by_itself() -> None:
    """Keep-alive and user timeout of the socket: 10 s of silence, then probes; 10 s without any confirmation end it."""
    async with lossy_link(seed=24) as net:
        server = ModbusServer({7: TruthfulDevice()}, host="0.0.0.0", port=PORT)
        with net.at_device():
            await server.start()
        connection = ModbusConnection(DEVICE, PORT, RealClock())
        assert await connection.open(2.0) is None
        net.is_swallowing = True
        noticed_s = await until(lambda: not connection.is_open, 40.0, "the end of the connection")
        log.info("an idle connection noticed the dead route after %.1f s", noticed_s)
        connection.close()
        await server.stop()
