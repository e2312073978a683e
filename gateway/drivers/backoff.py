"""When to try again: pure delay rules for a link that does not open and for one unit of several that does not answer."""

from __future__ import annotations

from dataclasses import dataclass

FIRST_DELAY_S = 0.25
LONGEST_DELAY_S = 10.0
"""No longer, so that data is back within 15 s of a cure, also after a night's outage."""

LONGEST_PROBE_DELAY_S = 60.0
MISSES_BEFORE_BACKOFF = 3
"""A unit that misses fewer turns in a row is asked again at its next turn."""

DEAD_TIME_SHARE = 0.05
"""Part of a shared link's time that waiting for dead units may take."""


def next_delay_s(failures: int, jitter: float) -> float:
    """Return how long to wait before the next attempt [s] after so many failures in a row: 0 after none, then doubling to 10 s.

    jitter: 0 to 1, drawn by the caller; spreads the wait over the upper half, so that many links do not knock at the same moment.

    >>> [next_delay_s(failures, 1.0) for failures in (0, 1, 2, 3, 7, 1000)]
    [0.0, 0.25, 0.5, 1.0, 10.0, 10.0]
    >>> next_delay_s(3, 0.0)
    0.5
    """
    if failures <= 0:
        return 0.0
    # 2 ** 6 x 0.25 s is past the cap; a larger power would only overflow.
    whole = min(LONGEST_DELAY_S, FIRST_DELAY_S * 2.0 ** min(failures - 1, 6))
    return whole * (0.5 + 0.5 * jitter)


def probe_delay_s(misses: int, jitter: float, *, dead: int, healthy: int, timeout_s: float) -> float:
    """Return how long one unit is left alone [s] after so many missed turns in a row.

    Each probe of a dead unit costs its timeout and the connection. Alone on its link it disturbs nobody and is probed like the link itself;
    beside healthy units all dead ones together may take 5 % of the link's time, and each is probed at least every 60 s.

    dead, healthy: units behind the same address that are in back-off (this one included) and that are not.

    >>> probe_delay_s(2, 1.0, dead=1, healthy=3, timeout_s=1.0)
    0.0
    >>> probe_delay_s(9, 1.0, dead=1, healthy=0, timeout_s=1.0)
    10.0
    >>> probe_delay_s(9, 1.0, dead=2, healthy=3, timeout_s=1.0)
    40.0
    >>> probe_delay_s(9, 1.0, dead=5, healthy=15, timeout_s=1.0)
    60.0
    """
    if misses < MISSES_BEFORE_BACKOFF:
        return 0.0
    delay_s = next_delay_s(misses - MISSES_BEFORE_BACKOFF + 1, jitter)
    if healthy == 0:
        return delay_s
    return max(delay_s, min(LONGEST_PROBE_DELAY_S, dead * timeout_s / DEAD_TIME_SHARE))


@dataclass(frozen=True, slots=True)
class UnitState:
    """What is known of one unit's answers: turns missed in a row, and the monotonic moment before which it is left alone [s]."""

    misses: int = 0
    due_s: float = 0.0

    @property
    def is_dead(self) -> bool:
        """True once the unit is in back-off.

        >>> UnitState(2).is_dead, UnitState(3).is_dead
        (False, True)
        """
        return self.misses >= MISSES_BEFORE_BACKOFF

    def waits_s(self, now_s: float) -> float:
        """Return how much longer the unit is left alone [s], 0 when its turn may go ahead.

        >>> UnitState(3, 10.0).waits_s(7.5), UnitState(3, 10.0).waits_s(11.0)
        (2.5, 0.0)
        """
        return max(0.0, self.due_s - now_s)
