"""F13 to F16 with the project's own fault simulator, in both framings: never a wrong value, the right class of fault, soon right again."""

from __future__ import annotations

import asyncio
import os
import resource
from array import array
from collections import Counter
from dataclasses import dataclass

import pytest

from gateway.clock import RealClock
from gateway.drivers.base import Attached, FaultKind
from gateway.drivers.modbus import ModbusLink
from gateway.motors.records import Pace
from gateway.registers.model import ModbusPlace, Protocol, RegisterMap, Signal, Span, Table, WordType
from gateway.site import Framing
from simulators import framing as simulated
from simulators.faults import FaultSwitch, ReplyFault
from simulators.modbus import ModbusServer

FIRSTS = (0, 100, 200)
SHORT_S = 0.1


@dataclass
class Device:
    """A device whose every register holds unit and address, so that a value in the wrong place shows at once."""

    unit: int
    answers: bool = True
    largest_block: int = 125
    largest_bit_block: int = 2000

    def read(self, table: Table, first: int, count: int) -> array[int] | None:
        return array("H", [(self.unit * 1000 + address) & 0xFFFF for address in range(first, first + count)])


def sketch(*, timeout_s: float, id_zero: bool = False) -> RegisterMap:
    places = [ModbusPlace(span=Span(Table.HOLDING, at, at + 1), written="") for at in FIRSTS]
    signals = tuple(
        Signal(name=f"r{place.span.first}", key=f"r{place.span.first}", role=None, place=place, type=WordType.UINT32) for place in places
    )
    return RegisterMap(name="sketch", protocol=Protocol.MODBUS, signals=signals, timeout_s=timeout_s, answers_id_zero=id_zero)


class Rig:
    """One simulated device and the link to it."""

    def __init__(self, framing: Framing, *, timeout_s: float = SHORT_S, id_zero: bool = False, seed: int = 5) -> None:
        self.faults = FaultSwitch(seed)
        self.server = ModbusServer({7: Device(7)}, faults=self.faults, framing=simulated.Framing(framing.value), silent_unknown=True)
        self._map, self._framing = sketch(timeout_s=timeout_s, id_zero=id_zero), framing
        self.wrong = self.good = self.requests = 0
        self.kinds: Counter[FaultKind] = Counter()
        self.texts: set[str] = set()

    async def __aenter__(self) -> Rig:
        await self.server.start()
        attached = [Attached(starter="fan", map=self._map, unit=7)]
        self.link = ModbusLink("127.0.0.1", self.server.port, attached, RealClock(), jitter=lambda: 0.0, framing=self._framing)
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.link.close()
        await self.server.stop()
        assert self.server.traffic.trap_hits == 0
        assert self.server.traffic.malformed == 0

    async def turn(self) -> int:
        """Poll once, opening the link where it is closed; return how many right values came."""
        if not self.link.is_open:
            await self.link.open()
        # Rest after missed turns is tried elsewhere; here every turn asks.
        unit = self.link._units["fan"]
        unit.state = type(unit.state)()
        poll = await self.link.poll("fan", Pace.RUNNING)
        self.requests += poll.requests
        self.kinds.update(fault.kind for fault in poll.faults)
        self.texts |= {fault.text for fault in poll.faults}
        values = poll.readings[-1].values
        right = sum(value == (7000 + int(key[1:])) * 65536 + 7001 + int(key[1:]) for key, value in values.items())
        self.wrong += len(values) - right
        self.good += right
        return right

    async def turns_until_whole(self) -> int:
        """Return how many turns it takes until a poll is whole again."""
        for turn in range(1, 20):
            if await self.turn() == len(FIRSTS):
                return turn
        raise AssertionError(f"never whole again: {self.texts}")


FRAMINGS = pytest.mark.parametrize("framing", list(Framing))


@pytest.mark.parametrize("id_zero", [False, True])
@pytest.mark.parametrize("kind", [ReplyFault.WRONG_ID, ReplyFault.PREVIOUS_ID, ReplyFault.ID_ZERO])
async def test_f13_a_reply_with_another_id_is_no_value(kind: ReplyFault, id_zero: bool) -> None:
    # Where the id may be 0 a new connection waits for one timeout first, so that this form is short.
    async with Rig(Framing.TCP, timeout_s=0.2 if id_zero else 5.0, id_zero=id_zero) as rig:
        rig.faults.sometimes(kind, 0.3)
        while rig.requests < (60 if id_zero else 600):
            await rig.turn()
    assert rig.wrong == 0
    rig.kinds.pop(FaultKind.NO_ANSWER, None)
    passes = id_zero and kind is ReplyFault.ID_ZERO
    assert rig.kinds == {} if passes else set(rig.kinds) == {FaultKind.WRONG_ID}
    assert rig.good > 10


@pytest.mark.slow
@pytest.mark.timeout(1800)
async def test_f13_in_a_hundred_thousand_reads() -> None:
    async with Rig(Framing.TCP, timeout_s=5.0) as rig:
        for kind in (ReplyFault.WRONG_ID, ReplyFault.PREVIOUS_ID, ReplyFault.ID_ZERO):
            rig.faults.sometimes(kind, 0.02)
        while rig.requests < 100_000:
            await rig.turn()
    assert rig.wrong == 0
    assert set(rig.kinds) == {FaultKind.WRONG_ID}


@FRAMINGS
@pytest.mark.parametrize("late_rate", [0.01, 0.03, 0.10, 0.50])
async def test_f14_late_replies_are_no_values(framing: Framing, late_rate: float) -> None:
    async with Rig(framing, timeout_s=0.05) as rig:
        rig.faults.sometimes(ReplyFault.LATE, late_rate, delay_s=0.07)
        for _ in range(30 if late_rate > 0.2 else 120):
            await rig.turn()
    assert rig.wrong == 0
    assert set(rig.kinds) <= {FaultKind.NO_ANSWER}


@pytest.mark.slow
@pytest.mark.timeout(3000)
@FRAMINGS
@pytest.mark.parametrize(("late_rate", "reads"), [(0.01, 60_000), (0.03, 25_000), (0.10, 12_000), (0.50, 3_000)])
async def test_f14_in_a_hundred_thousand_reads(framing: Framing, late_rate: float, reads: int) -> None:
    async with Rig(framing, timeout_s=0.05) as rig:
        rig.faults.sometimes(ReplyFault.LATE, late_rate, delay_s=0.07)
        while rig.requests < reads:
            await rig.turn()
    assert rig.wrong == 0
    assert rig.kinds[FaultKind.NO_ANSWER] <= 2 * late_rate * rig.requests


@FRAMINGS
@pytest.mark.parametrize(
    ("kind", "expected"),
    [
        (ReplyFault.CUT, FaultKind.WRONG_COUNT),
        (ReplyFault.GARBAGE, FaultKind.GARBAGE),
        (ReplyFault.SILENCE, FaultKind.NO_ANSWER),
        (ReplyFault.CLOSE, FaultKind.CLOSED),
        (ReplyFault.RESET, FaultKind.CLOSED),
    ],
)
async def test_f15_broken_frames_are_no_values_and_the_next_poll_is_whole(
    framing: Framing, kind: ReplyFault, expected: FaultKind
) -> None:
    async with Rig(framing, timeout_s=0.5) as rig:
        for _ in range(3):
            await rig.turns_until_whole()
            rig.faults.next(kind)
            assert await rig.turn() < len(FIRSTS)
            assert await rig.turns_until_whole() <= 2
    assert rig.wrong == 0
    assert expected in rig.kinds, rig.kinds


@FRAMINGS
async def test_f15_a_frame_whose_rest_comes_late_is_no_value(framing: Framing) -> None:
    async with Rig(framing, timeout_s=0.1) as rig:
        rig.faults.sometimes(ReplyFault.CUT, 0.2, delay_s=0.15)
        for _ in range(40):
            await rig.turn()
    assert rig.wrong == 0


@FRAMINGS
async def test_f15_one_byte_a_packet_is_read_right(framing: Framing) -> None:
    async with Rig(framing, timeout_s=5.0) as rig:
        rig.faults.sometimes(ReplyFault.PIECES, 1.0)
        assert await rig.turn() == len(FIRSTS)
    assert rig.kinds == {}


async def test_f15_a_flood_of_garbage_costs_neither_memory_nor_time() -> None:
    """A megabyte for every request: the first bytes end the connection, the rest is not looked at."""
    noise = b"\xff" * 1_000_000

    async def flood(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while await reader.readexactly(12):
                writer.write(noise)
                await writer.drain()
        except (asyncio.IncompleteReadError, ConnectionError):
            pass
        finally:
            writer.transport.abort()

    server = await asyncio.start_server(flood, "127.0.0.1", 0)
    attached = [Attached(starter="fan", map=sketch(timeout_s=5.0), unit=7)]
    link = ModbusLink("127.0.0.1", server.sockets[0].getsockname()[1], attached, RealClock(), jitter=lambda: 0.0)
    before, descriptors = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, len(os.listdir("/proc/self/fd"))
    for _ in range(50):
        assert await link.open() is None
        link._units["fan"].state = type(link._units["fan"].state)()
        assert (await link.poll("fan", Pace.RUNNING)).faults[0].kind is FaultKind.GARBAGE
    await link.close()
    server.close()
    await asyncio.sleep(0.05)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 30_000
    assert len(os.listdir("/proc/self/fd")) <= descriptors + 2


async def test_f15_noise_on_the_serial_line_is_named() -> None:
    async with Rig(Framing.RTU, timeout_s=0.5) as rig:
        rig.faults.next(ReplyFault.CRC)
        assert await rig.turn() == 0
        assert await rig.turns_until_whole() == 1
    assert set(rig.kinds) == {FaultKind.CRC}
    assert "the check sum of the reply is wrong" in next(iter(rig.texts))


@FRAMINGS
@pytest.mark.parametrize("code", range(1, 12))
async def test_f16_exceptions_are_never_values_and_say_what_to_look_at(framing: Framing, code: int) -> None:
    async with Rig(framing, timeout_s=5.0) as rig:
        rig.faults.next(ReplyFault.EXCEPTION, 2, exception_code=code)
        await rig.turn()
        assert any(text.startswith(f"exception {code}, ") for text in rig.texts)
        await rig.turn()
        assert await rig.turns_until_whole() == 1
    assert rig.wrong == 0
    assert set(rig.kinds) == {FaultKind.EXCEPTION}
    assert rig.server.traffic.connections == 1


@FRAMINGS
@pytest.mark.parametrize(
    ("kind", "expected"),
    [
        (ReplyFault.WRONG_FUNCTION, FaultKind.WRONG_FUNCTION),
        (ReplyFault.WRONG_UNIT, FaultKind.WRONG_UNIT),
        (ReplyFault.SHORT, FaultKind.WRONG_COUNT),
        (ReplyFault.LONG, FaultKind.WRONG_COUNT),
        (ReplyFault.ODD, FaultKind.WRONG_COUNT),
    ],
)
async def test_f16_a_reply_of_another_shape_is_never_a_value(framing: Framing, kind: ReplyFault, expected: FaultKind) -> None:
    async with Rig(framing, timeout_s=0.5) as rig:
        for _ in range(5):
            rig.faults.next(kind)
            assert await rig.turn() < len(FIRSTS)
            assert await rig.turns_until_whole() <= 2
    assert rig.wrong == 0
    assert expected in rig.kinds, rig.kinds


async def test_a_device_that_takes_one_client_tells_the_second_in_plain_words() -> None:
    server = ModbusServer({7: Device(7)}, connection_limit=1)
    async with server:
        links = [
            ModbusLink("127.0.0.1", server.port, [Attached(starter="fan", map=sketch(timeout_s=5.0), unit=7)], RealClock())
            for _ in range(2)
        ]
        for link in links:
            await link.open()
        assert (await links[0].poll("fan", Pace.RUNNING)).faults == ()
        refused = (await links[1].poll("fan", Pace.RUNNING)).faults[0]
        for link in links:
            await link.close()
    assert refused.kind is FaultKind.CLOSED
    assert "closes it without an answer: it has too many clients already" in refused.text
    assert server.traffic.turned_away == 1
