"""How much of a period was really looked at, and where it was not. Pure.

A gap is a time without a usable reading that is longer than the starter's own gap time (`thresholds: gap`); shorter ones do not count.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from gateway.instants import SECOND, Instant
from gateway.motors.records import GapEnded
from gateway.web.reports.period import Period

NOT_YET = "not recorded yet"
SINCE = "no reading since"


@dataclass(frozen=True, slots=True)
class Gap:
    """A part of the period without readings."""

    began_at: Instant
    ended_at: Instant
    reason: str

    @property
    def length_s(self) -> float:
        """Return how long it lasted [s]."""
        return (self.ended_at - self.began_at) / SECOND


@dataclass(frozen=True, slots=True)
class Coverage:
    """Share of the period with readings, of 1, and the gaps in order."""

    share: float
    gaps: tuple[Gap, ...]


def coverage_of(period: Period, gaps: Sequence[GapEnded], first_known: Instant | None, last_good: Instant | None, gap_s: float) -> Coverage:
    """Return the coverage of a period. first_known: where the records begin; last_good: the last usable reading of all.

    >>> hour = 3600 * SECOND
    >>> found = coverage_of(Period(0, 10 * hour), [GapEnded(began_at=2 * hour, at=3 * hour, reason="no answer")], -hour, 9 * hour, 5.0)
    >>> round(found.share, 3), [gap.reason for gap in found.gaps]
    (0.8, ['no answer', 'no reading since'])
    >>> coverage_of(Period(0, hour), [], None, None, 5.0).share
    0.0
    """
    if first_known is None:
        return Coverage(0.0, (Gap(period.from_at, period.to_at, NOT_YET),))
    found = [Gap(period.from_at, first_known, NOT_YET)] + [Gap(gap.began_at, gap.at, gap.reason) for gap in gaps]
    if last_good is not None and (period.to_at - last_good) / SECOND > gap_s:
        found.append(Gap(last_good, period.to_at, SINCE))
    inside: list[Gap] = []
    covered_to = period.from_at
    for gap in sorted(found, key=lambda each: each.began_at):
        began, ended = max(gap.began_at, covered_to), min(gap.ended_at, period.to_at)
        if ended > began:
            inside.append(Gap(began, ended, gap.reason))
            covered_to = ended
    missing_s = sum(gap.length_s for gap in inside)
    return Coverage(max(0.0, 1.0 - missing_s / period.length_s), tuple(inside))
