"""The ledger: starts in order, seen and unseen, reconciled with the device's own counter.

The counter and the recogniser tell of the same starts at different moments: a device counts at the command, at the begin or at speed, and
the counter may be read seldom. So they are matched by time, not reading by reading.
  * A recognised start waits to be counted: it may be the one that the counter rose for between two of its readings when the start, LEAD_S
    before and LAG_S after, touches the time between them. The oldest such start is taken first.
  * A rise that no recognised start accounts for waits LEAD_S for a start that the device counted early, after a gap too; a start that
    begins is taken off the rise nearest to it in time. Then each is
    entered as *unseen*, within the time between the two counter readings, and charged by the caller. Until then `pending` tells limits of
    it.
  * A start that the device never counts (it counts at speed only, and this one was cut off) stops waiting when its time is over; it stays
    in the ledger.
  * After a gap without a counter nothing tells what happened: the time is kept as unexplained. With a counter it is unexplained until the
    next value.

Totals: with a counter that counts every start, seen + unseen is the number of starts since the first reading, whatever was missed, or a
`CounterReset` says that it may not be.
"""

from __future__ import annotations

from bisect import bisect_right, insort
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from gateway.instants import HOUR, SECOND, Instant
from gateway.motors.counter import Counted, Counter
from gateway.motors.history import StartMark
from gateway.motors.reading import Quality
from gateway.motors.records import CounterReset, Event, Outcome, Start, UnseenStarts

LEAD_S = 15
"""A device may count a start so long before its current flows (delay and warning times); own choice."""
LAG_S = 15
"""A device may count a start so long after its end; own choice."""
KEEP: Instant = 25 * HOUR
"""Marks and unexplained times are kept for so long: the rolling hour and a day's rules need no more."""
LEARN_FROM = 10
COUNTED = "counted by the starter, not seen"


@dataclass(slots=True)
class Entry:
    """One start of the last 25 h as limits see it."""

    number: int
    mark: StartMark


@dataclass(slots=True)
class Waiting:
    """A recognised start that the device has not counted yet; `until_at` None while it is under way."""

    number: int
    from_at: Instant
    until_at: Instant | None


@dataclass(slots=True)
class Excess:
    """Counted starts that were not recognised yet, and until when they wait for it."""

    starts: int
    from_at: Instant
    to_at: Instant
    until_at: Instant


@dataclass(slots=True)
class Ledger:
    """Numbers, marks and the reconciliation of one starter. `learned` holds marks of the last good starts, oldest first."""

    total: int = 0
    unseen: int = 0
    counter: Counter = field(default_factory=Counter)
    entries: list[Entry] = field(default_factory=list)
    waiting: list[Waiting] = field(default_factory=list)
    excess: list[Excess] = field(default_factory=list)
    unexplained: list[tuple[Instant, Instant]] = field(default_factory=list)
    open_gaps: list[tuple[Instant, Instant]] = field(default_factory=list)
    learned: list[StartMark] = field(default_factory=list)

    def begin(self, at: Instant) -> int:
        """Enter a start that begins; return its number."""
        self.total += 1
        insort(self.entries, Entry(self.total, _mark(at, at, Outcome.AT_SPEED)), key=_began_at)
        if not self._taken_from_excess(at, at):
            self.waiting.append(Waiting(self.total, at, None))
        return self.total

    def end(self, start: Start) -> None:
        """Enter what is known of a start now; called again when it is known better."""
        mark = StartMark(
            began_at=start.began_at,
            ended_at=start.ended_at,
            outcome=start.outcome,
            duration_s=start.duration_s,
            peak_ratio=start.peak_ratio,
            winding_i2t_flc2s=start.winding_i2t_flc2s,
        )
        old = self._remove(start.number)
        insort(self.entries, Entry(start.number, mark), key=_began_at)
        for waiting in self.waiting:
            if waiting.number == start.number:
                waiting.until_at = start.ended_at
        if old in self.learned:
            self.learned.remove(old)
        if start.outcome is Outcome.AT_SPEED and start.quality is Quality.GOOD and start.winding_i2t_flc2s is not None:
            self.learned = [*self.learned, mark][-LEARN_FROM:]

    def miss(self, from_at: Instant, to_at: Instant) -> Start:
        """Enter a start that the state of the motor before and after a gap proves; return it."""
        start = self._enter(from_at, to_at, "the motor was off before readings were missing and at speed after")
        if not self._taken_from_excess(from_at, to_at):
            self.waiting.append(Waiting(start.number, from_at, to_at))
        return start

    def gap(self, from_at: Instant, to_at: Instant) -> None:
        """Note that no reading came between two instants."""
        (self.unexplained if self.counter.value is None else self.open_gaps).append((from_at, to_at))

    def count(self, value: int, at: Instant, wraps_at: int | None) -> tuple[Event, ...]:
        """Fold one value of the device's counter; return a reset as an event."""
        counted = self.counter.take(value, at, wraps_at)
        events: tuple[Event, ...] = ()
        if counted is not None:
            if counted.reset is not None:
                events = (CounterReset(at=at, before=counted.before, after=counted.after, reason=counted.reset),)
                self.unexplained.append((counted.from_at, at))
            self._reconcile(counted)
        if self.counter.doubted is None:
            self.open_gaps.clear()
            self.waiting = [w for w in self.waiting if w.until_at is None or w.until_at + LAG_S * SECOND >= at]
        return events

    def due_at(self) -> Instant | None:
        """Return the instant after which `settle` has something to enter, None when nothing waits."""
        return min((excess.until_at for excess in self.excess), default=None)

    def settle(self, at: Instant) -> UnseenStarts | None:
        """Enter as unseen every counted start that has waited long enough; return them."""
        ripe = [excess for excess in self.excess if excess.until_at < at]
        if not ripe:
            return None
        self.excess = [excess for excess in self.excess if excess.until_at >= at]
        starts = tuple(self._enter(excess.from_at, excess.to_at, COUNTED) for excess in ripe for _ in range(excess.starts))
        return UnseenStarts(at=at, starts=starts)

    def pending(self) -> tuple[Start, ...]:
        """Return counted starts that still wait to be recognised, as they will be entered if none is: no limit may miss them."""
        spans = [(excess.from_at, excess.to_at) for excess in self.excess for _ in range(excess.starts)]
        return tuple(_unseen(self.total + 1 + place, *span, COUNTED) for place, span in enumerate(spans))

    def since(self, at: Instant) -> Sequence[Entry]:
        """Return the entries that began after `at`."""
        return self.entries[bisect_right(self.entries, at, key=_began_at) :]

    def forget(self, at: Instant) -> None:
        """Drop what is older than limits look."""
        oldest = at - KEEP
        if self.entries and _began_at(self.entries[0]) < oldest:
            self.entries = [entry for entry in self.entries if entry.mark.ended_at >= oldest]
        if self.unexplained and self.unexplained[0][1] < oldest:
            self.unexplained = [span for span in self.unexplained if span[1] >= oldest]

    def shift(self, by_us: int) -> None:
        """Move every instant, after the wall clock was set."""
        self.counter.shift(by_us)
        self.entries = [Entry(entry.number, _shifted(entry.mark, by_us)) for entry in self.entries]
        self.learned = [_shifted(mark, by_us) for mark in self.learned]
        self.unexplained = [(from_at + by_us, to_at + by_us) for from_at, to_at in self.unexplained]
        self.open_gaps = [(from_at + by_us, to_at + by_us) for from_at, to_at in self.open_gaps]
        self.waiting = [Waiting(w.number, w.from_at + by_us, None if w.until_at is None else w.until_at + by_us) for w in self.waiting]
        self.excess = [Excess(e.starts, e.from_at + by_us, e.to_at + by_us, e.until_at + by_us) for e in self.excess]

    def _reconcile(self, counted: Counted) -> None:
        left = counted.starts
        for waiting in tuple(self.waiting):
            early_enough = waiting.from_at - LEAD_S * SECOND <= counted.to_at
            late_enough = waiting.until_at is None or waiting.until_at + LAG_S * SECOND >= counted.from_at
            if left and early_enough and late_enough:
                self.waiting.remove(waiting)
                left -= 1
        if left:
            self.excess.append(Excess(left, counted.from_at, counted.to_at, counted.to_at + LEAD_S * SECOND))

    def _taken_from_excess(self, from_at: Instant, to_at: Instant) -> bool:
        """Take a start off the rise nearest to it in time: what was missed in a gap is not explained by a start seen after it."""
        if not self.excess:
            return False
        nearest = min(self.excess, key=lambda excess: max(0, excess.from_at - to_at, from_at - excess.to_at))
        nearest.starts -= 1
        if not nearest.starts:
            self.excess.remove(nearest)
        return True

    def _enter(self, from_at: Instant, to_at: Instant, remark: str) -> Start:
        self.total += 1
        self.unseen += 1
        # Placed as late as it can have been, so that it counts for as long as it can.
        insort(self.entries, Entry(self.total, unseen_mark(to_at)), key=_began_at)
        return _unseen(self.total, from_at, to_at, remark)

    def _remove(self, number: int) -> StartMark | None:
        places = range(len(self.entries) - 1, -1, -1)
        place = next((place for place in places if self.entries[place].number == number), None)
        return None if place is None else self.entries.pop(place).mark


def _began_at(entry: Entry) -> Instant:
    return entry.mark.began_at


def unseen_mark(at: Instant) -> StartMark:
    """Return the mark of an unseen start that was made at `at` at the latest."""
    return _mark(at, at, Outcome.UNSEEN)


def _unseen(number: int, from_at: Instant, to_at: Instant, remark: str) -> Start:
    return Start(number=number, began_at=from_at, ended_at=to_at, outcome=Outcome.UNSEEN, quality=Quality.UNCERTAIN, remark=remark)


def _mark(began_at: Instant, ended_at: Instant, outcome: Outcome) -> StartMark:
    return StartMark(began_at=began_at, ended_at=ended_at, outcome=outcome)


def _shifted(mark: StartMark, by_us: int) -> StartMark:
    return replace(mark, began_at=mark.began_at + by_us, ended_at=mark.ended_at + by_us)
