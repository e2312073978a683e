"""Durations and counts in plain words, for reasons and alert texts."""

from __future__ import annotations


def duration_words(duration_s: float) -> str:
    """Return a duration in the two largest units that matter, rounded up so that a wait is never said too short.

    >>> duration_words(622.2), duration_words(59.2), duration_words(3600), duration_words(7 * 3600 + 61), duration_words(-3)
    ('10 min 23 s', '60 s', '60 min', '7 h 2 min', '0 s')
    """
    whole_s = max(0, -int(-duration_s // 1))
    if whole_s <= 120:
        return f"{whole_s} s"
    if whole_s <= 7200:
        minutes, seconds = divmod(whole_s, 60)
        return f"{minutes} min {seconds} s" if seconds else f"{minutes} min"
    hours, minutes = divmod(-(-whole_s // 60), 60)
    return f"{hours} h {minutes} min" if minutes else f"{hours} h"


def counted(number: int, noun: str) -> str:
    """Return a count with its noun.

    >>> counted(1, "start"), counted(3, "start")
    ('1 start', '3 starts')
    """
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
