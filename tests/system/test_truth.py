"""The simulator's physical truth against the ledger, over real sockets at 100 ms: count exact, duration and peak within 2 %, I2t inside its stated band
and within 5 %. Simulator and gateway share neither decoder nor figures, so that a shared mistake cannot cancel out."""

from __future__ import annotations

from pathlib import Path

import pytest

from gateway.motors.records import Outcome, Start
from simulators.truth import TrueStart
from tests.system.bench import DIRECT, SOFT, Place, running_bench

ONCE = "[{at: 2.5 s, do: start, run: 13 s}]"
TWICE = "[{at: 2.5 s, do: start, run: 5 s}, {at: 11 s, do: start}]"
PLACES = (
    Place(name="SOFT-M", map="ramp-pro-metered", method=SOFT, timetable=ONCE),
    Place(name="SOFT-B1", map="bridge-soft-start", method=SOFT, timetable=ONCE, address="bridge", unit=1),
    Place(name="SOFT-B2", map="bridge-soft-start", method=SOFT, timetable="[{at: 3.3 s, do: start}]", address="bridge", unit=2),
    Place(name="DOL-M", map="feeder-block", method=DIRECT, timetable=TWICE),
    Place(name="SOFT-U", map="softline-ua", method=SOFT, timetable=ONCE),
    Place(name="DOL-U", map="softline-ua", method=DIRECT, timetable=TWICE),
)
HEAD = f"{'starter':<9}{'figure':<10}{'truth':>10}{'ledger':>10}{'error %':>9}{'band %':>8}"


def _lines(name: str, true: TrueStart, start: Start) -> list[str]:
    rows = (
        ("s", true.duration_s, start.duration_s, None),
        ("peak A", true.peak_current_a, start.peak_current_a, None),
        ("I2t A2s", true.i2t_a2s, start.i2t_a2s, start.i2t_error_pct),
    )
    lines = []
    for figure, expected, found, band in rows:
        assert found is not None
        error = 100 * (found / expected - 1)
        lines.append(f"{name:<9}{figure:<10}{expected:>10.2f}{found:>10.2f}{error:>9.2f}{'' if band is None else f'{band:8.2f}'}")
    return lines


async def test_the_ledger_agrees_with_what_really_happened(tmp_path: Path) -> None:
    async with running_bench(tmp_path, *PLACES) as bench:
        expected = {"SOFT-M": 1, "SOFT-B1": 1, "SOFT-B2": 1, "DOL-M": 2, "SOFT-U": 1, "DOL-U": 2}
        await bench.until(lambda: all(bench.plant.live(name).total_starts >= count for name, count in expected.items()), 25)
        # The seconds after the end belong to the record: the current at speed.
        await bench.until(lambda: bench.simulated.now_s() > 18.0)
        pairs = []
        for name, count in expected.items():
            starts = _ledger(bench.plant.live(name).total_starts, bench.plant.starts(name))
            true = bench.true_starts(name)
            assert len(starts) == len(true) == count, name
            pairs += [(name, *pair) for pair in zip(true, starts, strict=True)]
    print("\n" + "\n".join([HEAD, *(line for name, true, start in pairs for line in _lines(name, true, start))]))  # noqa: T201
    for name, true, start in pairs:
        assert start.outcome is Outcome.AT_SPEED, name
        assert start.duration_s == pytest.approx(true.duration_s, rel=0.02), name
        assert start.peak_current_a == pytest.approx(true.peak_current_a, rel=0.02), name
        assert start.i2t_a2s is not None and start.i2t_error_pct is not None
        error_pct = 100 * abs(start.i2t_a2s / true.i2t_a2s - 1)
        assert error_pct <= start.i2t_error_pct, name
        assert error_pct <= 5, name


def _ledger(total: int, starts: list[Start]) -> list[Start]:
    assert len(starts) == total
    return sorted(starts, key=lambda start: start.number)
