"""The bench over the words that the gateway's own polls brought: the same verdicts as at the command line, without a request of its own."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from gateway.bench.exchange import Exchange, fault_counts
from gateway.bench.judge import Readings, Verdict, company_of
from gateway.bench.propose import Proposals, propose
from gateway.bench.series import SeriesReader
from gateway.bench.start_checks import StartCheck, start_checks
from gateway.bench.timeline import moment_of, timeline_of
from gateway.bench.verify import Verification, VerifyLine, verified_lines
from gateway.bench.verify_opcua import opcua_lines
from gateway.instants import Instant
from gateway.registers.model import ModbusPlace, Protocol, RegisterMap, Span, Table
from gateway.registers.raw_block import RawBlock, size_of, words_in
from gateway.services.kept_words import RawView, Sweep

_BADNESS = {Verdict.PLAUSIBLE: 0, Verdict.SUSPICIOUS: 1, Verdict.UNREADABLE: 2, Verdict.WRONG: 3}


@dataclass(frozen=True, slots=True, kw_only=True)
class StartJudgement:
    """What the words of a kept start say of a map: a line of each signal by name, the checks of its course, and when it began."""

    at: Instant
    lines: Mapping[str, VerifyLine]
    checks: tuple[StartCheck, ...]


def exchanges_now(view: RawView, unit: int) -> list[Exchange]:
    """Return the newest end of every request, oldest first."""
    return [_exchange(each, unit) for each in view.latest]


def exchanges_of_start(view: RawView, unit: int) -> list[Exchange]:
    """Return what the requests brought through the kept start, what stood before it first; nothing when none is kept."""
    if not view.start:
        return []
    since = view.start[0][0]
    before = [_exchange(each, unit) for each in view.before_start if each.at <= since]
    return before + exchanges_of(view, view.start, unit)


def exchanges_of_minutes(view: RawView, unit: int) -> list[Exchange]:
    """Return what the requests brought in the last minutes."""
    return exchanges_of(view, view.sweeps, unit)


def exchanges_of(view: RawView, sweeps: Sequence[Sweep], unit: int) -> list[Exchange]:
    """Return kept sweeps as the exchanges that they were."""
    sizes = [tuple((block, size_of(block)) for block in layout) for layout in view.layouts]
    found = []
    for at, layout, data in sweeps:
        first = 0
        for block, size in sizes[layout]:
            found.append(Exchange(at=at, unit=unit, span=block.span, words=words_in(block, data[first : first + size])))
            first += size
    return found


def _exchange(raw: RawBlock, unit: int) -> Exchange:
    kind = "exception" if raw.code is not None else "no_answer" if raw.fault else ""
    return Exchange(at=raw.at, unit=unit, span=raw.block.span, words=raw.words, fault=raw.fault, fault_kind=kind, code=raw.code)


def words_now(view: RawView) -> dict[tuple[Table, int], int]:
    """Return the newest word of every address that the polls read."""
    words: dict[tuple[Table, int], int] = {}
    for raw in view.latest:
        span = raw.block.span
        for place, word in enumerate(raw.words or ()):
            words[span.table, span.first + place] = word
    return words


def spans_read(view: RawView) -> list[Span]:
    """Return the addresses that the polls read, as runs without a break, by table and address."""
    runs: list[Span] = []
    for table, address in sorted(words_now(view), key=lambda place: (place[0].function_code, place[1])):
        if runs and runs[-1].table is table and runs[-1].last + 1 == address:
            runs[-1] = Span(table, runs[-1].first, address)
        else:
            runs.append(Span(table, address, address))
    return runs


def verified_now(
    register_map: RegisterMap, view: RawView, device: str, unit: int, flc_a: float | None, flaws: Mapping[str, str]
) -> Verification:
    """Return the verdict on every signal from the newest words, as `bench verify` gives it.

    flaws: why a signal has no value now, by key; asked for nodes only, whose words do not tell.
    """
    if register_map.protocol is Protocol.OPCUA:
        missing = {key: text for key, text in flaws.items() if view.nodes is None or key not in view.nodes}
        now = [] if view.nodes is None else [(view.at or 0, view.nodes)]
        lines = opcua_lines(register_map, now, missing, flc_a)
        return Verification(map_name=register_map.name, device=device, lines=lines, requests=0, faults={})
    exchanges = exchanges_now(view, unit)
    lines = verified_lines(register_map, moment_of(exchanges), flc_a)
    return Verification(map_name=register_map.name, device=device, lines=lines, requests=len(exchanges), faults=fault_counts(exchanges))


def judged_start(register_map: RegisterMap, view: RawView, unit: int, flc_a: float | None) -> StartJudgement | None:
    """Return what the kept start says of a map, as `bench verify --watch` would; None when none is kept."""
    if view.start_at is None or register_map.protocol is not Protocol.MODBUS:
        return None
    line = timeline_of(exchanges_of_start(view, unit))
    lines = verified_lines(register_map, line, flc_a)
    signals = [signal for signal in register_map.signals if isinstance(signal.place, ModbusPlace)]
    checks = start_checks(company_of(signals, Readings(SeriesReader(line), signals).of, flc_a))
    return StartJudgement(at=view.start_at, lines={each.signal: each for each in lines}, checks=checks)


def is_worse(one: VerifyLine, other: VerifyLine) -> bool:
    """Return whether one verdict is worse than the other."""
    return _BADNESS[one.verdict] > _BADNESS[other.verdict]


def badness(verdict: Verdict) -> int:
    """Return the place of a verdict, the worst the highest."""
    return _BADNESS[verdict]


def proposed(register_map: RegisterMap, exchanges: Sequence[Exchange], flc_a: float | None) -> Proposals:
    """Return the corrections that the words propose, as `bench propose` does. Takes seconds: never in the event loop."""
    return propose(register_map, timeline_of(exchanges), flc_a)
