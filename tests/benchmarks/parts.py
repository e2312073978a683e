"""The parts of the table: each measures and returns its rows. quick: so short that the figures say little, but everything is run."""

from __future__ import annotations

import statistics
import tempfile
from collections.abc import Callable
from pathlib import Path

from tests.benchmarks.clients import Polling, polling
from tests.benchmarks.day_query import day_query
from tests.benchmarks.devices import devices
from tests.benchmarks.figures import Figure
from tests.benchmarks.replaying import replaying
from tests.benchmarks.request_counts import request_counts
from tests.benchmarks.storing import KEPT_DAYS, storing
from tests.benchmarks.truth import LONG_S, truth

STARTERS = 1000
COUNTS = (4000, 6000, 8000, 10_000)
LATE_S = 0.1
AIM_COUNT = 10_000


def requests(quick: bool) -> list[Figure]:
    """Requests per poll."""
    found = request_counts(20 if quick else 1000)
    return [
        Figure(
            what=f"requests a poll, {found.maps} maps together",
            figure=f"{found.planned}",
            baseline=f"{found.fewest} fewest possible ({found.one_each} signal by signal)",
            ratio=found.planned / found.fewest,
            aim="1",
            reached=found.planned == found.fewest,
        )
    ]


def poll(quick: bool) -> list[Figure]:
    """CPU time of a poll. The ways take turns, and of each the middle round counts: other programs on the machine disturb all alike."""
    count, seconds, rounds = (20, 1.0, 1) if quick else (STARTERS, 6.0, 3)
    taken: dict[str, list[float]] = {"gateway": [], "script": [], "bare": []}
    for _ in range(rounds):
        for kind, found in taken.items():
            with devices() as device:
                found.append(polling(kind, device.port, count, seconds).cpu_us)
    ours, script, bare = (statistics.median(taken[kind]) for kind in ("gateway", "script", "bare"))
    what, figure = f"CPU a poll of the whole way, {count} starters at 1 Hz", f"{ours:.0f} us"
    return [
        Figure(
            what=what,
            figure=figure,
            baseline=f"{script:.0f} us script, asyncio",
            ratio=ours / script,
            aim="<= 0.5",
            reached=ours <= 0.5 * script,
        ),
        Figure(
            what=what, figure=figure, baseline=f"{bare:.0f} us bare library, uvloop", ratio=ours / bare, aim="<= 1.0", reached=ours <= bare
        ),
    ]


def capacity(quick: bool) -> list[Figure]:
    """Starters on one core: more and more, until readings come late or are lost."""
    rows: list[tuple[int, Polling, float]] = []
    for count in (50,) if quick else COUNTS:
        with devices() as device:
            found = polling("gateway", device.port, count, 1.0 if quick else 10.0)
            rows.append((count, found, device.cpu_share))
        if found.late_p99_s > LATE_S or found.lost or found.polls < 0.98 * count * found.spent_s:
            break
    figures = []
    for count, found, share in rows:
        kept = found.late_p99_s <= LATE_S and not found.lost and found.polls >= 0.98 * count * found.spent_s
        figures.append(
            Figure(
                what=f"{count} starters x 20 values at 1 Hz on one core, stored",
                figure=f"late p50 {_ms(found.late_p50_s)}, p99 {_ms(found.late_p99_s)}; {found.polls / found.spent_s:.0f} polls/s",
                baseline=f"core {found.cpu_s / found.spent_s:.0%}, devices' {share:.0%}, {found.memory_mb:.0f} MB, {found.lost} lost",
                aim=f">= {AIM_COUNT}, p99 < 100 ms" if count == rows[-1][0] else "",
                reached=(kept and count >= AIM_COUNT) if count == rows[-1][0] else None,
            )
        )
    in_time = [(count, found) for count, found, _ in rows if found.late_p99_s <= LATE_S and not found.lost]
    if in_time:
        found = in_time[-1][1]
        what = f"the same computed from the {found.cpu_us:.0f} us of a poll at {in_time[-1][0]}"
        figures.append(Figure(what=what, figure=f"{1e6 / found.cpu_us:.0f} starters fill a core"))
    return figures


def _ms(duration_s: float) -> str:
    return f"{1000 * duration_s:.1f} ms"


def store(quick: bool) -> list[Figure]:
    """Bytes on disk and bytes written."""
    figures = []
    for copies in (1,) if quick else (1, 8):
        with tempfile.TemporaryDirectory() as folder:
            found = storing(Path(folder), 0.02 if quick else 1.2, copies)
        plant = f"the demo's plant, {found.motors} motors at 1 Hz"
        if found.chunks:
            kept = found.on_disk
            figures.append(
                Figure(
                    what=f"bytes on disk a sample after {KEPT_DAYS} days, {plant}",
                    figure=f"{kept:.2f} (raw {found.raw:.1f}, chunks {found.chunks:.3f}, starts {found.starts:.3f})",
                    baseline=f"{found.rows_kept:.0f} a row a sample",
                    ratio=kept / found.rows_kept,
                    aim="<= 2",
                    reached=kept <= 2,
                )
            )
        figures.append(
            Figure(
                what=f"bytes written a sample, {plant}",
                figure=f"{found.written:.0f} (readings {found.appended:.0f}, compaction {found.compacting:.0f})",
                baseline=f"{found.rows_written:.0f} a row a sample",
                ratio=found.written / found.rows_written,
                aim="<= 40",
                reached=found.written <= 40,
            )
        )
    return figures


def query(quick: bool) -> list[Figure]:
    """One day of one signal."""
    starters, days = (2, 1) if quick else (200, 3)
    with tempfile.TemporaryDirectory() as folder:
        found = day_query(Path(folder), starters, days)
    return [
        Figure(
            what=f"one day of one signal at 1 s to 1000 points, {starters} x 20 signals in {found.file_mb:.0f} MB",
            figure=f"{found.ours_ms:.1f} ms",
            baseline=f"{found.rows_ms:.0f} ms a row a sample",
            ratio=found.ours_ms / found.rows_ms,
            aim="<= 2 ms",
            reached=found.ours_ms <= 2,
        )
    ]


def replay(quick: bool) -> list[Figure]:
    """Readings a second."""
    found = replaying(0.1 if quick else 18.0)
    return [
        Figure(
            what=f"replay, {found.readings} readings with {found.starts} starts",
            figure=f"{found.per_s / 1000:.0f} 000 readings/s a core",
            baseline=f"{found.plain_per_s / 1000:.0f} 000/s of a loop that sums I2t",
            ratio=found.per_s / found.plain_per_s,
            aim=">= 200 000/s",
            reached=found.per_s >= 200_000,
        )
    ]


def errors(quick: bool) -> list[Figure]:
    """The ledger against the simulator's truth."""
    found = truth(6.5 if quick else 24.0)
    what = f"of {found.compared} starts of {LONG_S:g} s and more, polled at 100 ms"
    return [
        Figure(
            what=f"starts counted in {found.hours:g} h of the demo's plant",
            figure=f"{found.counted}",
            baseline=f"{found.true} true",
            ratio=found.counted / max(1, found.true),
            aim="exact",
            reached=found.counted == found.true,
        ),
        Figure(
            what=f"largest error of duration {what}", figure=f"{found.duration_pct:.2f} %", aim="<= 2 %", reached=found.duration_pct <= 2
        ),
        Figure(what=f"largest error of peak {what}", figure=f"{found.peak_pct:.2f} %", aim="<= 2 %", reached=found.peak_pct <= 2),
        Figure(what=f"largest error of I2t {what}", figure=f"{found.i2t_pct:.2f} %", aim="<= 5 %", reached=found.i2t_pct <= 5),
        Figure(
            what=f"I2t beyond its own stated band, of all {found.banded} starts",
            figure=f"{found.outside_band}",
            aim="0",
            reached=not found.outside_band,
        ),
    ]


PARTS: dict[str, Callable[[bool], list[Figure]]] = {
    "requests": requests,
    "truth": errors,
    "replay": replay,
    "query": query,
    "store": store,
    "poll": poll,
    "capacity": capacity,
}
