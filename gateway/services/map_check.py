"""A map in service held against what it brought in: the same rules as the bench's, over the readings that were stored.

The bench sees the words and can try other readings of them; here only the decoded values are left. So this finds what is odd and says why,
and sends who wants a remedy to the bench.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from gateway.bench.company import Company
from gateway.bench.corrections import Correction
from gateway.bench.exchange import on_wire
from gateway.bench.judge import Judgement, Trial, Verdict, all_findings
from gateway.bench.series import Series
from gateway.instants import SECOND, Instant
from gateway.registers.model import ModbusPlace, RegisterMap, Signal, WordType

Floats = npt.NDArray[np.float64]
Course = tuple[Sequence[Instant], Sequence[float | None]]
"""Instants and values of one signal, in the unit of its role; None where it was not usable."""
ORDER = (Verdict.WRONG, Verdict.SUSPICIOUS, Verdict.UNREADABLE, Verdict.PLAUSIBLE)


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedLine:
    """One signal of the map: where it is, how it is read, the range it had, and what is to be said of it."""

    signal: str
    address: str
    wire: str
    read_as: str
    shown: str
    verdict: Verdict
    hint: str


@dataclass(frozen=True, slots=True, kw_only=True)
class MapCheck:
    """A map against its readings. moments: how many there were; starts: begins of current among them, None when that cannot be told."""

    lines: tuple[CheckedLine, ...]
    moments: int
    starts: int | None

    def count(self, verdict: Verdict) -> int:
        """Return how many signals have a verdict."""
        return sum(1 for line in self.lines if line.verdict is verdict)


def check_map(register_map: RegisterMap, courses: Mapping[str, Course], flaws: Mapping[str, str], flc_a: float | None) -> MapCheck:
    """Return the verdict on every signal, those that need a look first.

    courses: by signal key, what was stored. flaws: by signal key, what is wrong with the latest value.
    """
    grid = _grid(courses)
    series = {signal.key: _series(signal, courses.get(signal.key), grid, flaws.get(signal.key, "")) for signal in register_map.signals}
    company = Company(series, flc_a)
    first = {key: all_findings(each, company) for key, each in series.items()}
    # A signal that is surely wrong must not speak against its neighbours.
    sound = {key: each for key, each in series.items() if not any(finding.is_proof for finding in first[key])}
    lines = []
    for signal in register_map.signals:
        own = series[signal.key]
        findings = all_findings(own, Company({**sound, signal.key: own}, flc_a))
        verdict = Judgement(as_written=Trial(correction=Correction(), series=own, findings=findings)).verdict
        hints = [finding.text for finding in sorted(findings, key=lambda finding: -finding.weight)]
        lines.append(_line(signal, own, verdict, hints[0] if hints else ""))
    lines.sort(key=lambda line: ORDER.index(line.verdict))
    return MapCheck(lines=tuple(lines), moments=len(grid), starts=company.starts_seen)


def _grid(courses: Mapping[str, Course]) -> npt.NDArray[np.int64]:
    """Return the moments of the signal that was usable most often: all others are looked at in those."""
    usable = [[moment for moment, value in zip(at, values, strict=True) if value is not None] for at, values in courses.values()]
    return np.asarray(max(usable, key=len, default=[]), np.int64)


def _series(signal: Signal, course: Course | None, grid: npt.NDArray[np.int64], flaw: str) -> Series:
    at_s: Floats = (grid - (grid[0] if len(grid) else 0)) / SECOND
    values = np.full(len(grid), math.nan)
    if course is not None and len(course[0]) and len(grid):
        known = [(moment, value) for moment, value in zip(*course, strict=True) if value is not None]
        at, own = np.array([moment for moment, _ in known], np.int64), np.array([value for _, value in known], np.float64)
        # A slow signal holds its value until the next reading of it.
        place = np.searchsorted(at, grid, side="right") - 1
        values = np.where(place >= 0, own[np.maximum(place, 0)], math.nan) if len(at) else values
    nothing = not bool(np.any(~np.isnan(values)))
    is_text = signal.type is WordType.TEXT
    unread = flaw if nothing and flaw else "" if is_text or not nothing else "nothing usable was stored in this time"
    scale = signal.scale * signal.to_role_unit
    raws: Floats = np.rint((values - signal.offset * signal.to_role_unit) / scale) if scale and signal.scale_from is None else values
    return Series(signal, at_s, values, raws, unread=unread, text="(text)" if is_text and not unread else None)


def _line(signal: Signal, series: Series, verdict: Verdict, hint: str) -> CheckedLine:
    place = signal.place
    modbus = isinstance(place, ModbusPlace)
    bit = f" bit {signal.bit}" if signal.bit is not None else ""
    return CheckedLine(
        signal=signal.name,
        address=place.written,
        wire=f"{on_wire(place.span)}{bit}" if isinstance(place, ModbusPlace) else "",
        read_as=_read_as(signal) if modbus else "OPC UA value",
        shown="" if series.unread else "text" if series.text is not None else series.range_shown(),
        verdict=verdict,
        hint=hint,
    )


def _read_as(signal: Signal) -> str:
    kind = "bit" if signal.type is None else signal.type.value
    scale = f", × {signal.scale:g}" if signal.scale != 1.0 else f", × 10^{signal.scale_from}" if signal.scale_from else ""
    return f"{kind}{scale}{f' {signal.unit}' if signal.unit else ''}"
