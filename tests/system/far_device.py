"""A device at the far end of a lossy link whose registers tell the truth of themselves, and the poller on the near side whose every value
is judged."""

from __future__ import annotations

import contextlib
import os
from array import array
from collections import Counter
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from pathlib import Path

from gateway.clock import Clock, RealClock
from gateway.drivers.base import Attached, Poll
from gateway.drivers.modbus import ModbusLink
from gateway.motors.records import Pace
from gateway.registers.model import ModbusPlace, Protocol, RegisterMap, Signal, Span, Table, WordType
from gateway.services.poller import Polled, Poller
from gateway.site import Framing, Paces
from simulators import framing as simulated
from simulators.modbus import ModbusServer
from tests.system.lossy_link import LossyLink

PORT = 502
TIMEOUT_S = 1.0
PACE_S = 0.05
READS = 2
"""Address of the counter of the device's own reads."""
FIRSTS = (10, 200, 300)


def truth_at(table: Table, address: int) -> int:
    """Return what a register holds, unlike that of any other the test reads."""
    return (table.function_code * 10_000 + address) & 0xFFFF


@dataclass
class TruthfulDevice:
    """Standing still at 0 A; every register tells its table and address, two count how often the device was read."""

    answers: bool = True
    largest_block: int = 125
    largest_bit_block: int = 2000
    reads: int = 0

    def read(self, table: Table, first: int, count: int) -> array[int] | None:
        self.reads += 1
        words = {0: 0, 1: 0, READS: self.reads >> 16, READS + 1: self.reads & 0xFFFF}
        return array("H", [words.get(each, truth_at(table, each)) for each in range(first, first + count)])


def _signal(key: str, table: Table, first: int, kind: WordType = WordType.UINT16) -> Signal:
    last = first + (1 if kind is WordType.UINT32 else 0)
    return Signal(name=key, key=key, role=None, place=ModbusPlace(span=Span(table, first, last), written=""), type=kind)


SIGNALS = (
    _signal("current", Table.HOLDING, 1),
    _signal("reads", Table.HOLDING, READS, WordType.UINT32),
    *(_signal(f"{table.value}_{first}", table, first) for table in (Table.HOLDING, Table.INPUT) for first in FIRSTS),
)


def far_map(*, timeout_s: float = TIMEOUT_S, id_zero: bool = False) -> RegisterMap:
    """Return the map of the device: registers far apart in two tables, so that one poll takes several requests."""
    return RegisterMap(name="far", protocol=Protocol.MODBUS, signals=SIGNALS, timeout_s=timeout_s, answers_id_zero=id_zero)


@dataclass
class Judge:
    """Takes polls in place of the pipeline; every value is compared with the truth."""

    polls: int = 0
    good: int = 0
    whole: int = 0
    """Polls that brought every signal."""
    wrong: list[str] = field(default_factory=list)
    kinds: Counter[str] = field(default_factory=Counter)
    _reads: int = 0

    def take(self, starter: str, poll: Poll) -> Pace:
        self.polls += 1
        self.kinds.update(fault.kind.value for fault in poll.faults)
        for reading in poll.readings:
            self.whole += len(reading.values) == len(SIGNALS)
            for key, value in reading.values.items():
                self.good += 1
                if not self._is_true(key, value):
                    self.wrong.append(f"{key} = {value}")
        return Pace.STANDBY

    def _is_true(self, key: str, value: object) -> bool:
        if key == "current":
            return value == 0
        if key == "reads":
            # A reply that was late, doubled or another's would tell a count that was told before.
            before, self._reads = self._reads, int(str(value).removesuffix(".0"))
            return self._reads > before
        table, _, first = key.partition("_")
        return value == truth_at(Table(table), int(first))

    def pace(self, starter: str) -> Pace:
        return Pace.STANDBY


@dataclass
class Far:
    """Both ends while they run."""

    net: LossyLink
    device: TruthfulDevice
    server: ModbusServer
    link: ModbusLink
    judge: Judge


@contextlib.asynccontextmanager
async def polled_device(
    net: LossyLink, *, host: str, framing: Framing = Framing.TCP, clock: Clock | None = None
) -> AsyncIterator[Far]:
    """Yield a device in the far namespace that is being polled."""
    device, judge, used = TruthfulDevice(), Judge(), clock or RealClock()
    server = ModbusServer({7: device}, host="0.0.0.0", port=PORT, framing=simulated.Framing(framing.value))
    with net.at_device():
        await server.start()
    link = ModbusLink(host, PORT, [Attached(starter="fan", map=far_map(), unit=7)], used, framing=framing)
    poller = Poller([(link, [Polled("fan", Paces(standby_s=PACE_S))])], judge, used)
    poller.start()
    try:
        yield Far(net, device, server, link, judge)
    finally:
        await poller.stop()
        await server.stop()
        assert server.traffic.trap_hits == 0


def open_descriptors(net: LossyLink) -> int:
    """Return how many descriptors this process holds, without the far device's sockets: a device whose cable was cut keeps the half-open
    ones for itself."""
    with net.at_device():
        theirs = {line.split()[9] for line in Path("/proc/thread-self/net/tcp").read_text(encoding="ascii").splitlines()[1:]}
    count = 0
    for number in os.listdir("/proc/self/fd"):
        # The listing's own descriptor is among them and gone by now.
        with contextlib.suppress(FileNotFoundError):
            held = os.readlink(f"/proc/self/fd/{number}")
            count += held.removeprefix("socket:[").removesuffix("]") not in theirs
    return count


async def until(condition: Callable[[], bool], within_s: float, what: str) -> float:
    """Return how long it took for a condition to come true [s]; fails when it takes longer than it may."""
    clock = RealClock()
    began_s = clock.monotonic()
    while not condition():
        assert clock.monotonic() - began_s < within_s, f"{what}: not within {within_s:g} s"
        await clock.sleep(0.02)
    return clock.monotonic() - began_s
