"""Strips of readings for the tests of the recogniser and the watch, and what comes out of them in short form."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from gateway.instants import SECOND, Instant
from gateway.motors.facts import Method, MotorData, SignalFacts, Starter, StarterData, Thresholds
from gateway.motors.reading import Flaw, Quality, Reading, Scalar
from gateway.motors.records import Event, Start, StartEnded, Stop, StopEnded, UnseenStarts
from gateway.motors.watch import Watch

FLC_A = 80.0
Bits = Mapping[str, Scalar]
ON: Bits = {"running": True, "starting": False, "at_speed": False, "stopping": False, "tripped": False}
OFF: Bits = {**ON, "running": False}
RAMPS: Bits = {**ON, "starting": True}
SPEED: Bits = {**ON, "at_speed": True}
EASES: Bits = {**ON, "stopping": True}
TRIPPED: Bits = {**OFF, "tripped": True}
BLIND = "blind"
"""A piece in which every signal is bad."""
SILENT = "silent"
"""A piece in which no reading comes."""


@dataclass(frozen=True)
class Piece:
    """A stretch of time: the current x FLC over the time since its begin, the bits, other values."""

    duration_s: float
    ratio: float | Callable[[float], float] | str
    bits: Bits = field(default_factory=dict)
    values: Mapping[str, Scalar] = field(default_factory=dict)


def starter(method: Method = Method.SOFT_STARTER, device: dict[str, Any] | None = None, **thresholds: float) -> Starter:
    """Return a starter of an 80 A motor."""
    motor = MotorData(rated_power_kw=45.0, rated_voltage_v=400.0, flc_a=FLC_A, locked_rotor_ratio=7.0, cold_stall_s=20.0, hot_stall_s=15.0)
    return Starter(
        name="F-101",
        motor=motor,
        device=StarterData(method=method, **(device or {})),
        thresholds=Thresholds(**thresholds),
        signals=SignalFacts(keys=frozenset({"current"}), start_count_wraps_at=65536),
    )


def strip(pieces: Iterable[Piece], period_s: float = 0.1, phase_s: float = 0.0, bits: bool = True, from_at: Instant = 0) -> list[Reading]:
    """Return the readings of pieces laid end to end, one every `period_s` from `phase_s` on; `bits` False leaves the status bits out."""
    readings: list[Reading] = []
    at_s, begin_s = phase_s, 0.0
    for piece in pieces:
        end_s = begin_s + piece.duration_s
        while at_s < end_s - 1e-9:
            at = from_at + round(at_s * SECOND)
            if piece.ratio == BLIND:
                readings.append(Reading(at, {}, {"current": Flaw(Quality.BAD, "no answer")}))
            elif not isinstance(piece.ratio, str):
                ratio = piece.ratio(at_s - begin_s) if callable(piece.ratio) else piece.ratio
                status = dict(piece.bits) if bits else {}
                readings.append(Reading(at, {"current": ratio * FLC_A, **status, **piece.values}))
            at_s += period_s
        begin_s = end_s
    return readings


def fold(watch: Watch, readings: Iterable[Reading]) -> list[Event]:
    """Return all events of some readings."""
    return [event for reading in readings for event in watch.take(reading)]


def starts_in(events: Iterable[Event]) -> list[Start]:
    """Return the starts in order, each as told last."""
    starts: dict[int, Start] = {}
    for event in events:
        if isinstance(event, StartEnded):
            starts[event.start.number] = event.start
        elif isinstance(event, UnseenStarts):
            starts.update((start.number, start) for start in event.starts)
    return [starts[number] for number in sorted(starts)]


def stops_in(events: Iterable[Event]) -> list[Stop]:
    """Return the stops in order."""
    return [event.stop for event in events if isinstance(event, StopEnded)]


def falling(top: float, bottom: float, duration_s: float) -> Callable[[float], float]:
    """Return a straight fall from one current to another."""
    return lambda at_s: top + (bottom - top) * min(1.0, at_s / duration_s)
