"""The verdict on each signal of a map, and the change to its line that would make it fit better."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

from gateway.bench.company import Company
from gateway.bench.consistency import findings_together
from gateway.bench.corrections import Correction, candidates
from gateway.bench.expectations import Finding, findings_alone
from gateway.bench.series import Series, SeriesReader
from gateway.registers.model import Signal

CLEARLY = 0.5
"""A change is named only when it explains this much more than it costs."""

_SILENCE = 0.35
"""Zeros fit nearly anything: without this a table of nothing but zeros would explain every record."""


class Verdict(StrEnum):
    """What the bench says about a signal."""

    PLAUSIBLE = "plausible"
    SUSPICIOUS = "suspicious"
    WRONG = "wrong"
    UNREADABLE = "unreadable"


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """A signal read with one change to its line, and what still does not fit then.

    beside: how much more than with the best of its rivals the other signals speak against each other.
    """

    correction: Correction
    series: Series
    findings: tuple[Finding, ...]
    beside: float = 0.0

    @property
    def score(self) -> float:
        """What speaks against this reading: its findings, how unlikely the mistake is, and that it may be nothing but zeros."""
        weight = float(sum(each.weight for each in self.findings))
        return weight + self.beside + self.correction.cost + (_SILENCE if self.series.is_silent else 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """A signal as the map has it, and the readings that fit clearly better, the best first."""

    as_written: Trial
    better: tuple[Trial, ...] = ()

    @property
    def signal(self) -> Signal:
        """The signal as the map has it."""
        return self.as_written.series.signal

    @property
    def verdict(self) -> Verdict:
        """What the findings come to."""
        if self.as_written.series.unread:
            return Verdict.UNREADABLE
        if any(each.is_proof for each in self.as_written.findings):
            return Verdict.WRONG
        weight = sum(each.weight for each in self.as_written.findings)
        return Verdict.SUSPICIOUS if weight >= 0.3 else Verdict.PLAUSIBLE


Reading = Callable[[Signal], Series]


class SignalReader(Protocol):
    """Whatever gives the series of a signal."""

    def of(self, signal: Signal, scale: Signal | None = None) -> Series:
        """Return the series; `scale` replaces the map's own scale signal."""
        ...


class Readings:
    """Series of signals out of one timeline, a scale in another register included."""

    def __init__(self, reader: SeriesReader, signals: Sequence[Signal]) -> None:
        self.reader = reader
        self._by_name = {signal.name: signal for signal in signals}

    def of(self, signal: Signal, scale: Signal | None = None) -> Series:
        """Return the series; `scale` replaces the map's own scale signal."""
        source = scale if scale is not None else self._by_name.get(signal.scale_from or "")
        return self.reader.of(signal, None if source is None else self.reader.of(source).raws)


def company_of(signals: Sequence[Signal], read: Reading, flc_a: float | None = None) -> Company:
    """Return the series of all signals as they are."""
    return Company({signal.key: read(signal) for signal in signals}, flc_a)


def all_findings(series: Series, company: Company) -> tuple[Finding, ...]:
    """Return what does not fit about a series, by itself and beside the others; of an unread one only that."""
    alone = findings_alone(series)
    return tuple(alone if series.unread else alone + findings_together(series, company))


def judge(signals: Sequence[Signal], read: Reading, flc_a: float | None = None) -> tuple[Judgement, ...]:
    """Return the verdict on every signal, each held against the others as the map has them.

    Readings that share their suspects are tried against the company without them: a wrong neighbour must not speak against a right one.
    """
    company = company_of(signals, read, flc_a)
    first = {signal.key: all_findings(company.by_key[signal.key], company) for signal in signals}
    sound = {key: series for key, series in company.by_key.items() if not _is_doubtful(first[key])}
    return tuple(_judged(signal, company, Company({**sound, signal.key: company.by_key[signal.key]}, flc_a), read) for signal in signals)


def _is_doubtful(findings: Sequence[Finding]) -> bool:
    return any(each.is_proof for each in findings)


def _judged(signal: Signal, company: Company, sound: Company, read: Reading) -> Judgement:
    written = company.by_key[signal.key]
    as_written = Trial(correction=Correction(), series=written, findings=all_findings(written, sound))
    if sum(each.weight for each in as_written.findings) < CLEARLY:
        return Judgement(as_written=as_written)
    better = [trial for trial in trials(signal, read, sound.by_key, sound.flc_a) if as_written.score - trial.score >= CLEARLY]
    return Judgement(as_written=as_written, better=tuple(sorted(better, key=lambda trial: trial.score)[:12]))


def trials(
    signal: Signal,
    read: Reading,
    others: Mapping[str, Series],
    flc_a: float | None,
    changes: Callable[[Signal], Iterable[Correction]] = candidates,
) -> list[Trial]:
    """Return every usual change to a signal that can be read, each with what speaks against it."""
    found = []
    for correction in changes(signal):
        changed = correction.applied(signal)
        if changed is None:
            continue
        series = read(changed)
        if series.unread:
            continue
        company = Company({**others, signal.key: series}, flc_a)
        found.append(Trial(correction=correction, series=series, findings=all_findings(series, company)))
    return found
