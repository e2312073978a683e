"""How far the ledger is from what really happened: the demo's plant of simulated starters read every 100 ms while a motor starts, its
registers decoded and folded as live ones are, and every start held against the simulator's own record."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from gateway.demo_history import write_history
from gateway.instants import HOUR, SECOND, seconds_between
from gateway.motors.facts import Method
from gateway.motors.reading import Reading
from gateway.motors.records import Outcome, Start
from gateway.services.track import Track
from gateway.site import load_site
from simulators.live import build_starters
from simulators.scenario import load_scenario
from simulators.truth import TrueStart
from tests.benchmarks.plant import BEGIN, DEMO

POLL_S = 0.1
LONG_S = 5.0
"""Of a shorter start half a poll is more than a percent of its duration: it is held against its own band only."""
SWITCHED = frozenset({Method.STAR_DELTA, Method.AUTOTRANSFORMER})
"""Their change-over peak is shorter than a poll and ends the start as the simulator counts it: the ledger says so by a wide band."""
MATCH_S = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Errors:
    """Over so many hours of the plant: true starts of motors that could be reached, the ledger's starts, and of those seen from begin to
    end the largest errors [%], those of switched starters left out; `banded` I2t figures of all starters were held against their own stated
    band, `outside_band` lie beyond it."""

    hours: float
    true: int
    counted: int
    compared: int
    duration_pct: float
    peak_pct: float
    i2t_pct: float
    banded: int
    outside_band: int


def truth(hours: float) -> Errors:
    """Run the demo's plant for some hours and compare."""
    site = load_site(DEMO / "site.yaml")
    simulated = build_starters(load_scenario(DEMO / "scenario.yaml"))
    tracks = {each.starter.name: Track(each.starter) for each in site.starters}
    found: dict[str, dict[int, Start]] = {name: {} for name in tracks}

    def keep(name: str, readings: Sequence[Reading]) -> None:
        found[name].update((start.number, start) for start in tracks[name].fold(readings).starts)

    write_history(keep, site, simulated, BEGIN, (0.0, hours * HOUR / SECOND), lambda seconds: None)
    pairs = [pair for name in tracks for pair in _pairs(simulated[name].true_starts, found[name])]
    switched = {name for name, track in tracks.items() if track.starter.device.method in SWITCHED}
    long = [(true, start) for true, start in pairs if true.duration_s >= LONG_S and true.starter not in switched]
    return Errors(
        hours=hours,
        true=sum(len(simulated[name].true_starts) for name in tracks),
        counted=sum(track.live().total_starts for track in tracks.values()),
        compared=len(long),
        duration_pct=max((_error_pct(start.duration_s, true.duration_s) for true, start in long), default=0.0),
        peak_pct=max((_error_pct(start.peak_current_a, true.peak_current_a) for true, start in long), default=0.0),
        i2t_pct=max((_error_pct(start.i2t_a2s, true.i2t_a2s) for true, start in long), default=0.0),
        banded=len(pairs),
        outside_band=sum(_error_pct(start.i2t_a2s, true.i2t_a2s) > (start.i2t_error_pct or 0.0) for true, start in pairs),
    )


def _pairs(true_starts: Sequence[TrueStart], found: Mapping[int, Start]) -> list[tuple[TrueStart, Start]]:
    """Return each true start that came to speed with the ledger's record of it, where it was seen."""
    pairs = []
    for true in true_starts:
        for start in found.values():
            near = abs(seconds_between(BEGIN, start.began_at) - true.began_s) < MATCH_S
            if near and true.outcome == "at_speed" and start.outcome is Outcome.AT_SPEED and start.i2t_a2s is not None:
                pairs.append((true, start))
    return pairs


def _error_pct(found: float | None, true: float) -> float:
    return 100.0 if found is None else 100 * abs(found / true - 1)
