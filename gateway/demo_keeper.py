"""The keeping half of the demo's history: a second process folds and stores what the first simulates, so that two cores share the work."""

from __future__ import annotations

import contextlib
import multiprocessing
import signal
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from multiprocessing.connection import Connection
from pathlib import Path

from gateway.app import opened_core
from gateway.clock import RealClock
from gateway.errors import StartledgerError, StoreError
from gateway.instants import Instant
from gateway.motors.reading import Flaw, Reading, Scalar, TimeSource
from gateway.site import Site, load_site

Keep = Callable[[str, Sequence[Reading]], None]
Packed = tuple[Instant, dict[str, Scalar], dict[str, Flaw], TimeSource]

FLUSH_PORTIONS = 200
"""The writer is waited for so often, so that what waits for it stays bounded."""
END_S = 60.0


@contextlib.contextmanager
def history_keeper(site: Site) -> Iterator[Keep]:
    """Yield where readings of a starter go, in the order of their time; on leaving all of them are stored.

    StoreError when the store cannot be opened or written.
    """
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe()
    keeper = context.Process(target=_keep, args=(site.file, site.store_url, theirs), name="demo history", daemon=True)
    keeper.start()
    theirs.close()

    def keep(starter: str, readings: Sequence[Reading]) -> None:
        ours.send((starter, [_packed(reading) for reading in readings]))

    try:
        with contextlib.suppress(BrokenPipeError, ConnectionResetError):
            yield keep
            ours.send(None)
        _raise_what_went_wrong(ours)
    finally:
        # Broken off: the other side finds the pipe closed, stores what it has and ends.
        ours.close()
        keeper.join(END_S)


def _raise_what_went_wrong(ours: Connection) -> None:
    try:
        wrong = ours.recv()
    except (EOFError, OSError) as error:
        raise StoreError("the process that keeps the demo's history ended without a word; start the demo again") from error
    if wrong:
        raise StoreError(wrong)


def _packed(reading: Reading) -> Packed:
    return reading.at, dict(reading.values), dict(reading.flaws), reading.time_source


def _keep(site_file: Path, store_url: str, inbox: Connection) -> None:
    """Take readings until there are no more; tell in the end what went wrong, "" when nothing did."""
    # Ctrl-C ends the first process, and that ends this one in order.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    wrong = ""
    try:
        with opened_core(replace(load_site(site_file), store_url=store_url), RealClock()) as core:
            for number, (starter, packed) in enumerate(_received(inbox), 1):
                core.pipeline.take_readings(starter, [Reading(*each) for each in packed])
                if number % FLUSH_PORTIONS == 0:
                    core.writer.flush()
    except StartledgerError as error:
        wrong = str(error)
    with contextlib.suppress(OSError):
        inbox.send(wrong)


def _received(inbox: Connection) -> Iterator[tuple[str, list[Packed]]]:
    while True:
        try:
            portion = inbox.recv()
        except (EOFError, OSError):
            return
        if portion is None:
            return
        yield portion
