"""Readings of polls that brought nothing: every signal that was due is bad, with the reason."""

from __future__ import annotations

from collections.abc import Iterable

from gateway.drivers.base import Fault, Poll
from gateway.instants import Instant
from gateway.motors.reading import Flaw, Quality, Reading
from gateway.registers.model import Signal


def flaws_for(signals: Iterable[Signal], reason: str) -> dict[str, Flaw]:
    """Return one bad flaw for each signal, all with the same reason."""
    flaw = Flaw(Quality.BAD, reason)
    return {signal.key: flaw for signal in signals}


def nothing_read(signals: Iterable[Signal], at: Instant, fault: Fault, *, requests: int = 0, round_trip_s: float = 0.0) -> Poll:
    """Return the poll of a starter that could not be read at all."""
    reading = Reading(at, {}, flaws_for(signals, fault.text))
    return Poll(readings=(reading,), faults=(fault,), requests=requests, round_trip_s=round_trip_s)
