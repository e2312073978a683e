"""Days as people type them on the pages: year first, so that no day can be read in two ways; and said back in words."""

from __future__ import annotations

import re
from datetime import date

DAY_PATTERN = r"\d{4}-?\d{2}-?\d{2}"
"""What the fields of the pages take: 2026-03-12, or 20260312 from a keypad without a dash."""
DAY_HINT = "year first: 2026-03-12"
_DAY = re.compile(r"(\d{4})[-/. ]?(\d{1,2})[-/. ](\d{1,2})|(\d{4})(\d{2})(\d{2})")


def typed_day(text: str) -> date:
    """Return the day that was typed, year first; ValueError in words for everything else.

    >>> typed_day("2026-03-12") == typed_day("20260312") == typed_day("2026/3/12") == date(2026, 3, 12)
    True
    >>> typed_day("12/03/2026")
    Traceback (most recent call last):
        ...
    ValueError: 12/03/2026 is no day that can be read in one way only; give the year first, as 2026-03-12
    """
    found = _DAY.fullmatch(text.strip())
    if found is not None:
        year, month, day = (int(part) for part in found.groups() if part is not None)
        try:
            made = date(year, month, day)
        except ValueError as error:
            raise ValueError(f"{text} is not in the calendar; give a day as 2026-03-12") from error
        if not 1971 <= made.year <= 9998:
            raise ValueError(f"{text} lies outside every ledger")
        return made
    raise ValueError(f"{text} is no day that can be read in one way only; give the year first, as 2026-03-12")
