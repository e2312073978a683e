"""The writer's connection, with the numbers that go with it. Opened when needed, thrown away after any failure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import TypeVar

from sqlalchemy import Connection
from sqlalchemy.exc import DBAPIError

from gateway.errors import StoreError
from gateway.store import engines
from gateway.store.backlog import Waiting
from gateway.store.database import Store
from gateway.store.writing import Book

T = TypeVar("T")


class Session:
    """One connection for writing. Raises what the database raises, and StoreError when its file is gone; the caller then closes it
    and tries again later.

    A failure may strike after the database has made the commit. So the number that the last reading would have got is remembered, and the
    next connection looks whether it is there: nothing is appended twice.
    """

    def __init__(self, store: Store) -> None:
        self._store = store
        self._connection: Connection | None = None
        self._book: Book | None = None
        self._doubtful: tuple[int, int] | None = None
        self._stored_up_to = 0
        self._file: tuple[int, int] | None = None

    def write(self, waiting: Sequence[Waiting]) -> None:
        """Write batches in one transaction; return when they are committed."""
        connection, book = self._open()
        due = [entry for entry in waiting if entry.number > self._stored_up_to]
        if not due:
            return
        count = sum(len(entry.readings) for entry in due)
        if count:
            self._doubtful = (book.reading_id + count, due[-1].number)
        with connection.begin():
            book.write(connection, due)
        self._doubtful = None

    def run(self, job: Callable[[Connection], T]) -> T:
        """Run a job in a transaction."""
        connection, _ = self._open()
        with connection.begin():
            return job(connection)

    def run_outside(self, job: Callable[[Connection], T]) -> T:
        """Run a job between transactions."""
        connection, _ = self._open()
        return job(connection)

    def close(self) -> None:
        """Close the connection; the next write opens another."""
        if self._connection is not None:
            with suppress(DBAPIError):
                self._connection.close()
        self._connection = self._book = None

    def _open(self) -> tuple[Connection, Book]:
        file = engines.file_identity(self._store.url)
        if self._connection is not None and file != self._file:
            self.close()
        if self._connection is None or self._book is None:
            # SQLite would go on writing into a file that has no name any more, or make an empty one, and nobody would ever see it.
            if file is None:
                raise StoreError(f"{self._store.place} is gone: put it back, or start startledger again to begin a new one")
            self._file = file
            self._connection = self._store.writing.connect()
            with self._connection.begin():
                self._book = Book(self._connection)
            if self._doubtful is not None:
                last_id, last_number = self._doubtful
                if self._book.reading_id >= last_id:
                    self._stored_up_to = last_number
                self._doubtful = None
        return self._connection, self._book
