"""The search for the mistakes that explain a record: hypotheses about the whole map, and under each the best reading of every line.

Tried first without any change to a line; the most promising are then worked out line by line, each line against the others as they are
read by then.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from gateway.bench.company import Company
from gateway.bench.consistency import physics_together
from gateway.bench.corrections import Correction, candidates
from gateway.bench.judge import CLEARLY, Readings, SignalReader, Trial, all_findings, trials
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
_CLOSE, _MOST_CLOSE = 0.5, 5
"""Readings of a line whose scores lie closer than this are held against the other signals too, up to so many."""


@dataclass
class Hypothesis:
    """A change of the whole map with the best change of each line under it."""

    whole: Correction
    base: dict[str, Signal]
    chosen: dict[str, Trial] = field(default_factory=dict)
    options: dict[str, list[Trial]] = field(default_factory=dict)

    @property
    def score(self) -> float:
        return self.whole.cost + sum(trial.score for trial in self.chosen.values())


class Search:
    """Tries hypotheses over one record. wholes: changes of the whole map that are tried."""

    wholes: tuple[Correction, ...] = _WHOLE_MAP

    def __init__(self, register_map: RegisterMap, timeline: Timeline, flc_a: float | None) -> None:
        self.signals = [signal for signal in register_map.signals if isinstance(signal.place, ModbusPlace)]
        self.reader = SeriesReader(timeline)
        self.flc_a = flc_a

    def best(self) -> Hypothesis:
        """Return the hypothesis that explains the record with the fewest and most usual mistakes."""
        started = [found for whole in self.wholes if (found := self._begun(whole)) is not None]
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

    def changes(self, signal: Signal) -> Iterable[Correction]:
        """Return the changes to a line that are tried."""
        return candidates(signal)

    def read_as(self, base: Mapping[str, Signal], series: Mapping[str, Series]) -> SignalReader:
        """Return the readings in which a scale comes from the signal as it is read now."""
        return Readings(self.reader, [series[key].signal if key in series else signal for key, signal in base.items()])

    def _begun(self, whole: Correction) -> Hypothesis | None:
        base: dict[str, Signal] = {}
        for signal in self.signals:
            changed = (whole if concerns(whole, signal) else _shift_of(whole)).applied(signal)
            if changed is None:
                return None
            base[signal.key] = changed
        hypothesis = Hypothesis(whole, base)
        read = self.read_as(base, {})
        series = {key: read.of(signal) for key, signal in base.items()}
        company = self._company(series, hypothesis)
        for key, each in series.items():
            own = Company({**company.by_key, key: each}, self.flc_a)
            hypothesis.chosen[key] = Trial(correction=Correction(), series=each, findings=all_findings(each, own))
        return hypothesis

    def _company(self, series: Mapping[str, Series], hypothesis: Hypothesis) -> Company:
        """Return the sound series: those that nothing speaks against by proof."""
        alone = Company({}, self.flc_a)
        sound = {
            key: each
            for key, each in series.items()
            if not any(finding.is_proof for finding in (hypothesis.chosen[key].findings if key in hypothesis.chosen else ()))
            and not any(finding.is_proof for finding in all_findings(each, alone))
        }
        return Company(sound, self.flc_a)

    def _improve(self, hypothesis: Hypothesis) -> bool:
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

    def _gain(self, hypothesis: Hypothesis, key: str) -> float:
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
        options = sorted(trials(hypothesis.base[key], read.of, others, self.flc_a, self.changes), key=lambda trial: trial.score)
        hypothesis.options[key] = options = self._told_apart(options, key, others)
        now = next((trial for trial in options if trial.correction == standing.correction), standing)
        return now.score - options[0].score if options else 0.0

    def _told_apart(self, options: list[Trial], key: str, others: Mapping[str, Series]) -> list[Trial]:
        """Return readings with what the other signals say beside them, asked only where several are equally good by themselves."""
        close = [trial for trial in options[:_MOST_CLOSE] if trial.score - options[0].score < _CLOSE]
        if len(close) < 2:
            return options
        said = [self._beside(Company({**others, key: trial.series}, self.flc_a), others) for trial in close]
        weighed = [replace(trial, beside=each - min(said)) for trial, each in zip(close, said, strict=True)]
        return sorted([*weighed, *options[len(close) :]], key=lambda trial: trial.score)

    @staticmethod
    def _beside(company: Company, others: Mapping[str, Series]) -> float:
        return sum(finding.weight for each in others.values() for finding in physics_together(each, company))


def concerns(whole: Correction, signal: Signal) -> bool:
    """True when the whole-map change means something for a signal: word order for long values, byte order for registers."""
    if not isinstance(signal.place, ModbusPlace):
        return False
    is_long = signal.place.span.count > 1 and signal.type is not WordType.TEXT and not signal.place.span.table.holds_bits
    return not (whole.turn_words and not is_long) and not (whole.turn_bytes and signal.place.span.table.holds_bits)


def _shift_of(whole: Correction) -> Correction:
    """Return the part of a whole-map change that concerns every signal."""
    return Correction(shift=whole.shift, other_table=whole.other_table)
