"""The record of what reached a simulated device: the proof that a run only read."""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Callable
from dataclasses import dataclass

READS = frozenset({1, 2, 3, 4})
"""Function codes that only read (Modbus Application Protocol V1.1b3, 6.1 to 6.4)."""


@dataclass(frozen=True, slots=True)
class Frame:
    """One request as it came: bytes of the protocol data unit, and to which unit."""

    unit: int
    pdu: bytes


listeners: list[Callable[[int, bytes], None]] = []
"""Called with unit and protocol data unit of every request that reaches any simulated device: how a whole run is recorded."""


class Traffic:
    """Counts every request for ever and keeps the last frames."""

    def __init__(self, keep_frames: int = 1000) -> None:
        self.by_function: Counter[int] = Counter()
        """Requests by function code."""
        self.by_unit: Counter[int] = Counter()
        self.connections = 0
        """Connections accepted since the start."""
        self.turned_away = 0
        """Connections refused by the limit."""
        self.malformed = 0
        """Frames that are no Modbus TCP at all."""
        self.frames: deque[Frame] = deque(maxlen=keep_frames)

    def note(self, unit: int, pdu: bytes) -> None:
        """Count one request."""
        self.by_function[pdu[0]] += 1
        self.by_unit[unit] += 1
        self.frames.append(Frame(unit, pdu))
        for listener in listeners:
            listener(unit, pdu)

    @property
    def requests(self) -> int:
        """All requests so far."""
        return self.by_function.total()

    @property
    def trap_hits(self) -> int:
        """Requests with a function code that is no read: 0 in every run of the gateway."""
        return sum(count for code, count in self.by_function.items() if code not in READS)
