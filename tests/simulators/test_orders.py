"""Orders in words, by a clock that is turned by hand."""

from __future__ import annotations

from collections.abc import AsyncIterator

import pytest
import pytest_asyncio

from gateway.clock import HandClock
from gateway.registers.model import OpcuaPlace, Signal, WordType
from simulators.fault_desk import FaultDesk
from simulators.fault_words import FAULT_WORDS, is_device_fault, read_fault
from simulators.faults import FaultSwitch, ReplyFault
from simulators.link_faults import LinkFault
from simulators.live import LiveUnit
from simulators.modbus import ModbusServer
from simulators.orders import Answer, Orders
from simulators.plant import SimulatedStarter
from simulators.scenario_events import DeviceFault
from simulators.status import status_of, status_text
from simulators.typed_values import value_of
from tests.simulators.makes import starter


class Bench:
    """A starter with its orders and a clock."""

    def __init__(self) -> None:
        self.clock = HandClock()
        self.starter: SimulatedStarter = starter()
        self.switch = FaultSwitch()
        self.server = ModbusServer({1: LiveUnit(self.starter, self.clock.monotonic)}, faults=self.switch)
        self.quits = 0
        self.orders = Orders(self.starter, FaultDesk(self.server, self.switch), self.clock, self.clock.monotonic, self._quit)

    @property
    def phase(self) -> str:
        return self.starter.motor.phase.value

    def _quit(self) -> None:
        self.quits += 1

    async def do(self, line: str, then_s: float = 0.1) -> Answer:
        answer = await self.orders.do(line)
        await self.clock.turn(then_s)
        self.starter.advance_to(self.clock.monotonic())
        return answer


@pytest_asyncio.fixture
async def bench() -> AsyncIterator[Bench]:
    own = Bench()
    yield own
    await own.orders.close()


async def test_a_run_by_words(bench: Bench) -> None:
    assert await bench.do("START", 20.0) == Answer(True, "start ordered")
    assert bench.phase == "running"
    assert not (await bench.do("start")).ok
    await bench.do("stop", 2.0)
    assert bench.phase == "stopping"
    await bench.do("off")
    assert bench.phase == "off"
    assert (await bench.do("reset")).text == "there is no trip to reset"
    await bench.do("trip")
    assert bench.phase == "tripped"
    assert "`reset` it first" in (await bench.do("start")).text
    assert (await bench.do("reset")).ok
    assert bench.phase == "off"


async def test_a_hot_overload_does_not_reset(bench: Bench) -> None:
    await bench.do("start", 20.0)
    bench.starter.motor.protection.thermal.pass_time(60.0, 7.0, running=True)
    await bench.do("status", 60.0)
    assert bench.starter.values()["trip_code"] == 1
    answer = await bench.do("reset")
    assert not answer.ok
    assert "resets below 85 %" in answer.text


@pytest.mark.parametrize(
    ("line", "text"),
    [
        ("sttart", "did you mean `start`"),
        ("start now", "takes nothing behind it"),
        ("fault", "which fault"),
        ("fault lte", "`late`"),
        ("fault late soon", "`soon` is not understood"),
        ("fault late for 10", "the unit is missing"),
        ("fault late for -1 s", "from 0 s up"),
        ("fault exception code 300", "whole number from 1 to 255"),
        ("fault late chance 150 %", "0 to 100 %"),
        ("fault late signal current", "not about one signal"),
        ("fault open_line value 4", "from 1 to 3"),
        ("fault sag to 1 %", "5 to 150 %"),
        ("fault node_removed", "of which signal"),
        ("fault bad_status", "cannot happen on this address"),
        ("fault bad_status signal nothing", "no signal nothing"),
        ("fault crc", "cannot happen on this address"),
        ("clear late", "does not stand"),
        ("clear late cut", "name one fault"),
        ("set current", "write `set NAME VALUE`"),
        ("set curent 5", "`current`"),
        ("set current much", "cannot hold 'much'"),
        ("free current", "is not held"),
        ("free", "write `free NAME`"),
        ('set current "5', "quotation mark"),
    ],
)
async def test_what_is_not_understood(bench: Bench, line: str, text: str) -> None:
    answer = await bench.do(line)
    assert not answer.ok
    assert text in answer.text


async def test_faults_of_replies_end_by_themselves_or_by_word(bench: Bench) -> None:
    assert (await bench.do("fault exception code 6 for 5 s")).text == "exception: for 5 s"
    trouble = bench.switch.draw(1)
    assert trouble is not None
    assert (trouble.kind, trouble.exception_code) == (ReplyFault.EXCEPTION, 6)
    await bench.clock.turn(5.0)
    assert bench.switch.is_quiet
    assert (await bench.do("fault late delay 300 ms")).text == "late: until `clear late`"
    assert (await bench.do("fault late delay 400 ms")).ok
    late = bench.switch.draw(1)
    assert late is not None
    assert late.delay_s == 0.4
    assert (await bench.do("fault silence times 2")).text == "silence: armed"
    assert (await bench.do("clear late")).text == "ended: late"
    assert [bench.switch.draw(1) is None for _ in range(3)] == [False, False, True]
    assert (await bench.do("clear")).text == "ended: nothing stood"


async def test_faults_of_the_device(bench: Bench) -> None:
    assert (await bench.do("fault counter value 65530")).text == "counter: done"
    assert bench.starter.values()["start_count"] == 65530
    await bench.do("start", 20.0)
    await bench.do("fault frozen")
    await bench.do("off", 5.0)
    assert bench.starter.values()["running"] is True
    assert (await bench.do("clear frozen")).ok
    assert bench.starter.values()["running"] is False
    await bench.do("fault open_line value 2 for 30 s")
    await bench.do("start", 5.0)
    assert bench.starter.trip_cause.value == "phase_loss"
    await bench.clock.turn(30.0)
    await bench.do("reset")
    await bench.do("start", 20.0)
    assert bench.phase == "running"
    await bench.do("fault restart for 3 s")
    replies = [bench.starter.answers]
    await bench.do("status", 4.0)
    assert [*replies, bench.starter.answers] == [False, True]
    assert (await bench.do("fault sag to 70 %")).ok
    assert (await bench.do("fault word_order")).ok
    assert (await bench.do("clear")).text == "ended: sag, word_order"


async def test_signals_stand_and_follow(bench: Bench) -> None:
    assert "`free current`" in (await bench.do("set current 812.5")).text
    assert bench.starter.values()["current"] == 812.5
    listed = await bench.do("set")
    assert "current = 812.5 (held)" in listed.text
    assert listed.data["signals"]["current"] == 812.5
    assert (await bench.do("free current")).ok
    assert bench.starter.values()["current"] == 0.0


async def test_status_help_and_quit(bench: Bench) -> None:
    await bench.do("start", 3.0)
    await bench.do("fault late")
    await bench.do("set winding_temperature 31")
    answer = await bench.do("status")
    assert answer.data["phase"] == "starting"
    assert answer.data["faults"] == ["late"]
    assert answer.data["held"] == ["winding_temperature"]
    assert answer.text.startswith("starting: ")
    assert "faults: late" in answer.text
    assert "  starting on" in answer.text
    assert "3.50 x FLC" in answer.text
    await bench.do("trip")
    assert status_text(status_of(bench.starter)).startswith("tripped (external): 0.0 A")
    listed = (await bench.do("help fault")).text
    assert "late" in listed
    assert "server_killed" not in listed
    assert "crc" not in listed
    assert (await bench.do("help")).text.startswith("start ")
    assert (await bench.do("")).text == ""
    await bench.do("quit")
    assert bench.quits == 1


def test_every_fault_has_words_and_every_word_a_fault() -> None:
    assert set(FAULT_WORDS) == {*map(str, ReplyFault), *map(str, LinkFault), *map(str, DeviceFault)}
    for name in FAULT_WORDS:
        order = read_fault([name, "signal", "current"] if name in ("node_removed", "bad_status") else [name])
        assert order.name == name
        assert is_device_fault(name) is (name in list(DeviceFault))


@pytest.mark.parametrize(
    ("kind", "texts", "text", "value"),
    [
        (WordType.BIT, {}, "off", False),
        (WordType.BIT, {}, "1", 1),
        (WordType.UINT16, {3: "phase loss"}, "phase loss", "phase loss"),
        (WordType.UINT16, {}, "17", 17),
        (WordType.FLOAT32, {}, "-2.5", -2.5),
        (WordType.TEXT, {}, "0017", "0017"),
        (None, {}, "true", True),
        (None, {}, "RP-45", "RP-45"),
        (None, {}, "4.5", 4.5),
    ],
)
def test_typed_values(kind: WordType | None, texts: dict[int, str], text: str, value: object) -> None:
    signal = Signal(name="x", key="x", role=None, place=OpcuaPlace(), type=kind, texts=texts)
    assert value_of(signal, text) == value


def test_typed_values_that_cannot_be() -> None:
    signal = Signal(name="x", key="x", role=None, place=OpcuaPlace(), type=WordType.UINT16, texts={3: "phase loss"})
    with pytest.raises(ValueError, match="allowed: phase loss"):
        value_of(signal, "overload")
