"""The device's own start counter: which rise of its value is believed.

* A rise of up to `SMALL` is believed at once. Anything else - a larger rise, any fall - must stand in the next reading too, or have grown
  there by no more than `SMALL`: two words of one value read from two moments (torn) do not come twice.
* Believed, it is a rise (modulo `wraps_at`) if so many starts can have been made since: BURST + one every SHORTEST_CYCLE_S.
* A value that only a wrap explains must lie within 1/16 of the counter's range of the top: a counter that fell from 40 000 to 0 was
  reset.
* Everything else is a reset, or another device: what it shows now is what was counted since, if so many are possible, else nothing is
  taken from it. Either way starts before the reset may be missing, and the caller marks the time as unexplained.
* Where the time since the last reading would do for a whole turn of the counter, the number of starts cannot be told at all.
"""

from __future__ import annotations

from dataclasses import dataclass

from gateway.instants import Instant, seconds_between

SMALL = 2
BURST = 5
SHORTEST_CYCLE_S = 6.0
"""Shortest time from one start to the next that goes on for long: 600 starts an hour; own choice."""


@dataclass(frozen=True, slots=True)
class Counted:
    """What a believed counter value says: so many starts between two instants.

    reset: None, or why the counter did not simply count; then starts may be missing in the count.
    """

    starts: int
    from_at: Instant
    to_at: Instant
    before: int
    after: int
    reset: str | None = None


def possible_starts(elapsed_s: float) -> int:
    """Return the most starts that a motor can have made in a time.

    >>> possible_starts(60.0)
    15
    """
    return BURST + int(max(0.0, elapsed_s) / SHORTEST_CYCLE_S)


@dataclass(slots=True)
class Counter:
    """The last believed value, and one that waits to be believed.

    >>> counter = Counter()
    >>> counted = [counter.take(value, second * 1_000_000, 65536) for second, value in enumerate([65534, 65535, 0, 1])]
    >>> [item and item.starts for item in counted]
    [None, 1, 1, 1]
    """

    value: int | None = None
    at: Instant = 0
    doubted: int | None = None

    def take(self, value: int, at: Instant, wraps_at: int | None) -> Counted | None:
        """Fold one value; return what it says when it says anything new."""
        if self.value is None or value == self.value:
            self.value, self.at, self.doubted = value, at, None
            return None
        rise = _rise(self.value, value, wraps_at)
        if not 0 < rise <= SMALL and (self.doubted is None or not 0 <= _rise(self.doubted, value, wraps_at) <= SMALL):
            self.doubted = value
            return None
        counted = self._believed(value, at, rise, wraps_at)
        self.value, self.at, self.doubted = value, at, None
        return counted

    def _believed(self, value: int, at: Instant, rise: int, wraps_at: int | None) -> Counted:
        before = self.value or 0
        possible = possible_starts(seconds_between(self.at, at))
        wrapped = value < before
        fits = 0 < rise <= possible and not (wrapped and wraps_at is not None and rise > max(16, wraps_at // 16))
        if fits and wraps_at is not None and possible >= wraps_at:
            return Counted(rise, self.at, at, before, value, "no reading for so long that the counter can have gone round")
        if fits:
            return Counted(rise, self.at, at, before, value)
        if value <= possible:
            return Counted(value, self.at, at, before, value, "the counter was set back to 0")
        how = "the counter went back" if wrapped else "the counter jumped further than starts are possible"
        return Counted(0, self.at, at, before, value, how)

    def stood(self, value: float | None, at: Instant) -> None:
        """Note that a reading still showed the believed value: readings that tell nothing new do not come here one by one."""
        if value is not None and value == self.value and self.doubted is None:
            self.at = at

    def shift(self, by_us: int) -> None:
        """Move every instant, after the wall clock was set."""
        self.at += by_us


def _rise(before: int, after: int, wraps_at: int | None) -> int:
    return after - before if wraps_at is None else (after - before) % wraps_at
