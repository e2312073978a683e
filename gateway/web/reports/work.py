"""How far the making of a report has got, and whether anybody still waits for it.

A report on many motors takes longer than a person waits in silence: who makes it says after each step how far it is, and stops there when
it was given up. A step is a motor or a page, so that a cancelled report frees the processor within a fraction of a second.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import TypeVar

Item = TypeVar("Item")
Progress = Callable[[float], None]
"""Takes the share that is done, 0 to 1."""


class GivenUpError(Exception):
    """Nobody waits for the report any more."""


def unwatched(share: float) -> None:
    """Take the progress of a report that nobody watches."""


class Work:
    """One report being made. The thread that makes it calls `done`; others read `share` and may give it up."""

    def __init__(self) -> None:
        self.share = 0.0
        self._given_up = False

    def give_up(self) -> None:
        """Say that nobody waits for it any more."""
        self._given_up = True

    def done(self, share: float) -> None:
        """Note how far it is; GivenUpError when it is wanted no longer."""
        self.share = min(max(share, self.share), 1.0)
        if self._given_up:
            raise GivenUpError


def counted_off(items: Iterable[Item], count: int, from_share: float, to_share: float, progress: Progress) -> Iterator[Item]:
    """Yield the items and tell after each of them how far it is between two shares.

    >>> told = []
    >>> list(counted_off("ab", 2, 0.5, 1.0, told.append)), told
    (['a', 'b'], [0.75, 1.0])
    """
    for place, item in enumerate(items, 1):
        yield item
        progress(from_share + (to_share - from_share) * min(1.0, place / max(count, 1)))
