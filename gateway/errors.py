"""The error tree.

    StartledgerError
    +-- InputError          the user's file, command or request is wrong: carries every problem found
    +-- StoreError          the store cannot be opened, read or written
    |   +-- NewerStoreError the database was made by a newer version
    +-- ServeError          a port is taken or an address cannot be bound

Bad data from a device is not an error: it is a value with a quality (`gateway.motors.reading`). A fault on a link is a value
too (`gateway.drivers.base.Fault`). Exceptions are for what the program cannot go on with.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One mistake in something the user wrote: where it is, what was found, what is allowed and what to do."""

    file: str
    line: int | None = None
    field: str = ""
    found: str = ""
    allowed: str = ""
    message: str

    def __str__(self) -> str:
        place = self.file if self.line is None else f"{self.file}:{self.line}"
        parts = [f"{place}: {self.field}: {self.message}" if self.field else f"{place}: {self.message}"]
        if self.found:
            parts.append(f"found {self.found}")
        if self.allowed:
            parts.append(f"allowed {self.allowed}")
        return "; ".join(parts)


class StartledgerError(Exception):
    """Base of every error the program raises on purpose; its text is fit to be shown to the user."""


class InputError(StartledgerError):
    """Something the user gave is wrong. Holds all problems at once, never only the first."""

    def __init__(self, problems: list[Problem]) -> None:
        if not problems:
            raise ValueError("an InputError needs at least one problem")
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in problems))


class StoreError(StartledgerError):
    """The store cannot be opened, read or written; the text says why and what to do."""


class NewerStoreError(StoreError):
    """The database was written by a newer version of the program and is left untouched."""


class ServeError(StartledgerError):
    """An address cannot be served: the port is taken or not permitted."""
