"""The judgement of a map on the map bench: one row a signal, from the words that the gateway's own polls brought."""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from gateway.bench.judge import Verdict
from gateway.bench.verify import Verification, VerifyLine
from gateway.clock import Clock
from gateway.instants import Instant
from gateway.motors.reading import Quality
from gateway.motors.records import Live
from gateway.registers.model import ModbusPlace, Order, RegisterMap, Signal, WordType
from gateway.services.kept_words import RawView
from gateway.services.live_bench import StartJudgement, badness, is_worse, judged_start, verified_now
from gateway.web.plant_time import PlantTime
from gateway.web.plant_view import StarterSiteView
from gateway.web.snapshot import MotorNow

SIGNS = {Verdict.WRONG: "≠", Verdict.SUSPICIOUS: "?", Verdict.UNREADABLE: "–", Verdict.PLAUSIBLE: "="}
MARKS = {Verdict.WRONG: "u", Verdict.SUSPICIOUS: "c"}
JUDGED_EVERY_S = 1.0
_MOST_WORDS = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchRow:
    """One signal as the page shows it. key: its place on the page; mark: the colour of its verdict, "" for none."""

    key: str
    signal: str
    address: str
    at: str
    wire: str
    raw: str
    read_as: str
    value: str
    seen: str
    quality: str
    sign: str
    word: str
    mark: str
    hint: str

    def live(self) -> list[str]:
        """Return what changes by itself, in the order in which the script puts it."""
        return [self.raw, self.value, self.sign, self.word, self.hint, self.mark]


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """A map held against words: the result as the command line has it, the rows, and what a kept start says."""

    verification: Verification
    rows: tuple[BenchRow, ...]
    start: StartJudgement | None
    verdicts: tuple[Verdict, ...]

    def count(self, verdict: Verdict) -> int:
        """Return how many signals have a verdict."""
        return self.verdicts.count(verdict)


def judged_map(
    register_map: RegisterMap,
    view: RawView,
    device: str,
    unit: int,
    flc_a: float | None,
    start: StartJudgement | None,
    time: PlantTime,
    flaws: Mapping[str, str],
) -> Judged:
    """Return every signal of a map held against what is kept: the newest words, and the start where that says worse."""
    verification = verified_now(register_map, view, device, unit, flc_a, flaws)
    signals = {signal.name: signal for signal in register_map.signals}
    rows, verdicts = [], []
    for line in verification.lines:
        past = None if start is None else start.lines.get(line.signal)
        worse = past is not None and is_worse(past, line)
        rows.append(_row(signals[line.signal], line, past, start if worse else None, time))
        verdicts.append(past.verdict if past is not None and worse else line.verdict)
    return Judged(verification=verification, rows=tuple(rows), start=start, verdicts=tuple(verdicts))


def _row(signal: Signal, line: VerifyLine, past: VerifyLine | None, worse: StartJudgement | None, time: PlantTime) -> BenchRow:
    verdict, hint = line.verdict, line.hint
    if worse is not None and past is not None:
        verdict, hint = past.verdict, f"in the start at {time.seconds(worse.at)}: {past.hint}"
    return BenchRow(
        key=signal.key,
        signal=line.signal,
        address=line.address,
        at=_span_text(signal),
        wire=line.wire,
        raw=raw_text(line.raw),
        read_as=read_as(signal),
        value=_signed(line.shown) or "—",
        seen="" if past is None or past.shown == line.shown else _signed(past.shown),
        quality="" if line.quality == "good" else line.quality,
        sign=SIGNS[verdict],
        word=verdict.value,
        mark=MARKS.get(verdict, ""),
        hint=_signed(hint),
    )


def _signed(text: str) -> str:
    """Return a figure's text as the pages write it: a true minus, and the degree sign."""
    plain = text.replace("degC", "°C").replace(" -", " −")
    return f"−{plain[1:]}" if plain.startswith("-") else plain


def raw_text(raw: Sequence[int] | str) -> str:
    """Return words in capitals hex, a node's value as it came.

    >>> raw_text((0x4CCD, 0x438B)), raw_text(()), raw_text("12.5")
    ('4CCD 438B', '—', '12.5')
    """
    if isinstance(raw, str):
        return raw or "—"
    return (" ".join(f"{word:04X}" for word in raw[:_MOST_WORDS]) + (" …" if len(raw) > _MOST_WORDS else "")) or "—"


def read_as(signal: Signal) -> str:
    """Return how the map reads a signal: type, order where it is not the usual one, scale and unit."""
    if not isinstance(signal.place, ModbusPlace):
        return "from the server" + (f", {signal.unit}" if signal.unit else "")
    if signal.type is WordType.BIT and signal.bit is not None:
        return f"bit {signal.bit}"
    parts = ["bit" if signal.type is None else signal.type.value]
    if signal.word_order is Order.LOW_FIRST and signal.place.span.count > 1:
        parts.append("low word first")
    if signal.byte_order is Order.LOW_FIRST:
        parts.append("bytes swapped")
    if signal.scale_from is not None:
        parts.append(f"× 10^{signal.scale_from}")
    if signal.scale != 1.0:
        parts.append(f"× {signal.scale:g}")
    return ", ".join(parts) + (f" {signal.unit}" if signal.unit else "")


def _span_text(signal: Signal) -> str:
    """Return the address as the field of the words takes it; "" for a node and for bits, which have no forms."""
    place = signal.place
    if not isinstance(place, ModbusPlace) or place.span.table.holds_bits:
        return ""
    last = "" if place.span.count == 1 else f"-0x{place.span.last:04X}"
    return f"{place.span.table.value} 0x{place.span.first:04X}{last}"


def ordered(judged: Judged) -> list[BenchRow]:
    """Return the rows, those that need a look first, else in the order of the map."""
    pairs = sorted(zip(judged.verdicts, judged.rows, strict=True), key=lambda pair: -badness(pair[0]))
    return [row for _, row in pairs]


def bench_sentence(name: str, judged: Judged | None, *, silent_since: str = "") -> str:
    """Return the answer: how many signals can be true, and how many need a look."""
    if judged is None or not judged.rows:
        return f"{name}: nothing read yet." if name else "No motor, so no map to check."
    if silent_since:
        return f"{name}: no data since {silent_since}."
    total, good = len(judged.rows), judged.count(Verdict.PLAUSIBLE)
    found = [(verdict.value, judged.count(verdict)) for verdict in (Verdict.WRONG, Verdict.SUSPICIOUS, Verdict.UNREADABLE)]
    others = ", ".join(f"{count} {word}" for word, count in found if count)
    return f"{name}: all {total} signals plausible." if good == total else f"{name}: {good} of {total} signals plausible, {others}."


def present(view: RawView, live: Live) -> RawView:
    """Return the words as they may be shown: while the starter brings no data its last words are no present ones."""
    if live.quality is not Quality.BAD:
        return view
    reason = live.reason or "no data"
    latest = tuple(each._replace(data=b"", fault=each.fault or reason) for each in view.latest)
    return replace(view, latest=latest, nodes=None, node_sweeps=())


@dataclass(slots=True)
class _Kept:
    """What was last judged of one starter, when, and of which words."""

    words: object
    at_s: float
    judged: Judged


class JudgementShelf:
    """The judgements of the moment, worked out once a second for all who look, and those of kept starts, once a start."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._kept: dict[str, _Kept] = {}
        self._starts: dict[str, tuple[Instant, StartJudgement | None]] = {}
        self._turn = threading.Lock()

    def judged(self, motor: MotorNow, entry: StarterSiteView, view: RawView, time: PlantTime) -> Judged:
        """Return the judgement of a starter's map; in the thread pool only. view: as `present` gives it."""
        name, flc_a = motor.starter.name, motor.starter.motor.flc_a
        words = (view.start_at, [(each.block, each.data, each.fault) for each in view.latest], view.nodes)
        with self._turn:
            kept, now_s = self._kept.get(name), self._clock.monotonic()
            if kept is not None and (kept.words == words or now_s - kept.at_s < JUDGED_EVERY_S):
                return kept.judged
            start = self._start(name, entry, view, flc_a)
            made = judged_map(entry.map, view, device_text(entry), entry.unit, flc_a, start, time, motor.live.flaws)
            self._kept[name] = _Kept(words, now_s, made)
            return made

    def _start(self, name: str, entry: StarterSiteView, view: RawView, flc_a: float | None) -> StartJudgement | None:
        if view.start_at is None:
            return None
        known = self._starts.get(name)
        if known is None or known[0] != view.start_at:
            known = self._starts[name] = (view.start_at, judged_start(entry.map, view, entry.unit, flc_a))
        return known[1]


def device_text(entry: StarterSiteView) -> str:
    """Return address and unit as the command line shows them."""
    unit = f" unit {entry.unit}" if any(isinstance(signal.place, ModbusPlace) for signal in entry.map.signals) else ""
    return f"{entry.address.text.removeprefix('modbus ')}{unit}"
