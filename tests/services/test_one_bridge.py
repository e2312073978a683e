"""Poller and Modbus link together by the hand clock: dead units, the most requests a device gets, a start seen soon for little traffic."""

from __future__ import annotations

import asyncio
from collections import Counter

import pytest

from gateway.clock import HandClock
from gateway.drivers.base import Attached, Poll
from gateway.drivers.modbus import ModbusLink
from gateway.motors.records import Pace
from gateway.registers.model import ModbusPlace, Protocol, RegisterMap, Signal, SignalPace, Span, Table, WordType
from gateway.services.poller import Polled, Poller
from gateway.site import Framing, Paces
from tests.services.hand_wire import HandDevice
from tests.services.links import T0, NotingTaker, gaps


def signal(name: str, first: int, pace: SignalPace = SignalPace.NORMAL) -> Signal:
    place = ModbusPlace(span=Span(Table.HOLDING, first, first), written="")
    return Signal(name=name, key=name, role=None, place=place, type=WordType.UINT16, pace=pace)


def sketch(*signals: Signal, requests_per_s: int | None = None, timeout_s: float = 1.0) -> RegisterMap:
    return RegisterMap(name="sketch", protocol=Protocol.MODBUS, signals=signals, requests_per_s=requests_per_s, timeout_s=timeout_s)


@pytest.fixture
def clock() -> HandClock:
    return HandClock(T0)


@pytest.fixture
def device(clock: HandClock, monkeypatch: pytest.MonkeyPatch) -> HandDevice:
    device = HandDevice(clock)
    monkeypatch.setattr("gateway.drivers.modbus.ModbusConnection", device.connection)
    return device


def poller_of(
    clock: HandClock,
    taker: NotingTaker,
    register_map: RegisterMap,
    units: int = 1,
    *,
    framing: Framing = Framing.TCP,
    paces: Paces | None = None,
    is_watched: bool = False,
) -> Poller:
    attached = [Attached(starter=f"U{unit}", map=register_map, unit=unit) for unit in range(1, units + 1)]
    link = ModbusLink("10.0.0.5", 502, attached, clock, jitter=lambda: 1.0, framing=framing)
    polled = [Polled(each.starter, paces or Paces(), is_watched) for each in attached]
    return Poller([(link, polled)], taker, clock, jitter=lambda: 1.0)


@pytest.mark.parametrize("framing", list(Framing))
async def test_five_dead_of_twenty_units_leave_the_others_nine_tenths_of_their_rate(
    clock: HandClock, device: HandDevice, framing: Framing
) -> None:
    """F18."""
    taker, duration_s, timeout_s = NotingTaker(clock), 600, 0.5
    device.dead = {3, 7, 11, 15, 19}
    poller = poller_of(clock, taker, sketch(signal("current", 10), timeout_s=timeout_s), 20, framing=framing)
    poller.start()
    await clock.turn(60)
    device.asked.clear()
    await clock.turn(duration_s)
    await poller.stop()
    asked = Counter(unit for _, unit, _ in device.asked)
    healthy = [asked[unit] / duration_s for unit in range(1, 21) if unit not in device.dead]
    assert min(healthy) >= 0.9, healthy
    assert all(duration_s / 62 <= asked[unit] <= duration_s / 10 for unit in device.dead), asked


async def test_a_dead_unit_that_comes_back_has_data_within_a_minute(clock: HandClock, device: HandDevice) -> None:
    taker = NotingTaker(clock)
    device.dead = {2}
    poller = poller_of(clock, taker, sketch(signal("current", 10)), 3)
    poller.start()
    await clock.turn(200)
    device.dead = set()
    await clock.turn(61)
    await poller.stop()
    assert next(poll for _, name, poll in reversed(taker.taken) if name == "U2").readings[-1].has_data


async def test_where_no_unit_answers_each_is_asked_in_turn_and_all_at_once_when_one_does(clock: HandClock, device: HandDevice) -> None:
    """Each probe of a silent unit costs the connection: one whose turns fall well must not keep the link from those that would answer."""
    device.dead = {1, 2, 3}
    attached = [Attached(starter=f"U{unit}", map=sketch(signal("current", 10)), unit=unit) for unit in (1, 2, 3)]
    link = ModbusLink("10.0.0.5", 502, attached, clock, jitter=lambda: 1.0)

    async def reopened(unit: int) -> Poll:
        if not link.is_open:
            await link.open()
        return await link.poll(f"U{unit}", Pace.RUNNING)

    async def turn(unit: int) -> Poll:
        poll = asyncio.create_task(reopened(unit))
        await clock.turn(3)
        return await poll

    for _ in range(4):
        for unit in (1, 2, 3):
            await turn(unit)
    device.asked.clear()
    for _ in range(9):
        await clock.turn(60)
        late = await turn(3)
    assert [unit for _, unit, _ in device.asked] == [3]
    assert "is asked again after unit 1" in late.faults[0].text
    device.dead = {3}
    assert (await turn(1)).readings[0].has_data
    assert (await turn(2)).readings[0].has_data
    assert not (await turn(3)).readings[0].has_data
    assert [unit for _, unit, _ in device.asked] == [3, 1, 2, 3]
    await link.close()


def most_in_a_second(moments: list[float]) -> int:
    return max(sum(begin <= at < begin + 1.0 for at in moments) for begin in moments)


@pytest.mark.parametrize("breaks_off", [False, True])
@pytest.mark.parametrize("dead", [set(), {1, 2, 3}, {1, 2, 3, 4, 5, 6}])
async def test_a_device_never_gets_more_requests_a_second_than_its_map_allows(
    clock: HandClock, device: HandDevice, breaks_off: bool, dead: set[int]
) -> None:
    taker = NotingTaker(clock)
    taker.paces.update({f"U{unit}": Pace.STARTING for unit in range(1, 7)})
    device.breaks_off, device.dead, device.takes_s = breaks_off, dead, 0.001
    register_map = sketch(signal("current", 10), signal("energy", 500), requests_per_s=8, timeout_s=0.05)
    poller = poller_of(clock, taker, register_map, 6)
    poller.start()
    await clock.turn(120)
    await poller.stop()
    assert most_in_a_second(device.moments) <= 8
    if not dead:
        assert len(device.asked) > 120 * (3 if breaks_off else 7)


async def test_without_such_a_line_in_the_map_a_start_is_read_as_fast_as_the_site_asks(clock: HandClock, device: HandDevice) -> None:
    taker = NotingTaker(clock)
    taker.paces["U1"] = Pace.STARTING
    poller = poller_of(clock, taker, sketch(signal("current", 10)))
    poller.start()
    await clock.turn(30)
    await poller.stop()
    assert most_in_a_second(device.moments[20:]) >= 10


class Motor(NotingTaker):
    """A pipeline that goes to the fast pace as soon as a reading shows the status word of a start."""

    def take(self, starter: str, poll: Poll) -> Pace:
        super().take(starter, poll)
        self.paces[starter] = Pace.STARTING if poll.readings[-1].values.get("status") else Pace.STANDBY
        return self.paces[starter]


@pytest.mark.parametrize(("is_watched", "within_s"), [(False, 1.0), (True, 0.2)])
@pytest.mark.parametrize("after_s", [20.0, 20.13, 20.55, 20.98])
async def test_fast_reading_begins_within_one_interval_of_a_start(
    clock: HandClock, device: HandDevice, is_watched: bool, within_s: float, after_s: float
) -> None:
    taker, started = Motor(clock), False
    device.word = lambda unit, address: int(started and address == 1)
    register_map = sketch(signal("status", 1, SignalPace.WATCH), signal("current", 300))
    poller = poller_of(clock, taker, register_map, is_watched=is_watched)
    poller.start()
    await clock.turn(after_s)
    started, began_s = True, clock.monotonic()
    await clock.turn(5)
    await poller.stop()
    seen = [at for at, _, poll in taker.taken if poll.readings[-1].values.get("status")]
    assert seen[0] - began_s <= within_s + 3 * device.takes_s
    assert taker.taken[-1][2].readings[-1].values.keys() == {"status", "current"}
    assert set(gaps(seen)[2:]) == {0.1}


async def test_a_motor_that_stands_costs_one_short_request_a_look_and_whole_readings_go_on(clock: HandClock, device: HandDevice) -> None:
    taker = Motor(clock)
    device.word = lambda unit, address: 0
    register_map = sketch(signal("status", 1, SignalPace.WATCH), signal("current", 300), signal("voltage", 600))
    poller = poller_of(clock, taker, register_map, is_watched=True)
    poller.start()
    await clock.turn(10)
    device.asked.clear()
    taker.taken.clear()
    await clock.turn(30)
    await poller.stop()
    asked = Counter(span.first for _, _, span in device.asked)
    assert asked[1] in range(148, 152)
    assert asked[300] == asked[600] in range(29, 32)
    assert len(taker.taken) == asked[300]
    assert all(poll.readings[-1].values.keys() == {"status", "current", "voltage"} for _, _, poll in taker.taken)


async def test_a_closed_link_is_told_at_the_standby_pace_also_where_signals_are_watched(clock: HandClock, device: HandDevice) -> None:
    taker = NotingTaker(clock)
    device.dead = {1}
    poller = poller_of(clock, taker, sketch(signal("status", 1, SignalPace.WATCH), signal("current", 300)), is_watched=True)
    poller.start()
    await clock.turn(60)
    await poller.stop()
    assert 40 <= len(taker.taken) <= 75
    assert all(poll.readings[-1].flaws.keys() == {"status", "current"} for _, _, poll in taker.taken)
