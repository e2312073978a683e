"""The mistakes found in one file, gathered so that the user sees all of them at once."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

from gateway.errors import Problem

MOST_PROBLEMS = 200
"""A file that is wrong throughout is not listed to the end; a line says so."""

_LONGEST_TEXT = 120


class Findings:
    """Problems of one file in the order they were found; the same mistake on the same line counts once."""

    def __init__(self, file: str) -> None:
        self.file = file
        self._problems: dict[tuple[int | None, str, str], Problem] = {}
        self._left_out = 0

    def add(self, *, line: int | None, message: str, field: str = "", found: str = "", allowed: str = "") -> None:
        """Note one mistake."""
        key = (line, message, found)
        if key in self._problems:
            return
        if len(self._problems) >= MOST_PROBLEMS:
            self._left_out += 1
            return
        self._problems[key] = Problem(
            file=self.file, line=line, field=field, found=_shown(found), allowed=allowed, message=_shown(message, 4 * _LONGEST_TEXT)
        )

    @property
    def problems(self) -> list[Problem]:
        """Every problem by line, and at the end how many more there were."""
        found = sorted(self._problems.values(), key=lambda problem: problem.line or 0)
        if self._left_out:
            found.append(Problem(file=self.file, message=f"{self._left_out} more problems are not listed: correct these first"))
        return found

    def __bool__(self) -> bool:
        return bool(self._problems)


def nearest(name: str, known: Iterable[str]) -> str:
    """Return "did you mean `x`?" for the known name that is most like `name`, "" when none is.

    >>> nearest("tpye", ["type", "unit"])
    'did you mean `type`?'
    """
    by_lower = {each.lower(): each for each in known}
    matches = difflib.get_close_matches(name[:_LONGEST_TEXT].lower(), by_lower, n=1, cutoff=0.6)
    return f"did you mean `{by_lower[matches[0]]}`?" if matches else ""


def _shown(text: str, longest: int = _LONGEST_TEXT) -> str:
    """Return a user's text fit for one line of print: no control characters, not endless."""
    plain = "".join(letter if letter.isprintable() else " " for letter in text)
    return plain if len(plain) <= longest else plain[: longest - 3] + "..."
