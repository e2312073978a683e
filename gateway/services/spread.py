"""How a duration was spread over the last day, in constant memory: counts in bands whose edges grow by a quarter, one set an hour."""

from __future__ import annotations

from bisect import bisect_left

SMALLEST_S = 1e-4
GROWTH = 1.25
BANDS = 64
"""0.1 ms to 160 s; shorter and longer durations fall in the first and last band."""

_HOURS = 24
_EDGES = tuple(SMALLEST_S * GROWTH**band * (1 + 1e-9) for band in range(BANDS - 1))


def band_of(duration_s: float) -> int:
    """Return the band of a duration; band k ends at 0.1 ms x 1.25^k.

    >>> band_of(0.0), band_of(0.0001), band_of(0.001), band_of(1e9)
    (0, 0, 11, 63)
    """
    return bisect_left(_EDGES, duration_s)


class DaySpread:
    """Durations of the last 24 hours; the hour is passed in, so that no clock is needed.

    >>> spread = DaySpread()
    >>> for _ in range(99):
    ...     spread.add(0.001, 0)
    >>> spread.add(5.0, 0)
    >>> round(spread.quantile(0.5), 5), round(spread.quantile(1.0), 2)
    (0.00116, 5.61)
    """

    def __init__(self) -> None:
        self._hours: dict[int, list[int]] = {}
        self._hour: int | None = None
        self._counts: list[int] = []

    def add(self, duration_s: float, hour: int) -> None:
        """Count one duration [s] in an hour (hours since 1970)."""
        if hour != self._hour:
            self._turn_to(hour)
        self._counts[bisect_left(_EDGES, duration_s)] += 1

    def quantile(self, share: float) -> float | None:
        """Return a duration [s] that `share` of the counted ones do not exceed (upper edge of its band), None when nothing was counted."""
        totals = [sum(column) for column in zip(*self._hours.values(), strict=True)]
        wanted = share * sum(totals)
        if not wanted:
            return None
        reached = 0
        for band, count in enumerate(totals):
            reached += count
            if reached >= wanted:
                return float(SMALLEST_S * GROWTH**band)
        return float(SMALLEST_S * GROWTH ** (BANDS - 1))

    def _turn_to(self, hour: int) -> None:
        # After a jump of the wall clock hours of the future are dropped with the old ones.
        self._hours = {kept: counts for kept, counts in self._hours.items() if hour - _HOURS < kept <= hour}
        self._hour = hour
        self._counts = self._hours.setdefault(hour, [0] * BANDS)
