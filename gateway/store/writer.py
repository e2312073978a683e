"""The one thread that writes. What it is given waits in memory until the next commit, once a second; while the store cannot be written it
goes on waiting (bounded, see `backlog`), and is written when the store is well again, without a restart.

A batch is committed when its number is at or below `committed`: only then may anybody call it stored. After any failure the connection is
thrown away: a fault may have struck after the commit was made, so the new connection first looks which readings are there.
"""

from __future__ import annotations

import logging
import threading
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from typing import Any, TypeVar

from sqlalchemy import Connection
from sqlalchemy.exc import DBAPIError

from gateway.clock import Clock
from gateway.errors import StoreError
from gateway.instants import Instant
from gateway.store.backlog import Backlog, Waiting
from gateway.store.batch import Batch
from gateway.store.database import Store
from gateway.store.faults import StoreFault, StoreFaultKind, fault_of
from gateway.store.packing import Packer
from gateway.store.session import Session

log = logging.getLogger(__name__)

COMMIT_INTERVAL_S = 1.0
LONGEST_PAUSE_S = 5.0
LIMIT_BYTES = 64 * 1024 * 1024
"""Of packed readings that wait: about ten minutes of 500 starters, a day of ten."""

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class WriterState:
    """How the writer is doing; `fault` None while it stores."""

    fault: StoreFault | None
    queued_readings: int
    queued_bytes: int
    queued_records: int
    dropped_readings: int
    lost_batches: int
    commits: int
    last_commit_at: Instant | None


class Writer:
    """Writes batches to a store from a thread of its own. `put`, `flush`, `run`, `state` and `close` may be called from any thread."""

    def __init__(
        self,
        store: Store,
        clock: Clock,
        *,
        commit_interval_s: float = COMMIT_INTERVAL_S,
        limit_bytes: int = LIMIT_BYTES,
        on_commit: Callable[[int], None] | None = None,
    ) -> None:
        self._store = store
        self._clock = clock
        self._interval_s = commit_interval_s
        self._on_commit = on_commit
        self._session = Session(store)
        self._packers: dict[str, tuple[Packer, Batch]] = {}
        self._backlog = Backlog(limit_bytes)
        self._jobs: deque[tuple[Callable[[Connection], Any], bool, Future[Any]]] = deque()
        self._changed = threading.Condition()
        self._number = 0
        self._committed = 0
        self._attempts = 0
        self._is_writing = False
        self._hurry = False
        self._closing = False
        self._fault: StoreFault | None = None
        self._lost = 0
        self._commits = 0
        self._last_commit_at: Instant | None = None
        self._thread = threading.Thread(target=self._work, name="store writer", daemon=True)
        self._thread.start()

    @property
    def committed(self) -> int:
        """Return the number of the last batch that is stored for good (or was refused by the database for its content, and counted)."""
        return self._committed

    def put(self, batch: Batch) -> int:
        """Let a batch be written with the next commit; return its number. Never waits, never fails."""
        own = self._packers.get(batch.starter)
        if own is None:
            own = self._packers[batch.starter] = Packer(), Batch(batch.starter)
        packer, nothing_more = own
        # What is packed need not wait unpacked as well: that would be ten times the memory.
        rest = batch._replace(readings=()) if batch.records else nothing_more
        packed = [packer.pack(reading) for reading in batch.readings]
        size_bytes = sum([reading.size_bytes for reading in packed])
        with self._changed:
            self._number += 1
            self._backlog.add(Waiting(self._number, rest, packed, size_bytes, batch.snapshot))
            if batch.snapshot is not None:
                self._backlog.mend(batch.starter)
            return self._number

    def wants_snapshot(self, starter: str) -> bool:
        """Return whether readings of a starter were given up, so that only a new snapshot can carry its state over a restart."""
        return self._backlog.is_torn(starter)

    def flush(self, timeout_s: float = 30.0) -> bool:
        """Commit now and wait for it; return whether everything put before this call is stored."""
        with self._changed:
            wanted = self._number
            # An attempt that is under way may have begun without the latest: then the one after it tells.
            enough = self._attempts + (2 if self._is_writing else 1)
            self._hurry = True
            self._changed.notify_all()
            self._changed.wait_for(lambda: self._attempts >= enough or self._ended, timeout_s)
            return self._committed >= wanted

    def run(self, job: Callable[[Connection], T]) -> Future[T]:
        """Run a job in a transaction of the writer's own, after the next commit; the future brings its result or its error."""
        return self._submit(job, in_transaction=True)

    def run_outside(self, job: Callable[[Connection], T]) -> Future[T]:
        """Run a job on the writer's connection between transactions."""
        return self._submit(job, in_transaction=False)

    def state(self) -> WriterState:
        """Return how the writer is doing."""
        with self._changed:
            return WriterState(
                fault=self._fault,
                queued_readings=self._backlog.readings,
                queued_bytes=self._backlog.bytes,
                queued_records=self._backlog.records,
                dropped_readings=self._backlog.dropped,
                lost_batches=self._lost,
                commits=self._commits,
                last_commit_at=self._last_commit_at,
            )

    def close(self, timeout_s: float = 10.0) -> bool:
        """Commit what waits, end the thread, close the connection; return whether everything is stored. A second call does nothing."""
        with self._changed:
            self._closing = True
            self._changed.notify_all()
        self._thread.join(timeout_s)
        return self._ended and self._committed >= self._number

    @property
    def _ended(self) -> bool:
        return not self._thread.is_alive()

    def _submit(self, job: Callable[[Connection], T], *, in_transaction: bool) -> Future[T]:
        future: Future[T] = Future()
        with self._changed:
            if self._closing:
                future.cancel()
                return future
            self._jobs.append((job, in_transaction, future))
            self._hurry = True
            self._changed.notify_all()
        return future

    def _work(self) -> None:
        pause_s = self._interval_s
        closing = False
        while not closing:
            with self._changed:
                self._changed.wait_for(lambda: self._hurry or self._closing, pause_s)
                self._hurry = False
                closing = self._closing
            fault = self._write_waiting()
            self._note(fault)
            self._run_jobs()
            pause_s = self._interval_s if fault is None else min(LONGEST_PAUSE_S, pause_s * 2)
        self._session.close()

    def _write_waiting(self) -> StoreFault | None:
        """Write everything that waits; return why it could not be written."""
        with self._changed:
            taken = self._backlog.take()
            self._is_writing = True
        fault = self._attempt(taken)
        if fault is not None and not fault.may_pass:
            # One record spoils the transaction: each batch gets its own, so that the others are stored and only the spoiled one is lost.
            while taken and (fault is None or not fault.may_pass):
                fault = self._attempt(taken[:1])
                if fault is None or not fault.may_pass:
                    self._lost += fault is not None
                    taken = taken[1:]
        if fault is not None and fault.may_pass:
            with self._changed:
                self._backlog.give_back(taken)
            return fault
        return None

    def _attempt(self, waiting: Sequence[Waiting]) -> StoreFault | None:
        try:
            self._session.write(waiting)
        except DBAPIError as error:
            fault = fault_of(error, self._store.url)
        except StoreError as error:
            fault = StoreFault(StoreFaultKind.CANNOT_OPEN, str(error))
        except Exception as error:  # the thread must outlive a record that cannot be turned into a row, or nothing is ever stored again
            log.exception("a record cannot be stored")
            fault = StoreFault(StoreFaultKind.REFUSED, f"{self._store.place} cannot take a record: {error!r}")
        else:
            self._note_commit(waiting)
            return None
        self._session.close()
        if not fault.may_pass:
            log.error("%s", fault.text)
        return fault

    def _note_commit(self, waiting: Sequence[Waiting]) -> None:
        if not waiting:
            return
        with self._changed:
            self._committed = waiting[-1].number
            self._commits += 1
            self._last_commit_at = self._clock.now()
        if self._on_commit is not None:
            self._on_commit(self._committed)

    def _note(self, fault: StoreFault | None) -> None:
        before = self._fault
        if fault is not None and (before is None or before.kind is not fault.kind):
            log.error("not storing: %s", fault.text)
        elif fault is None and before is not None:
            log.warning("storing again")
        with self._changed:
            self._fault = fault
            self._is_writing = False
            self._attempts += 1
            self._changed.notify_all()

    def _run_jobs(self) -> None:
        while True:
            with self._changed:
                if not self._jobs:
                    return
                job, in_transaction, future = self._jobs.popleft()
            if not future.set_running_or_notify_cancel():
                continue
            try:
                future.set_result(self._session.run(job) if in_transaction else self._session.run_outside(job))
            except Exception as error:  # whatever a job raises belongs to the one who waits for it, not to this thread
                self._session.close()
                future.set_exception(error)
