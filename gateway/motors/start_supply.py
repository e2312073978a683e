"""The supply and the command of a start: how far the voltage fell, and how long after the command current flowed and speed was reached.

Voltage. The role `voltage` (line to line, at the starter) before the start against the lowest of the start, by the median of three samples
in a row so that one noisy sample makes no dip. The dip goes with the current, so what the samples may have missed of the peak they may
have missed of the dip; the scatter of the voltage itself comes on top.

Command. The bit `command` rose between two readings: halfway, within half of that interval. A device may wait before it starts (restart
delay, pre-start warning): a command up to COMMAND_BEFORE_S before the current belongs to the start.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from gateway.instants import Instant, seconds_between
from gateway.motors.start_figures import Edge, Sample

COMMAND_BEFORE_S = 120.0
"""Own choice."""
MEDIAN_RANGE = 0.954
"""Median distance of two values of a normal distribution, in standard deviations: twice that deviation is taken as the scatter."""

CommandEdge = tuple[Instant, Instant]
"""Last reading without the command, first reading with it."""


@dataclass(frozen=True, slots=True)
class Dip:
    """Lowest voltage of a start [V], its fall below the voltage before, and the band of that [%]."""

    lowest_v: float
    dip_pct: float | None
    error_pct: float | None


def voltage_dip(samples: Sequence[Sample], began: Edge, ended: Edge, before_v: float | None, peak_error_pct: float) -> Dip | None:
    """Return how the voltage fell in a start, None when it was not read in it; without a voltage before, only the lowest.

    >>> samples = [Sample(100_000 * i, 300.0, {"voltage": volts}) for i, volts in enumerate((400.0, 386.0, 384.0, 385.0, 390.0))]
    >>> dip = voltage_dip(samples, Edge(50_000, 0.05), Edge(400_000, 0.05), 400.0, 10.0)
    >>> dip.lowest_v, dip.dip_pct, round(dip.error_pct, 2)
    (385.0, 3.75, 1.42)
    """
    volts = [
        float(volt)
        for sample in samples
        if began.at < sample.at <= ended.at and isinstance(volt := sample.values.get("voltage"), int | float)
    ]
    if not volts:
        return None
    lowest_v = min(volts) if len(volts) < 3 else min(median(volts[place : place + 3]) for place in range(len(volts) - 2))
    if before_v is None or before_v <= 0.0:
        return Dip(lowest_v, None, None)
    dip_pct = 100.0 * (before_v - lowest_v) / before_v
    ranges = [abs(later - earlier) for earlier, later in pairwise(volts)]
    scatter_pct = 200.0 * (median(ranges) / MEDIAN_RANGE if ranges else 0.0) / before_v
    return Dip(lowest_v, dip_pct, abs(dip_pct) * peak_error_pct / 100.0 + scatter_pct)


@dataclass(frozen=True, slots=True)
class Commanded:
    """Times from the command [s]: to the begin, to speed (None when it was not reached), and the band of both."""

    to_begin_s: float
    to_speed_s: float | None
    error_s: float


def commanded(edge: CommandEdge | None, began: Edge, ended: Edge | None, update_time_s: float) -> Commanded | None:
    """Return the times from the command, None when there was none or it does not belong to this start.

    >>> commanded((0, 100_000), Edge(1_050_000, 0.06), Edge(9_000_000, 0.05), 0.0)
    Commanded(to_begin_s=1.0, to_speed_s=8.95, error_s=0.11)
    """
    if edge is None:
        return None
    from_at, to_at = edge
    at = (from_at + to_at) // 2
    half_s = 0.5 * (seconds_between(from_at, to_at) + update_time_s)
    error_s = round(half_s + max(began.error_s, 0.0 if ended is None else ended.error_s), 6)
    to_begin_s = seconds_between(at, began.at)
    if not -error_s <= to_begin_s <= COMMAND_BEFORE_S:
        return None
    return Commanded(max(0.0, to_begin_s), None if ended is None else seconds_between(at, ended.at), error_s)
