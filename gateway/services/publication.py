"""What is known now, for whoever shows it: one immutable row a starter, a revision that counts changes, and a way to wait for the next."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable, Mapping

from gateway.motors.records import Live


class Publication:
    """The newest Live of every starter. Published and read in the event loop."""

    def __init__(self, lives: Iterable[Live]) -> None:
        self._lives = {live.starter: live for live in lives}
        self._later: dict[str, Callable[[], Live]] = {}
        self._changed_in = dict.fromkeys(self._lives, 0)
        self._revision = 0
        self._waiters: set[asyncio.Future[None]] = set()

    @property
    def revision(self) -> int:
        """Return how many changes there were."""
        return self._revision

    @property
    def lives(self) -> Mapping[str, Live]:
        """Return the newest row of every starter, in the order of the site file."""
        later, self._later = self._later, {}
        for name, live in later.items():
            self._lives[name] = live()
        return self._lives

    def revision_of(self, name: str) -> int:
        """Return the revision in which a starter last changed."""
        return self._changed_in[name]

    def publish(self, live: Live) -> None:
        """Make a row known and wake whoever waits for a change."""
        self._later.pop(live.starter, None)
        self._lives[live.starter] = live
        self._change(live.starter)

    def publish_later(self, name: str, live: Callable[[], Live]) -> None:
        """Make known that a row has changed; it is worked out when somebody looks."""
        self._later[name] = live
        self._change(name)

    def _change(self, name: str) -> None:
        self._revision += 1
        self._changed_in[name] = self._revision
        if not self._waiters:
            return
        waiters, self._waiters = self._waiters, set()
        for waiter in waiters:
            if not waiter.done():
                waiter.set_result(None)

    async def wait_for_change(self, after_revision: int) -> int:
        """Return the revision as soon as it is beyond `after_revision`."""
        while self._revision <= after_revision:
            waiter = asyncio.get_running_loop().create_future()
            self._waiters.add(waiter)
            try:
                await waiter
            finally:
                self._waiters.discard(waiter)
        return self._revision
