"""Links that do what a test tells them, and a pipeline that notes what it is given."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence

from gateway.clock import HandClock
from gateway.drivers.base import Fault, FaultKind, Poll
from gateway.motors.reading import Flaw, Quality, Reading
from gateway.motors.records import Pace

T0 = 1_780_000_000_000_000
SILENT = Fault(kind=FaultKind.NO_ANSWER, text="unit 1 does not answer", breaks_link=True)
REFUSED = Fault(kind=FaultKind.REFUSED, text="nothing listens at port 502")


class PlainLink:
    """A link whose device answers in `takes_s`; what else it does is set by the test."""

    def __init__(self, clock: HandClock, address: str = "modbus 10.20.0.11:502", takes_s: float = 0.01) -> None:
        self.address = address
        self.takes_s = takes_s
        self.opens: list[float] = []
        self.closes = 0
        self.polls: list[tuple[float, str, Pace]] = []
        self.refuses = False
        self.silent: set[str] = set()
        self.closes_itself = True
        self.breaks: Callable[[], None] | None = None
        self._clock = clock
        self._is_open = False

    @property
    def notes(self) -> tuple[str, ...]:
        return ()

    @property
    def is_open(self) -> bool:
        return self._is_open

    async def open(self) -> Fault | None:
        self.opens.append(self._clock.monotonic())
        await self._clock.sleep(self.takes_s)
        self._is_open = not self.refuses
        return REFUSED if self.refuses else None

    async def poll(self, starter: str, pace: Pace) -> Poll:
        if not self._is_open:
            return self._nothing(REFUSED, 0)
        self.polls.append((self._clock.monotonic(), starter, pace))
        if self.breaks is not None:
            self.breaks()
        await self._clock.sleep(1.0 if starter in self.silent else self.takes_s)
        if starter in self.silent:
            self._is_open = not self.closes_itself
            return self._nothing(SILENT, 1)
        reading = Reading(self._clock.now(), {"current": 1.0})
        return Poll(readings=(reading,), requests=1, round_trip_s=self.takes_s)

    async def close(self) -> None:
        self.closes += 1
        self._is_open = False

    def cut(self) -> None:
        """Close the connection as a device does that loses its supply."""
        self._is_open = False

    def times(self, starter: str, pace: Pace | None = None) -> list[float]:
        """Return when a starter was polled."""
        return [at for at, name, found in self.polls if name == starter and pace in (None, found)]

    def _nothing(self, fault: Fault, requests: int) -> Poll:
        reading = Reading(self._clock.now(), {}, {"current": Flaw(Quality.BAD, fault.text)})
        return Poll(readings=(reading,), faults=(fault,), requests=requests, round_trip_s=1.0 if requests else 0.0)


class NotingTaker:
    """Notes polls and says the pace that the test set."""

    def __init__(self, clock: HandClock) -> None:
        self.paces: dict[str, Pace] = defaultdict(lambda: Pace.STANDBY)
        self.taken: list[tuple[float, str, Poll]] = []
        self.fails_on: set[str] = set()
        self._clock = clock

    def take(self, starter: str, poll: Poll) -> Pace:
        if starter in self.fails_on:
            raise RuntimeError(f"{starter}: a fault of the program")
        self.taken.append((self._clock.monotonic(), starter, poll))
        return self.paces[starter]

    def pace(self, starter: str) -> Pace:
        return self.paces[starter]

    def times(self, starter: str) -> list[float]:
        """Return when something of a starter was taken."""
        return [at for at, name, _ in self.taken if name == starter]

    def faults(self, starter: str) -> list[str]:
        """Return the reasons of the readings without a value."""
        return [poll.readings[-1].flaws["current"].reason for _, name, poll in self.taken if name == starter and poll.readings[-1].flaws]


def gaps(times: Sequence[float]) -> list[float]:
    """Return the times between."""
    return [round(later - earlier, 6) for earlier, later in zip(times, times[1:], strict=False)]
