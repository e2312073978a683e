"""How many requests a device gets: never more in any second than its map allows, however often the link breaks and is made anew. Pure."""

from __future__ import annotations

from collections import deque

_WINDOW_S = 1.001
"""A second, and what a timer may fire too early."""


class RequestRate:
    """The moments of the last requests to one device; connection attempts count as requests.

    per_s: most requests in any second, None for no limit.

    >>> rate = RequestRate(2)
    >>> rate.note(10.0), rate.note(10.4)
    (None, None)
    >>> round(rate.wait_s(10.5), 3), rate.wait_s(11.1)
    (0.501, 0.0)
    """

    def __init__(self, per_s: int | None) -> None:
        self._sent: deque[float] | None = None if per_s is None else deque(maxlen=per_s)

    @property
    def is_limited(self) -> bool:
        """True when there is a limit."""
        return self._sent is not None

    def wait_s(self, now_s: float) -> float:
        """Return how long to wait before the next request [s], by the monotonic clock."""
        if self._sent is None or self._sent.maxlen is None or len(self._sent) < self._sent.maxlen:
            return 0.0
        return max(0.0, self._sent[0] + _WINDOW_S - now_s)

    def note(self, now_s: float) -> None:
        """Count a request."""
        if self._sent is not None:
            self._sent.append(now_s)
