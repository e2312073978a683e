"""Recorded readings in place of a wire: a link over readings in memory; `read_trace` gets them from a CSV file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from gateway.drivers.base import Fault, FaultKind, Poll
from gateway.drivers.trace import read_trace
from gateway.motors.reading import Flaw, Quality, Reading
from gateway.motors.records import Pace

__all__ = ["RecordedLink", "read_trace"]


class RecordedLink:
    """A link whose polls hand out recorded readings in turn (see `base.Link`); after the last they say that the recording ends."""

    def __init__(self, readings: Mapping[str, Sequence[Reading]], address: str = "recorded") -> None:
        self.address = address
        self._readings = dict(readings)
        self._next = dict.fromkeys(readings, 0)
        self._is_open = False

    @property
    def notes(self) -> tuple[str, ...]:
        """Nothing: a recording has no wire."""
        return ()

    @property
    def is_open(self) -> bool:
        """True between open and close."""
        return self._is_open

    async def open(self) -> Fault | None:
        """Begin to hand out readings, where the last close left off."""
        self._is_open = True
        return None

    async def close(self) -> None:
        """Stop handing out readings."""
        self._is_open = False

    async def poll(self, starter: str, pace: Pace) -> Poll:
        """Return the starter's next reading, whatever the pace."""
        if not self._is_open:
            return self._nothing(starter, "the link is not open")
        place = self._next[starter]
        if place == len(self._readings[starter]):
            return self._nothing(starter, "the recording ends here")
        self._next[starter] = place + 1
        return Poll(readings=(self._readings[starter][place],), requests=1)

    def _nothing(self, starter: str, reason: str) -> Poll:
        readings, place = self._readings[starter], self._next[starter]
        near = readings[max(0, place - 1)] if readings else Reading(0, {})
        flaw = Flaw(Quality.BAD, reason)
        reading = Reading(near.at, {}, dict.fromkeys([*near.values, *near.flaws], flaw))
        return Poll(readings=(reading,), faults=(Fault(kind=FaultKind.CLOSED, text=reason, breaks_link=True),))
