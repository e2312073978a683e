"""Kills a gateway at work, again and again, and tells what every restart found. Run as a program of its own, so that it may fork: the
child then has all libraries loaded already, and a kill costs a tenth of a second.

    python -m tests.services.killing FOLDER SEED KILLS READINGS

The child opens the store, recovers, and feeds the pipeline from the reading after the last stored one, telling through a pipe what is
committed. It is killed at a moment drawn from the seed, which may lie anywhere between the opening and the end. Prints one JSON object.
"""

from __future__ import annotations

import json
import os
import random
import signal
import struct
import sys
import time
from pathlib import Path

from sqlalchemy import func, select

from gateway.clock import RealClock
from gateway.motors.reading import Reading
from gateway.services.pipeline import Pipeline
from gateway.services.publication import Publication
from gateway.services.recovery import recover
from gateway.store import engines
from gateway.store.batch import Batch
from gateway.store.database import open_store
from gateway.store.readers import Readers
from gateway.store.tables import readings
from gateway.store.writer import Writer
from tests.services.feed import STARTERS, feed

LONGEST_LIFE_S = 0.16
FOUND, COMMITTED, REPLAYED = b"f", b"c", b"r"
_NEWS = struct.Struct("<cI")


class Telling:
    """Passes batches to the writer and knows how many readings of the feed each commit covers."""

    def __init__(self, folder: Path, news: int) -> None:
        self.store = open_store(f"sqlite:///{folder / 'ledger.db'}")
        with self.store.reading.begin() as connection:
            self.fed = connection.scalar(select(func.count()).select_from(readings)) or 0
        self._news = news
        self._fed_with: dict[int, int] = {}
        self.tell(FOUND, self.fed)
        self.writer = Writer(self.store, RealClock(), commit_interval_s=0.004, on_commit=self._committed)

    def tell(self, kind: bytes, count: int) -> None:
        os.write(self._news, _NEWS.pack(kind, count))

    def put(self, batch: Batch) -> int:
        self.fed += len(batch.readings)
        number = self.writer.put(batch)
        self._fed_with[number] = self.fed
        return number

    def wants_snapshot(self, starter: str) -> bool:
        return self.writer.wants_snapshot(starter)

    def _committed(self, number: int) -> None:
        if number in self._fed_with:
            self.tell(COMMITTED, self._fed_with[number])


def live(folder: Path, fed: list[tuple[str, Reading]], news: int, pause_s: float) -> None:
    """Go on from what is stored, to the end of the feed."""
    telling = Telling(folder, news)
    recovered = recover(STARTERS, Readers(telling.store), telling)
    telling.tell(REPLAYED, recovered.replayed)
    publication = Publication(track.live() for track in recovered.tracks.values())
    pipeline = Pipeline(recovered.tracks, telling, publication, RealClock())
    for place in range(telling.fed, len(fed)):
        name, reading = fed[place]
        pipeline.take_readings(name, (reading,))
        if place % 50 == 0:
            telling.writer.run_outside(engines.checkpoint)
        if pause_s:
            time.sleep(pause_s)
    telling.writer.close()
    telling.store.close()


def one_life(folder: Path, fed: list[tuple[str, Reading]], life_s: float | None) -> dict[str, int]:
    """Let one gateway live, for so long or to its end; return what it told: readings found, replayed, and committed last."""
    source, news = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(source)
        try:
            live(folder, fed, news, 0.0002 if life_s is not None else 0.0)
        finally:
            os._exit(0 if sys.exc_info()[0] is None else 1)
    os.close(news)
    if life_s is not None:
        time.sleep(life_s)
        os.kill(child, signal.SIGKILL)
    told = {"found": -1, "replayed": -1, "committed": -1}
    with os.fdopen(source, "rb") as pipe:
        for kind, count in _NEWS.iter_unpack(pipe.read()):
            told[{FOUND: "found", COMMITTED: "committed", REPLAYED: "replayed"}[kind]] = count
    _, status = os.waitpid(child, 0)
    told["signal"] = os.WTERMSIG(status) if os.WIFSIGNALED(status) else 0
    told["status"] = os.WEXITSTATUS(status) if os.WIFEXITED(status) else 0
    return told


def main() -> None:
    folder, seed, kills, count = Path(sys.argv[1]), *map(int, sys.argv[2:5])
    draw, fed = random.Random(seed), feed(count, seed)
    lives = [one_life(folder, fed, draw.uniform(0, LONGEST_LIFE_S)) for _ in range(kills)]
    lives.append(one_life(folder, fed, None))
    sys.stdout.write(json.dumps(lives))


if __name__ == "__main__":
    main()
