"""What really happened to a simulated motor: the record that tests hold the ledger against."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from pathlib import Path

from gateway.machine.drive import Tally


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueStart:
    """One start. Times in seconds from the scenario's begin.

    number: starts of this motor from 1. count: what the device's counter showed after it.
    duration_s: from the begin to the last fall of the line current through 1.25 x FLC; of a start that did not get there, to its end.
    at_speed_s: when the device said "at speed", None when it did not.
    peak_current_a, i2t_a2s: of the true line current within the duration, r.m.s., without the device's noise and rounding.
    outcome: at_speed, aborted or tripped; `trip` says why it tripped.
    """

    starter: str
    number: int
    count: int
    began_s: float
    ended_s: float
    duration_s: float
    at_speed_s: float | None
    outcome: str
    trip: str
    peak_current_a: float
    peak_ratio: float
    i2t_a2s: float
    i2t_flc2s: float
    winding_i2t_flc2s: float
    reachable: bool
    """False when the device could not be reached at any time of the start."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueStop:
    """One end of a run: `began_s` the stop command or trip, `ended_s` current off. kind: coast, soft_stop or trip."""

    starter: str
    began_s: float
    ended_s: float
    kind: str
    trip: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueEvent:
    """Something else that befell the device or its supply: a reset, a restart, a counter set, an open line. value: as ordered."""

    starter: str
    began_s: float
    what: str
    value: float


Truth = TrueStart | TrueStop
Record = Truth | TrueEvent
_KINDS: dict[type[Record], str] = {TrueStart: "start", TrueStop: "stop", TrueEvent: "event"}


def start_figures(tally: Tally, flc_a: float) -> dict[str, float]:
    """Return the figures of a start from the exact sums of the drive, by the names of `TrueStart`."""
    return {
        "duration_s": tally.elapsed_s,
        "peak_current_a": tally.peak_line_a,
        "peak_ratio": tally.peak_line_a / flc_a,
        "i2t_a2s": tally.line_i2t_a2s,
        "i2t_flc2s": tally.line_i2t_a2s / flc_a**2,
        "winding_i2t_flc2s": tally.winding_i2t_a2s / flc_a**2,
    }


def write_truth(path: Path, records: Iterable[Record]) -> int:
    """Write records as JSON lines, `kind_of_record` first in each; return how many."""
    written = 0
    with path.open("w", encoding="utf-8") as stream:
        for record in records:
            stream.write(json.dumps({"kind_of_record": _KINDS[type(record)], **asdict(record)}) + "\n")
            written += 1
    return written
