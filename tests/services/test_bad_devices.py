"""F17 by the hand clock: a device that is slow, silent, deaf, refuses or resets costs the others nothing, and has data soon after."""

from __future__ import annotations

from typing import Any

import pytest

from gateway.clock import HandClock
from gateway.drivers.base import Attached
from gateway.drivers.modbus import ModbusLink
from gateway.motors.records import Pace
from gateway.registers.model import ModbusPlace, Protocol, RegisterMap, Signal, Span, Table, WordType
from gateway.services.poller import Polled, Poller
from gateway.site import Framing, Paces
from tests.services.hand_wire import HandDevice
from tests.services.links import T0, NotingTaker

TIMEOUT_S = 1.0
BAD: dict[str, dict[str, Any]] = {
    "slow": {"takes_s": 0.9 * TIMEOUT_S},
    "silent": {"dead": {1}},
    "never accepts": {"never_accepts": True, "resets": True},
    "refuses": {"refuses": True, "resets": True},
    "resets": {"resets": True},
    "answers once a connection": {"breaks_off": True},
}
PLACE = ModbusPlace(span=Span(Table.HOLDING, 10, 10), written="")
MAP = RegisterMap(
    name="one",
    protocol=Protocol.MODBUS,
    signals=(Signal(name="current", key="current", role=None, place=PLACE, type=WordType.UINT16),),
    timeout_s=TIMEOUT_S,
)


@pytest.mark.parametrize("framing", list(Framing))
@pytest.mark.parametrize(("pace", "ill_s"), [(Pace.STANDBY, 3.0), (Pace.STANDBY, 300.0), (Pace.STARTING, 30.0)])
@pytest.mark.parametrize("bad", BAD)
async def test_a_bad_device_disturbs_no_other_and_is_read_within_15_s_of_its_cure(
    monkeypatch: pytest.MonkeyPatch, bad: str, pace: Pace, ill_s: float, framing: Framing
) -> None:
    clock = HandClock(T0)
    devices = {host: HandDevice(clock) for host in ("10.0.0.1", "10.0.0.2", "10.0.0.3")}
    ill = devices["10.0.0.1"]
    monkeypatch.setattr("gateway.drivers.modbus.ModbusConnection", lambda host, *_, **__: devices[host].connection())
    taker = NotingTaker(clock)
    links = []
    for host in devices:
        link = ModbusLink(host, 502, [Attached(starter=host, map=MAP)], clock, jitter=lambda: 1.0, framing=framing)
        links.append((link, [Polled(host, Paces())]))
        taker.paces[host] = pace
    poller = Poller(links, taker, clock, jitter=lambda: 1.0)
    poller.start()
    await clock.turn(10)
    for name, setting in BAD[bad].items():
        setattr(ill, name, setting)
    taker.taken.clear()
    await clock.turn(ill_s)
    wanted = ill_s * (10 if pace is Pace.STARTING else 1)
    for host in ("10.0.0.2", "10.0.0.3"):
        good = [poll for _, name, poll in taker.taken if name == host and poll.readings[-1].has_data]
        assert 0.9 * wanted - 1 <= len(good) <= 1.1 * wanted + 1
    fresh = HandDevice(clock)
    for name in BAD[bad]:
        setattr(ill, name, getattr(fresh, name))
    cured_s = clock.monotonic()
    await clock.turn(15)
    await poller.stop()
    back = [at for at, name, poll in taker.taken if name == "10.0.0.1" and at >= cured_s and poll.readings[-1].has_data]
    assert back
    if bad not in ("slow", "answers once a connection"):
        # While it was ill nothing was read, and every turn said why.
        ill_polls = [poll for at, name, poll in taker.taken if name == "10.0.0.1" and at < cured_s - 0.2]
        assert ill_polls
        assert all(poll.readings[-1].flaws["current"].reason for poll in ill_polls[2:])
