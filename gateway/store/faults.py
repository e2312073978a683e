"""What a database's errors mean, in plain words with what to do: the one place where they are translated."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from sqlalchemy.engine import URL
from sqlalchemy.exc import DBAPIError

from gateway.store.engines import file_of


class StoreFaultKind(StrEnum):
    """Classes of faults of a store."""

    FULL = "full"
    READ_ONLY = "read_only"
    LOCKED = "locked"
    CANNOT_OPEN = "cannot_open"
    NOT_A_DATABASE = "not_a_database"
    DAMAGED = "damaged"
    IO = "io"
    REFUSED = "refused"
    """The database refuses what is written for its content: waiting does not help."""
    OTHER = "other"


@dataclass(frozen=True, slots=True)
class StoreFault:
    """One fault of the store: its class, and words fit to be shown."""

    kind: StoreFaultKind
    text: str

    @property
    def may_pass(self) -> bool:
        """True when the same write can succeed later."""
        return self.kind is not StoreFaultKind.REFUSED


# SQLite's primary result codes (sqlite.org/rescode.html); extended ones carry them in the low byte.
_SQLITE_KINDS = {
    5: StoreFaultKind.LOCKED,
    6: StoreFaultKind.LOCKED,
    8: StoreFaultKind.READ_ONLY,
    10: StoreFaultKind.IO,
    11: StoreFaultKind.DAMAGED,
    13: StoreFaultKind.FULL,
    14: StoreFaultKind.CANNOT_OPEN,
    18: StoreFaultKind.REFUSED,
    19: StoreFaultKind.REFUSED,
    20: StoreFaultKind.REFUSED,
    25: StoreFaultKind.REFUSED,
    26: StoreFaultKind.NOT_A_DATABASE,
}

_TEXTS = {
    StoreFaultKind.FULL: (
        "the disk is full: free some space on the disk of {place}, and storing goes on by itself; "
        "a shorter keep_readings in the site file keeps it from filling again"
    ),
    StoreFaultKind.READ_ONLY: "{place} cannot be written: give the user that runs startledger the right to write the file and its folder",
    StoreFaultKind.LOCKED: "{place} is locked by another program: end the program that has it open for writing",
    StoreFaultKind.CANNOT_OPEN: (
        "{place} cannot be opened or made: see that its folder exists and may be written by the user that runs startledger"
    ),
    StoreFaultKind.NOT_A_DATABASE: (
        "{place} is not a startledger database; it was left untouched. Name another file in the site file, or move this one away"
    ),
    StoreFaultKind.DAMAGED: (
        "{place} is damaged; it was left untouched. Move it and its -wal file away and restore a backup, or begin with a new file"
    ),
    StoreFaultKind.IO: "{place} cannot be read or written: the disk reports a fault",
    StoreFaultKind.REFUSED: "{place} refuses a record",
    StoreFaultKind.OTHER: "{place} reports a fault",
}


def fault_of(error: DBAPIError, url: URL) -> StoreFault:
    """Return what a database error means."""
    kind = _kind_of(error)
    return StoreFault(kind, f"{_TEXTS[kind].format(place=place_of(url))} (the database says: {error.orig})")


def place_of(url: URL) -> str:
    """Return how a store is named to people: its file, or its address without the password."""
    path = file_of(url)
    return str(path) if path else url.render_as_string(hide_password=True)


def _kind_of(error: DBAPIError) -> StoreFaultKind:
    code = getattr(error.orig, "sqlite_errorcode", None)
    if code is not None:
        return _SQLITE_KINDS.get(code & 0xFF, StoreFaultKind.OTHER)
    if isinstance(error.orig, OverflowError):
        return StoreFaultKind.REFUSED
    state = getattr(error.orig, "sqlstate", None)
    return StoreFaultKind.OTHER if state is None else _postgres_kind(state)


def _postgres_kind(state: str) -> StoreFaultKind:
    # PostgreSQL error classes (documentation, appendix A): 53100 disk full, 25006 read only, 22 and 23 data and integrity.
    if state == "53100":
        return StoreFaultKind.FULL
    if state == "25006":
        return StoreFaultKind.READ_ONLY
    return StoreFaultKind.REFUSED if state[:2] in ("22", "23") else StoreFaultKind.OTHER
