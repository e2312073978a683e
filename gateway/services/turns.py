"""Whose turn it is: the schedule of the starters behind one link. Pure: monotonic seconds come in as arguments.

Each starter has deadlines an interval apart. The next deadline is the previous one plus the interval; deadlines that passed while the
link was busy are counted and skipped, so that a delay is never followed by a burst. Among starters that are due the one that has waited
longest goes first, and a starter that was just read has its next deadline in the future: nobody starves. A starter whose start is under
way goes before the others, but not twice in a row while another waits: it gets its fast turns, they get at least every other one.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(slots=True)
class Turn:
    """One starter's place in the schedule: its next deadline, the next one at which its slow signals are read too, and the moment up to
    which a look at its watched signals is enough."""

    name: str
    due_s: float
    slow_due_s: float
    is_urgent: bool = False
    full_due_s: float = 0.0


class Turns:
    """The schedule of one link."""

    def __init__(self, turns: Iterable[Turn]) -> None:
        self._turns = list(turns)
        self._last_was_urgent = False

    def next(self, now_s: float) -> Turn:
        """Return whose turn is next; its deadline may lie in the future.

        >>> Turns([Turn("fan", 1.0, 1.0), Turn("pump", 0.5, 0.5)]).next(2.0).name
        'pump'
        """
        if len(self._turns) == 1:
            return self._turns[0]
        first = min(self._turns, key=_deadline)
        if first.due_s > now_s:
            return first
        due = [turn for turn in self._turns if turn.due_s <= now_s]
        favoured = [turn for turn in due if turn.is_urgent is not self._last_was_urgent]
        return min(favoured or due, key=_deadline)

    def done(self, turn: Turn, now_s: float, *, interval_s: float, is_urgent: bool) -> int:
        """Note that a turn was taken and set the next deadline; return how many deadlines were missed meanwhile.

        >>> turn = Turn("fan", 1.0, 1.0)
        >>> Turns([turn]).done(turn, 3.2, interval_s=1.0, is_urgent=False), turn.due_s
        (2, 4.0)
        """
        self._last_was_urgent = turn.is_urgent
        turn.is_urgent = is_urgent
        turn.due_s, missed = next_deadline(turn.due_s, now_s, interval_s)
        return missed


def next_deadline(previous_s: float, now_s: float, interval_s: float) -> tuple[float, int]:
    """Return the first deadline of a series that is not yet past, and how many were.

    >>> next_deadline(10.0, 10.3, 1.0)
    (11.0, 0)
    >>> next_deadline(10.0, 12.5, 1.0)
    (13.0, 2)
    """
    missed = max(0, int((now_s - previous_s) / interval_s))
    return previous_s + (missed + 1) * interval_s, missed


def phase(place: int) -> float:
    """Return where in its interval the starter at a place of the whole site has its first deadline, 0 to 1: multiples of the golden
    section lie evenly spread however many there are.

    >>> [round(phase(place), 2) for place in range(4)]
    [0.0, 0.62, 0.24, 0.85]
    """
    return place * 0.6180339887498949 % 1.0


def _deadline(turn: Turn) -> float:
    return turn.due_s
