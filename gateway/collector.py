"""How Python's garbage collector runs beside a thousand links.

Its settings are made for programs that begin with nothing. Here every poll leaves some objects that live a second, until they are stored,
and by its own rule the collector walks through all of them several times a second: a quarter of the time at 6000 starters, and pauses of
200 ms. Nothing on the way of a reading makes garbage that needs a collector, so it may look much more seldom.
"""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager

THRESHOLDS = (10_000, 5, 200)
"""Objects made before a look at the youngest, and how many such looks come before one at the older and one at all: with ten million objects
made, every few minutes at a large site and every day at a small one. (Python's own are 700, 10, 10.)"""


@contextmanager
def seldom_collecting() -> Iterator[None]:
    """Let the collector look seldom, and never at what was made before: it lives as long as the gateway."""
    before = gc.get_threshold()
    gc.freeze()
    gc.set_threshold(*THRESHOLDS)
    try:
        yield
    finally:
        gc.set_threshold(*before)
        gc.unfreeze()
