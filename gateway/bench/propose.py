"""From a recorded start to the changes that make a map physically consistent, ranked, with reasons.

Mistakes of the whole map (counting from 0 or 1, word order, table) explain many wrong signals at once and are tried first; what is left is
tried line by line, each line against the others as they are read by then. The score of a reading is the weight of what does not fit
plus the cost of the change, so that the fewest and most usual mistakes win.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from gateway.bench.consistency import Company
from gateway.bench.corrections import Correction
from gateway.bench.judge import CLEARLY, Readings, Trial, all_findings, trials
from gateway.bench.series import Series, SeriesReader
from gateway.bench.timeline import Timeline
from gateway.registers.model import ModbusPlace, RegisterMap, Signal, WordType

_WHOLE_MAP = (
    Correction(),
    Correction(shift=-1),
    Correction(shift=1),
    Correction(turn_words=True),
    Correction(turn_bytes=True),
    Correction(other_table=True),
    Correction(shift=-1, turn_words=True),
    Correction(shift=1, turn_words=True),
    Correction(shift=-1, other_table=True),
    Correction(shift=1, other_table=True),
    Correction(other_table=True, turn_words=True),
    Correction(turn_words=True, turn_bytes=True),
)
_TRIED_FULLY = 3
_PASSES = 3
_UNTOLD = 0.25
"""Readings whose scores lie closer than this cannot be told apart by this record."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """One change to the map.

    signals: names of the lines it concerns; several for a change of the whole map. entries: what to write.
    gain: how much more fits with it. before, after: values as written and with the change, of the first signal.
    reasons: what does not fit as written. doubts: what still does not fit. others: changes that this record cannot tell from it.
    exceptions: names of lines that a change of the whole map must leave as they are.
    """

    signals: tuple[str, ...]
    correction: Correction
    entries: str
    gain: float
    before: str
    after: str
    reasons: tuple[str, ...]
    doubts: tuple[str, ...] = ()
    others: tuple[str, ...] = ()
    exceptions: tuple[str, ...] = ()
    is_whole_map: bool = False

    @property
    def confidence(self) -> str:
        """The gain in a word."""
        if self.others:
            return "open"
        return "strong" if self.gain >= 2.0 else "likely" if self.gain >= 0.5 else "weak"


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposals:
    """What a record says about a map.

    changes: the ranked proposals. corrected: every signal with its changes, by key. unresolved: what does not fit and no usual mistake
    explains, by signal name. silent: names of signals that tell nothing in this record (always 0, always off).
    starts_seen: starts in the record, None when no current tells.
    """

    changes: tuple[Proposal, ...]
    corrected: Mapping[str, Signal]
    unresolved: Mapping[str, tuple[str, ...]]
    silent: tuple[str, ...]
    starts_seen: int | None
    moments: int
    duration_s: float


@dataclass
class _Hypothesis:
    """A change of the whole map with the best change of each line under it."""

    whole: Correction
    base: dict[str, Signal]
    chosen: dict[str, Trial] = field(default_factory=dict)
    options: dict[str, list[Trial]] = field(default_factory=dict)

    @property
    def score(self) -> float:
        return self.whole.cost + sum(trial.score for trial in self.chosen.values())


class _Search:
    """Tries hypotheses over one record."""

    def __init__(self, register_map: RegisterMap, timeline: Timeline, flc_a: float | None) -> None:
        self.signals = [signal for signal in register_map.signals if isinstance(signal.place, ModbusPlace)]
        self.reader = SeriesReader(timeline)
        self.flc_a = flc_a

    def best(self) -> _Hypothesis:
        """Return the hypothesis that explains the record with the fewest and most usual mistakes."""
        started = [found for whole in _WHOLE_MAP if (found := self._begun(whole)) is not None]
        as_written = started[0]
        started.sort(key=lambda each: each.score)
        tried = started[:_TRIED_FULLY]
        if as_written not in tried:
            tried.append(as_written)
        for hypothesis in tried:
            for _ in range(_PASSES):
                if not self._improve(hypothesis):
                    break
        return min(tried, key=lambda each: each.score)

    def read_as(self, base: Mapping[str, Signal], series: Mapping[str, Series]) -> Readings:
        """Return the readings in which a scale comes from the signal as it is read now."""
        return Readings(self.reader, [series[key].signal if key in series else signal for key, signal in base.items()])

    def _begun(self, whole: Correction) -> _Hypothesis | None:
        base: dict[str, Signal] = {}
        for signal in self.signals:
            changed = (whole if _concerns(whole, signal) else _shift_of(whole)).applied(signal)
            if changed is None:
                return None
            base[signal.key] = changed
        hypothesis = _Hypothesis(whole, base)
        read = self.read_as(base, {})
        series = {key: read.of(signal) for key, signal in base.items()}
        company = self._company(series, hypothesis)
        for key, each in series.items():
            own = Company({**company.by_key, key: each}, self.flc_a)
            hypothesis.chosen[key] = Trial(correction=Correction(), series=each, findings=all_findings(each, own))
        return hypothesis

    def _company(self, series: Mapping[str, Series], hypothesis: _Hypothesis) -> Company:
        """Return the sound series: those that nothing speaks against by proof."""
        alone = Company({}, self.flc_a)
        sound = {
            key: each
            for key, each in series.items()
            if not any(finding.is_proof for finding in (hypothesis.chosen[key].findings if key in hypothesis.chosen else ()))
            and not any(finding.is_proof for finding in all_findings(each, alone))
        }
        return Company(sound, self.flc_a)

    def _improve(self, hypothesis: _Hypothesis) -> bool:
        """Give lines a better reading, those that gain most first; return whether one changed.

        Of two lines on the same address either could move: the gain decides, and the other line is looked at again after the move.
        """
        gains = {key: self._gain(hypothesis, key) for key in hypothesis.base}
        moved = False
        for key in sorted(gains, key=lambda key: -gains[key]):
            if gains[key] > 1e-9 and self._gain(hypothesis, key) > 1e-9:
                best = hypothesis.options[key][0]
                moved |= best.correction != hypothesis.chosen[key].correction
                hypothesis.chosen[key] = best
        return moved

    def _gain(self, hypothesis: _Hypothesis, key: str) -> float:
        """Look at one line beside the others as they stand, list its options, and return how much the best of them gains."""
        series = {other: trial.series for other, trial in hypothesis.chosen.items()}
        company = self._company(series, hypothesis)
        standing = hypothesis.chosen[key]
        findings = all_findings(standing.series, Company({**company.by_key, key: standing.series}, self.flc_a))
        standing = Trial(correction=standing.correction, series=standing.series, findings=findings)
        hypothesis.chosen[key] = standing
        if standing.score < CLEARLY:
            return 0.0
        others = {name: each for name, each in company.by_key.items() if name != key}
        read = self.read_as(hypothesis.base, series)
        options = sorted(trials(hypothesis.base[key], read.of, others, self.flc_a), key=lambda trial: trial.score)
        hypothesis.options[key] = options
        return standing.score - options[0].score if options else 0.0


def _concerns(whole: Correction, signal: Signal) -> bool:
    """True when the whole-map change means something for a signal: word order for long values, byte order for registers."""
    if not isinstance(signal.place, ModbusPlace):
        return False
    is_long = signal.place.span.count > 1 and signal.type is not WordType.TEXT and not signal.place.span.table.holds_bits
    return not (whole.turn_words and not is_long) and not (whole.turn_bytes and signal.place.span.table.holds_bits)


def _shift_of(whole: Correction) -> Correction:
    """Return the part of a whole-map change that concerns every signal."""
    return Correction(shift=whole.shift, other_table=whole.other_table)


def propose(register_map: RegisterMap, timeline: Timeline, flc_a: float | None = None) -> Proposals:
    """Return the changes that make a map fit a record, ranked; the record should hold a start from standstill.

    flc_a: the motor's full-load current, where known: without it or a `set_flc` signal a current wrong by ten can hardly be told.
    """
    search = _Search(register_map, timeline, flc_a)
    best = search.best()
    written = {signal.key: signal for signal in search.signals}
    final = {key: trial.series for key, trial in best.chosen.items()}
    company = Company(final, flc_a)
    read = search.read_as(written, {})
    before: dict[str, Trial] = {}
    for key, signal in written.items():
        series = read.of(signal)
        own = Company({**{name: each for name, each in final.items() if name != key}, key: series}, flc_a)
        before[key] = Trial(correction=Correction(), series=series, findings=all_findings(series, own))
    changes = _line_changes(best, before, flc_a)
    whole = _whole_change(register_map, best, before)
    ranked = sorted([*changes, *([whole] if whole is not None else [])], key=lambda change: (not change.is_whole_map, -change.gain))
    left = {
        trial.series.signal.name: tuple(each.text for each in trial.findings)
        for key, trial in best.chosen.items()
        if trial.correction.is_none and sum(each.weight for each in trial.findings) >= CLEARLY
    }
    return Proposals(
        changes=tuple(ranked),
        corrected={key: series.signal for key, series in final.items()},
        unresolved=left,
        silent=tuple(series.signal.name for series in final.values() if not series.unread and _says_nothing(series)),
        starts_seen=company.starts_seen,
        moments=timeline.count,
        duration_s=float(timeline.at_s[-1]) if timeline.count else 0.0,
    )


def _says_nothing(series: Series) -> bool:
    return series.text is None and series.is_constant and (not series.known.size or series.span[1] == 0)


def _line_changes(best: _Hypothesis, before: Mapping[str, Trial], flc_a: float | None) -> list[Proposal]:
    changes = []
    alone = _is_of_one_line(best, before)
    for key, trial in best.chosen.items():
        written = before[key]
        if trial.series.signal == written.series.signal or (trial.correction.is_none and not alone):
            continue
        base = written.series.signal if alone else best.base[key]
        correction = best.whole.joined(trial.correction) if alone else trial.correction
        rivals = [
            option.correction.entries(best.base[key])
            for option in best.options.get(key, [])
            if option.score - trial.score < _UNTOLD and not _same_values(option.series, trial.series)
        ]
        changes.append(
            Proposal(
                signals=(base.name,),
                correction=correction,
                entries=correction.entries(base),
                gain=written.score - trial.score,
                before=written.series.range_shown(),
                after=trial.series.range_shown(),
                reasons=tuple(each.text for each in written.findings),
                doubts=(*(each.text for each in trial.findings), *_flc_doubt(written, flc_a)),
                others=tuple(rivals),
            )
        )
    return changes


def _flc_doubt(written: Trial, flc_a: float | None) -> tuple[str, ...]:
    """Where only the device's own setting speaks against a current, either of the two may be wrong."""
    if flc_a is None and written.series.signal.role != "set_flc" and any("full-load current" in each.text for each in written.findings):
        return ("it is set_flc that says so, which may be the wrong one: give --flc to decide",)
    return ()


def _same_values(one: Series, other: Series) -> bool:
    return one.values.tobytes() == other.values.tobytes() and one.text == other.text


def _whole_change(register_map: RegisterMap, best: _Hypothesis, before: Mapping[str, Trial]) -> Proposal | None:
    whole = best.whole
    if whole.is_none or _is_of_one_line(best, before):
        return None
    keys = _moved(best, before)
    stay = [before[key].series.signal.name for key, signal in best.base.items() if _stays(key, signal, best, before)]
    told = sorted(keys, key=lambda key: best.chosen[key].score - before[key].score)
    first = told[0]
    # The first finding of each of the signals that gain most: enough to see the pattern.
    reasons = tuple(f"{before[key].series.signal.name}: {before[key].findings[0].text}" for key in told[:4] if before[key].findings)
    return Proposal(
        signals=tuple(before[key].series.signal.name for key in told),
        correction=whole,
        entries=whole_map_entries(register_map, whole),
        gain=sum(before[key].score - best.chosen[key].score for key in keys) - whole.cost,
        before=before[first].series.range_shown(),
        after=best.chosen[first].series.range_shown(),
        reasons=reasons,
        exceptions=tuple(stay),
        is_whole_map=True,
    )


def _moved(best: _Hypothesis, before: Mapping[str, Trial]) -> list[str]:
    """Return the keys of the lines that the change of the whole map concerns and that do not stay as written."""
    return [
        key
        for key, signal in best.base.items()
        if signal != before[key].series.signal and best.chosen[key].series.signal != before[key].series.signal
    ]


def _stays(key: str, base: Signal, best: _Hypothesis, before: Mapping[str, Trial]) -> bool:
    written = before[key].series.signal
    return base != written and best.chosen[key].series.signal == written


def _is_of_one_line(best: _Hypothesis, before: Mapping[str, Trial]) -> bool:
    """True when the change of the whole map comes down to one line, which is then told as that."""
    return not best.whole.is_none and len(_moved(best, before)) == 1


def whole_map_entries(register_map: RegisterMap, whole: Correction) -> str:
    """Return what to change in the head of a map, or in all of its lines, for a change of the whole map."""
    parts = []
    if whole.shift:
        counted = register_map.first_address - whole.shift
        numbered = all(_counts_with_map(signal) for signal in register_map.signals)
        direction = "lower" if whole.shift < 0 else "higher"
        by_head = numbered and counted in (0, 1)
        parts.append(f"first_address: {counted}" if by_head else f"every address {abs(whole.shift)} {direction} on the wire")
    if whole.other_table:
        tables = sorted({signal.place.span.table.value for signal in register_map.signals if isinstance(signal.place, ModbusPlace)})
        pairs = {"holding": "input", "input": "holding", "coil": "discrete", "discrete": "coil"}
        parts.append(", ".join(f"{pairs[table]} instead of {table}" for table in tables) + " in every `at`")
    for turned, name, orders in (
        (whole.turn_words, "word_order", {signal.word_order for signal in register_map.signals if _concerns(whole, signal)}),
        (whole.turn_bytes, "byte_order", {signal.byte_order for signal in register_map.signals if _concerns(whole, signal)}),
    ):
        if turned:
            one = next(iter(orders)) if len(orders) == 1 else None
            other = None if one is None else ("low_first" if one.value == "high_first" else "high_first")
            parts.append(f"{name}: {other}" if other is not None else f"the other {name} in every line")
    return ", ".join(parts)


def _counts_with_map(signal: Signal) -> bool:
    """True when the address was written in the manual's count, which `first_address` moves."""
    written = signal.place.written.lower() if isinstance(signal.place, ModbusPlace) else ""
    digits = written.split()[-1].split("-")[0] if written.split() else ""
    return "0x" not in written and len(digits) < 5
