"""The words of a device over time, put together from exchanges."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np
import numpy.typing as npt

from gateway.bench.exchange import Exchange
from gateway.instants import SECOND, Instant
from gateway.registers.model import Span, Table

Words = npt.NDArray[np.int64]
UNKNOWN = -1
"""Stands for a word that was never read up to that moment."""

MOST_MOMENTS = 600
"""A longer record is thinned evenly: enough to tell a course, little enough to try hundreds of readings of it."""


class Timeline:
    """What each address held at each moment.

    A moment is one sweep over the requests; a request that a sweep left out keeps the words it last brought.

    at_s: seconds of the moments since the first; began_at: that first one.
    refused: spans that never brought words, with the reason, and the exception code where there was one.
    """

    def __init__(self, at: Sequence[Instant], words: Mapping[tuple[Table, int], Words], refused: Mapping[Span, tuple[str, int | None]]):
        self.began_at: Instant = at[0] if at else 0
        self.at_s = np.array([(each - self.began_at) / SECOND for each in at])
        self.refused = dict(refused)
        self._words = dict(words)

    @property
    def count(self) -> int:
        """Number of moments."""
        return len(self.at_s)

    def rows(self, span: Span) -> Words | None:
        """Return the words of a span, one row a moment, `UNKNOWN` where not read; None when an address of it was never read."""
        columns = [self._words.get((span.table, address)) for address in range(span.first, span.last + 1)]
        known = [column for column in columns if column is not None]
        if len(known) != span.count or not known:
            return None
        return np.stack(known, axis=1)

    def last_words(self, span: Span) -> tuple[int, ...] | None:
        """Return the last words of a span, None when they were not all read."""
        rows = self.rows(span)
        if rows is None or rows[-1].min() == UNKNOWN:
            return None
        return tuple(int(word) for word in rows[-1])

    def has(self, table: Table, address: int) -> bool:
        """True when the device gave this address at least once."""
        return (table, address) in self._words

    def why_not(self, span: Span) -> tuple[str, int | None]:
        """Return why a span has no words, with the exception code: the reason of the smallest refused request that touches it."""
        touching = [
            (refused.count, reason)
            for refused, reason in self.refused.items()
            if refused.table is span.table and refused.first <= span.last and span.first <= refused.last
        ]
        return min(touching, key=lambda pair: pair[0])[1] if touching else ("not read", None)


def timeline_of(exchanges: Iterable[Exchange]) -> Timeline:
    """Return the words over time; a new moment begins where a request comes again.

    >>> span = Span(Table.HOLDING, 0, 1)
    >>> line = timeline_of(Exchange(at=at, unit=1, span=span, words=(at, 7)) for at in (0, 500_000))
    >>> line.count, line.at_s.tolist(), line.last_words(Span(Table.HOLDING, 0, 0))
    (2, [0.0, 0.5], (500000,))
    """
    sweeps: list[list[Exchange]] = []
    seen: set[Span] = set()
    for each in exchanges:
        if not sweeps or each.span in seen:
            sweeps.append([])
            seen = set()
        seen.add(each.span)
        sweeps[-1].append(each)
    return _filled(sweeps)


def moment_of(exchanges: Iterable[Exchange]) -> Timeline:
    """Return everything as one moment: what was read once, to look at it from all sides."""
    kept = list(exchanges)
    return _filled([kept] if kept else [])


def _filled(sweeps: Sequence[Sequence[Exchange]]) -> Timeline:
    kept = _thinned(sweeps)
    words: dict[tuple[Table, int], Words] = {}
    refused: dict[Span, tuple[str, int | None]] = {}
    for row, sweep in enumerate(kept):
        for each in sweep:
            if each.words is None:
                refused.setdefault(each.span, (each.fault, each.code))
                continue
            for place, word in enumerate(each.words):
                key = (each.span.table, each.span.first + place)
                if key not in words:
                    words[key] = np.full(len(kept), UNKNOWN, dtype=np.int64)
                words[key][row:] = word
    answered = {each.span for sweep in kept for each in sweep if each.words is not None}
    return Timeline([sweep[0].at for sweep in kept], words, {span: why for span, why in refused.items() if span not in answered})


def _thinned(sweeps: Sequence[Sequence[Exchange]]) -> list[Sequence[Exchange]]:
    """Return at most `MOST_MOMENTS` sweeps; requests that seldom come move on to the next one kept."""
    step = -(-len(sweeps) // MOST_MOMENTS) if sweeps else 1
    if step == 1:
        return list(sweeps)
    kept: list[Sequence[Exchange]] = []
    for first in range(0, len(sweeps), step):
        newest = {each.span: each for sweep in sweeps[first : first + step] for each in reversed(sweep)}
        kept.append(sorted(newest.values(), key=lambda each: each.at))
    return kept
