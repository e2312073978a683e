"""What a device can take: the largest block, the connections, and how fast it may be asked. Pure: the numbers from what was measured."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from gateway.bench.exchange import Exchange

BLOCKS = (1, 5, 10, 20, 50, 100, 125)
"""Registers of the requests that are tried, 125 being the most that the protocol allows (Application Protocol V1.1b3, 6.3)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitAnswer:
    """Whether a unit answered, and what it said."""

    unit: int
    answers: bool
    text: str
    round_trip_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockAnswer:
    """Whether a block of so many registers came, and why not."""

    count: int
    came: bool
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """Round trips [s] and the poll period that leaves the device twice the slowest usual one."""

    count: int
    p50_s: float
    p99_s: float

    @property
    def safe_period_s(self) -> float:
        """Least time between two requests: 2 x p99."""
        return 2 * self.p99_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Probe:
    """Everything that was found out about one address.

    connections: how many were open at once and all answered; connections_refused: the next one was turned away (False: not tried further).
    """

    device: str
    units: tuple[UnitAnswer, ...]
    blocks: tuple[BlockAnswer, ...] = ()
    pace: Pace | None = None
    connections: int = 0
    connections_refused: bool = False
    connections_text: str = ""
    requests: int = 0

    @property
    def largest_block(self) -> int | None:
        """The largest block that came, None when none did or none was tried."""
        return max((each.count for each in self.blocks if each.came), default=None)

    @property
    def any_answers(self) -> bool:
        """True when a unit answered."""
        return any(each.answers for each in self.units)

    def map_entries(self) -> list[str]:
        """Return the lines for the head of a map."""
        lines = []
        refused_by_size = [each for each in self.blocks if not each.came and "exception 3" in each.text]
        if self.largest_block is not None and refused_by_size:
            lines.append(f"largest_block: {self.largest_block}")
        if self.pace is not None:
            lines.append(f"timeout: {max(0.2, math.ceil(100 * 10 * self.pace.p99_s) / 100):g} s")
        return lines

    def as_json(self) -> dict[str, Any]:
        """Return the probe as plain data, times in milliseconds."""
        pace = self.pace
        return {
            "device": self.device,
            "units": [
                {"unit": each.unit, "answers": each.answers, "text": each.text, "round_trip_ms": 1000 * each.round_trip_s}
                for each in self.units
            ],
            "blocks": [{"registers": each.count, "came": each.came, "text": each.text} for each in self.blocks],
            "largest_block": self.largest_block,
            "connections": {"open_at_once": self.connections, "next_refused": self.connections_refused, "text": self.connections_text},
            "round_trip": None
            if pace is None
            else {
                "count": pace.count,
                "p50_ms": 1000 * pace.p50_s,
                "p99_ms": 1000 * pace.p99_s,
                "safe_period_ms": 1000 * pace.safe_period_s,
            },
            "map": self.map_entries(),
            "requests": self.requests,
        }


def pace_of(round_trips_s: Sequence[float]) -> Pace | None:
    """Return the usual and the slow round trip, None without any.

    >>> pace_of([0.01] * 99 + [0.05]).p99_s
    0.01
    """
    if not round_trips_s:
        return None
    ranked = sorted(round_trips_s)
    return Pace(count=len(ranked), p50_s=_quantile(ranked, 0.5), p99_s=_quantile(ranked, 0.99))


def _quantile(ranked: Sequence[float], part: float) -> float:
    return ranked[max(0, math.ceil(part * len(ranked)) - 1)]


def unit_answer(exchange: Exchange) -> UnitAnswer:
    """Return what one exchange says about a unit: an exception of its own is an answer too, one of the bridge is not."""
    of_bridge = exchange.code in (10, 11)
    answers = exchange.words is not None or (exchange.code is not None and not of_bridge)
    text = "answers" if exchange.words is not None else exchange.fault
    return UnitAnswer(unit=exchange.unit, answers=answers, text=text, round_trip_s=exchange.round_trip_s)


def block_answer(exchange: Exchange) -> BlockAnswer:
    """Return what one exchange says about a size of block."""
    text = "" if exchange.words is not None else exchange.fault
    if exchange.code == 2 and exchange.span.count > 1:
        text = f"exception 2: not every address up to {exchange.span.last} is there; this tells nothing about the size: try another --at"
    return BlockAnswer(count=exchange.span.count, came=exchange.words is not None, text=text)
