"""What people write of a machine: how long it may be, and what is refused."""

from __future__ import annotations

from gateway.errors import InputError, Problem

MOST_TEXT = 200
MOST_BY = 60


def checked_text(text: str) -> str:
    """Return the text of a note in one line; InputError when it is empty or too long.

    >>> checked_text("  bearings greased,\\n belt tightened ")
    'bearings greased, belt tightened'
    """
    told = " ".join(text.split())
    if not told or len(told) > MOST_TEXT:
        allowed = f"1 to {MOST_TEXT} characters"
        raise InputError(
            [Problem(file="command line", field="text", found=f"{len(told)} characters", allowed=allowed, message="no such note")]
        )
    return told
