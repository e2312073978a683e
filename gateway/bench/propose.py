"""From a recorded start to the changes that make a map physically consistent, ranked, with reasons.

Mistakes of the whole map (counting from 0 or 1, word order, table) explain many wrong signals at once and are tried first; what is left is
tried line by line, each line against the others as they are read by then. The score of a reading is the weight of what does not fit
plus the cost of the change, so that the fewest and most usual mistakes win.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from gateway.bench.company import Company
from gateway.bench.corrections import Correction
from gateway.bench.hypotheses import Hypothesis, Search, concerns
from gateway.bench.judge import CLEARLY, Trial, all_findings
from gateway.bench.series import Series
from gateway.bench.timeline import Timeline
from gateway.registers.model import ModbusPlace, RegisterMap, Signal

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

    def as_json(self) -> dict[str, Any]:
        """Return the change as plain data."""
        return {
            "line": None if self.is_whole_map else self.signals[0],
            "concerns": list(self.signals),
            "except": list(self.exceptions),
            "write": self.entries,
            "before": self.before,
            "after": self.after,
            "gain": round(self.gain, 2),
            "how_sure": self.confidence,
            "reasons": list(self.reasons),
            "doubts": list(self.doubts),
            "not_told_from": list(self.others),
        }


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

    def as_json(self) -> dict[str, Any]:
        """Return everything as plain data."""
        return {
            "moments": self.moments,
            "duration_s": self.duration_s,
            "starts_seen": self.starts_seen,
            "changes": [change.as_json() for change in self.changes],
            "unresolved": {name: list(texts) for name, texts in self.unresolved.items()},
            "silent": list(self.silent),
        }


def propose(register_map: RegisterMap, timeline: Timeline, flc_a: float | None = None) -> Proposals:
    """Return the changes that make a map fit a record, ranked; the record should hold a start from standstill.

    flc_a: the motor's full-load current, where known: without it or a `set_flc` signal a current wrong by ten can hardly be told.
    """
    duration_s = float(timeline.at_s[-1]) if timeline.count else 0.0
    return proposals_of(Search(register_map, timeline, flc_a), register_map, moments=timeline.count, duration_s=duration_s)


def proposals_of(search: Search, register_map: RegisterMap, *, moments: int, duration_s: float) -> Proposals:
    """Return what a search over a record of some length finds, ranked."""
    best, flc_a = search.best(), search.flc_a
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
        moments=moments,
        duration_s=duration_s,
    )


def _says_nothing(series: Series) -> bool:
    return series.text is None and series.is_constant and (not series.known.size or series.span[1] == 0)


def _line_changes(best: Hypothesis, before: Mapping[str, Trial], flc_a: float | None) -> list[Proposal]:
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


def _whole_change(register_map: RegisterMap, best: Hypothesis, before: Mapping[str, Trial]) -> Proposal | None:
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


def _moved(best: Hypothesis, before: Mapping[str, Trial]) -> list[str]:
    """Return the keys of the lines that the change of the whole map concerns and that do not stay as written."""
    return [
        key
        for key, signal in best.base.items()
        if signal != before[key].series.signal and best.chosen[key].series.signal != before[key].series.signal
    ]


def _stays(key: str, base: Signal, best: Hypothesis, before: Mapping[str, Trial]) -> bool:
    written = before[key].series.signal
    return base != written and best.chosen[key].series.signal == written


def _is_of_one_line(best: Hypothesis, before: Mapping[str, Trial]) -> bool:
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
        (whole.turn_words, "word_order", {signal.word_order for signal in register_map.signals if concerns(whole, signal)}),
        (whole.turn_bytes, "byte_order", {signal.byte_order for signal in register_map.signals if concerns(whole, signal)}),
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
