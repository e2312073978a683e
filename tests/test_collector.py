"""The collector looks seldom while the gateway runs, and as before afterwards."""

from __future__ import annotations

import gc
import weakref

from gateway.collector import THRESHOLDS, seldom_collecting


class _Ring:
    def __init__(self) -> None:
        self.own = self


def test_the_collector_is_as_before_afterwards() -> None:
    before, frozen = gc.get_threshold(), gc.get_freeze_count()
    with seldom_collecting():
        assert gc.get_threshold() == THRESHOLDS
        assert gc.get_freeze_count() > frozen
    assert gc.get_threshold() == before
    assert gc.get_freeze_count() == 0


def test_what_refers_to_itself_still_goes() -> None:
    with seldom_collecting():
        gone = weakref.ref(_Ring())
        kept: list[list[object]] = [[] for _ in range(2 * THRESHOLDS[0] * THRESHOLDS[1])]
        assert gone() is None
    assert kept
