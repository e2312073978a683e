"""The result of `bench verify`: one line a signal, with the address as written and on the wire, what came, the verdict and a hint."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from gateway.bench.company import CURRENTS
from gateway.bench.corrections import Correction, wire_place
from gateway.bench.exchange import on_wire
from gateway.bench.judge import Judgement, Readings, Trial, Verdict, judge
from gateway.bench.propose import Proposal, propose
from gateway.bench.series import Series, SeriesReader
from gateway.bench.start_checks import StartCheck
from gateway.bench.timeline import Timeline
from gateway.motors.reading import Flaw, Scalar
from gateway.registers.decode import decode_block
from gateway.registers.model import ModbusPlace, Order, RegisterMap, Signal, Span, WordType
from gateway.registers.plan import Block
from gateway.registers.roles import RoleKind

_MOSTLY = 0.7
_NEARLY, _MOST_WAYS = 0.5, 3
"""Readings whose scores lie closer than this are all named, up to so many."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VerifyLine:
    """One signal. raw: its words as they came; value: in the signal's own unit as the map decodes it, also where it must not be used."""

    signal: str
    address: str
    wire: str
    function_code: int | None
    raw: tuple[int, ...] | str
    value: Scalar | None
    shown: str
    unit: str
    quality: str
    verdict: Verdict
    hint: str

    def as_json(self) -> dict[str, Any]:
        """Return the line in the JSON shape of the bench."""
        return {
            "signal": self.signal,
            "address": self.address,
            "on_wire": self.wire,
            "function_code": self.function_code,
            "raw": list(self.raw) if isinstance(self.raw, tuple) else self.raw,
            "value": self.value,
            "unit": self.unit,
            "quality": self.quality,
            "verdict": self.verdict.value,
            "hint": self.hint,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Verification:
    """All lines of a map against one device, what was sent, and what the start showed where one was watched.

    notes: what concerns the whole map.
    """

    map_name: str
    device: str
    lines: tuple[VerifyLine, ...]
    requests: int
    faults: Mapping[str, int]
    notes: tuple[str, ...] = ()
    start: tuple[StartCheck, ...] = ()

    @property
    def is_good(self) -> bool:
        """True when nothing is wrong or unreadable and no check of the start failed."""
        lines_good = all(line.verdict in (Verdict.PLAUSIBLE, Verdict.SUSPICIOUS) for line in self.lines)
        return lines_good and all(check.passed is not False for check in self.start)

    def as_json(self) -> dict[str, Any]:
        """Return the JSON shape of the bench."""
        return {
            "device": self.device,
            "map": self.map_name,
            "signals": [line.as_json() for line in self.lines],
            "requests": self.requests,
            "faults": dict(self.faults),
            "notes": list(self.notes),
            "start": [{"check": each.name, "passed": each.passed, "found": each.found} for each in self.start],
        }


def verified_lines(register_map: RegisterMap, timeline: Timeline, flc_a: float | None = None) -> tuple[VerifyLine, ...]:
    """Return the line of every Modbus signal of a map."""
    signals = [signal for signal in register_map.signals if isinstance(signal.place, ModbusPlace)]
    read = Readings(SeriesReader(timeline), signals)
    judged = judge(signals, read.of, flc_a)
    return tuple(_line(each, timeline, signals) for each in judged)


def doubtful_spans(register_map: RegisterMap, timeline: Timeline, flc_a: float | None = None) -> list[Span]:
    """Return the addresses of the signals that a closer look may explain."""
    signals = [signal for signal in register_map.signals if isinstance(signal.place, ModbusPlace)]
    judged = judge(signals, Readings(SeriesReader(timeline), signals).of, flc_a)
    numbers = [each.as_written.series for each in judged if each.as_written.series.kind is not RoleKind.FLAG]
    # A table full of zeros fits a motor at rest: it is looked at as if it were doubtful.
    all_zero = sum(series.is_silent for series in numbers) > _MOSTLY * len(numbers)
    told = [each for each in judged if each.verdict is not Verdict.PLAUSIBLE or (all_zero and each.as_written.series.is_silent)]
    return [each.signal.place.span for each in told if isinstance(each.signal.place, ModbusPlace)]


def whole_map_note(register_map: RegisterMap, timeline: Timeline, flc_a: float | None = None) -> str:
    """Return a sentence about one mistake of the whole map that explains several lines, "" when there is none."""
    changes = propose(register_map, timeline, flc_a).changes
    whole = next((change for change in changes if change.is_whole_map), None)
    if whole is None or whole.gain < 2.0 or len(whole.signals) < 2:
        return ""
    return f"one change explains {_several(whole)}: {whole.entries}"


def _several(whole: Proposal) -> str:
    named = ", ".join(whole.signals[:4])
    return f"{named} and {len(whole.signals) - 4} more" if len(whole.signals) > 4 else named


def verdict_counts(lines: Sequence[VerifyLine]) -> dict[Verdict, int]:
    """Return how many lines have each verdict, in the order of the verdicts."""
    counted = Counter(line.verdict for line in lines)
    return {verdict: counted[verdict] for verdict in Verdict}


def _line(judged: Judgement, timeline: Timeline, signals: Sequence[Signal]) -> VerifyLine:
    signal, series = judged.signal, judged.as_written.series
    place = signal.place
    if not isinstance(place, ModbusPlace):
        raise ValueError(f"{signal.name} has no Modbus address")
    words = timeline.last_words(place.span)
    value = own_value(series)
    flaw = _flaw(signal, signals, timeline)
    quality = "bad" if words is None else "good" if flaw is None else flaw.quality.name.lower()
    shown = (
        series.range_shown() if timeline.count > 1 or series.text is not None else ("" if value is None else series.shown(_last(series)))
    )
    return VerifyLine(
        signal=signal.name,
        address=place.written,
        wire=on_wire(place.span)
        if signal.type is not WordType.BIT or place.span.table.holds_bits
        else f"{on_wire(place.span)}.{signal.bit}",
        function_code=place.span.table.function_code,
        raw=words or (),
        value=value,
        shown=shown,
        unit=signal.unit,
        quality=quality,
        verdict=judged.verdict,
        hint=hint_of(judged),
    )


def _flaw(signal: Signal, signals: Sequence[Signal], timeline: Timeline) -> Flaw | None:
    """Return what the gateway itself would say of the last value: the same decoder as in service."""
    needed = [signal, *(other for other in signals if other.name == signal.scale_from)]
    spans = [each.place.span for each in needed if isinstance(each.place, ModbusPlace)]
    hull = Span(spans[0].table, min(span.first for span in spans), max(span.last for span in spans))
    words = [timeline.last_words(Span(hull.table, at, at)) for at in range(hull.first, hull.last + 1)]
    _, flaws = decode_block(Block(hull, tuple(needed)), [0 if word is None else word[0] for word in words])
    return flaws.get(signal.key)


def own_value(series: Series) -> Scalar | None:
    """Return the last value in the signal's own unit: a flag as yes or no, a code as a whole number."""
    if series.text is not None:
        return series.text
    last = _last(series)
    if math.isnan(last):
        return None
    if series.kind is RoleKind.FLAG or series.signal.type is WordType.BIT:
        return last != 0
    own = last / series.signal.to_role_unit
    return int(own) if own == int(own) and abs(own) < 2**53 and series.signal.scale == 1 and series.signal.scale_from is None else own


def _last(series: Series) -> float:
    return float(series.values[-1]) if len(series.values) else math.nan


def hint_of(judged: Judgement) -> str:
    """Return in plain words what does not fit and what to try; "" for a signal about which there is nothing to say."""
    found = [each.text for each in sorted(judged.as_written.findings, key=lambda each: -each.weight)]
    parts = [_short_refusal(judged.as_written.series) if judged.verdict is Verdict.UNREADABLE else found[0]] if found else []
    # Another place with nothing but 0 is no better a number; of an address that is not there it still tells where one is.
    told = [trial for trial in judged.better if not trial.series.is_silent or judged.verdict is Verdict.UNREADABLE]
    for number, trial in enumerate(_of_each_kind(told)):
        parts.append(f"{'or ' if number else ''}{suggestion(judged.signal, trial)}")
    return "; ".join(parts)


def _of_each_kind(better: Sequence[Trial]) -> list[Trial]:
    """Return the best reading and those nearly as good that change something else: ten other scales would tell no more than one."""
    kept: list[Trial] = []
    for trial in better:
        if trial.score - better[0].score < _NEARLY and not any(trial.correction.kinds & each.correction.kinds for each in kept):
            kept.append(trial)
    return kept[:_MOST_WAYS]


def _short_refusal(series: Series) -> str:
    if series.unread_code == 2:
        return "exception 2: not there"
    if series.unread_code == 1:
        return "exception 1: the device has not this table"
    return series.unread


def suggestion(signal: Signal, trial: Trial) -> str:
    """Return one change to a signal's line in plain words, with the value that it gives."""
    correction, value = trial.correction, trial.series.range_shown()
    entries = correction.entries(signal)
    place = trial.series.signal.place
    if not isinstance(place, ModbusPlace):
        return f"with {entries} it would be {value}"
    where = wire_place(place.span.table, place.span)
    if correction == Correction(shift=correction.shift):
        return f"the neighbour {where} holds {value}, a plausible {_noun(signal)}: off by one? try at: {where}"
    if correction == Correction(other_table=True):
        return f"the same address in the other table ({where}) answers with {value}: try at: {where}"
    if correction == Correction(turn_words=True):
        order = trial.series.signal.word_order
        return f"with {'low' if order is Order.LOW_FIRST else 'high'} word first it would be {value}: try {entries}"
    if correction == Correction(turn_bytes=True):
        return f"with the bytes of each register the other way round it would be {value}: try {entries}"
    if correction == Correction(type=correction.type):
        return f"read as {trial.series.signal.type.value if trial.series.signal.type else ''} it would be {value}: try {entries}"
    return f"it would be {value} with {entries}"


def _noun(signal: Signal) -> str:
    if signal.role in CURRENTS:
        return "current"
    return (signal.role or signal.name).replace("_", " ")
