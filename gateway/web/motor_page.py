"""The motor page as data: the answer, the proof below it, the ledger. Made in the pool, since it reads the store."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from markupsafe import Markup

from gateway.instants import Instant
from gateway.motors.drift_terms import DriftBreak, Figure
from gateway.motors.history import History
from gateway.motors.reading import Quality
from gateway.motors.records import LimitVerdict, Outcome, Start
from gateway.web.heat_view import HeatPoint, heat_view
from gateway.web.past import Past, with_latest
from gateway.web.plant_time import PlantTime
from gateway.web.shapes import ladder
from gateway.web.shapes.hours import DAYS, hours_map
from gateway.web.shapes.scales import midnight
from gateway.web.shapes.spread import SHOWN, spread
from gateway.web.shapes.start_picture import Tone, single, wall
from gateway.web.snapshot import MotorNow
from gateway.web.usual import Band, Usual, abnormal, beyond_duration
from gateway.web.values import LiveValue, live_values
from gateway.web.words import (
    LIMIT_WORDS,
    METHOD_WORDS,
    QUALITY_WORDS,
    counts_from_stop,
    limit_cell,
    number,
    percent,
    power_of,
    start_verdict,
    title_of,
    turning,
    with_error,
)

WALL_STARTS = 126
LEDGER_PAGE = 20
MOST_REASON = 30
FIGURE_WORDS = {Figure.DURATION: "duration", Figure.PEAK: "peak", Figure.I2T: "I²t", Figure.AT_SPEED: "at speed"}


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitRow:
    """One limit of the ladder."""

    name: str
    source: str
    full_source: str
    reason: str
    lane: Markup
    main: str
    below: str
    decides: bool
    certain: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatTexts:
    """What is printed beside the heat plot."""

    now: str
    lines: tuple[str, ...]
    needed: str
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Ladder:
    """The limits and the heat on one clock axis."""

    axis: Markup
    rows: tuple[LimitRow, ...]
    heat: Markup
    heat_labels: Markup
    heat_texts: HeatTexts
    answer: Markup


@dataclass(frozen=True, slots=True, kw_only=True)
class LedgerLine:
    """One start as the ledger shows it; `beyond` marks a line that is not as usual, `number` is its place in the ledger."""

    number: int
    picture: Markup
    when: str
    began_from: str
    duration: str
    peak: str
    i2t: str
    heat: str
    at_speed: str
    verdict: str
    quality: str
    beyond: bool
    good: bool
    compares: bool
    """True when the start has a curve that can be laid over another."""


def tone_of(motor: MotorNow) -> Tone:
    """Return the colour of what lies beyond the usual: urgent while an alert of priority 1 stands."""
    return "u" if motor.foremost is not None and motor.foremost.priority == 1 else "c"


def facts_line(motor: MotorNow) -> str:
    """Return the line under the plate: what it drives, power, FLC, method."""
    starter = motor.starter
    return f"{title_of(starter)}, {power_of(starter)}, FLC {starter.motor.flc_a:g} A, {METHOD_WORDS[starter.device.method]}"


def ladder_of(motor: MotorNow, history: History, trail: Sequence[HeatPoint], time: PlantTime) -> Ladder:
    """Return the ladder with the heat plot below it."""
    budget = motor.budget
    axis = ladder.ladder_axis(budget)
    view = heat_view(motor.starter, history, budget, trail, axis.to_at)
    if motor.live.heat is None:  # what a motor never read is taken to start from is no reading: the other pages say "not known"
        view = replace(view, now=None)
    rows = []
    for verdict in budget.limits:
        main, below = limit_cell(verdict, budget, time, turns=turning(motor.live))
        lane = ladder.limit_lane(verdict, budget, axis, time)
        decides = verdict.limit is budget.deciding_limit
        name = LIMIT_WORDS[verdict.limit]
        source = ladder_source(verdict, decides=decides)
        shown = name if name[0].isupper() else name[0].upper() + name[1:]
        rows.append(
            LimitRow(
                name=shown,
                source=source,
                full_source=verdict.source,
                reason=verdict.reason,
                lane=lane,
                main=main,
                below=below,
                decides=decides,
                certain=verdict.certain,
            )
        )
    lines = []
    if view.at_answer is not None and budget.next_start_at is not None and budget.next_start_at > budget.as_of:
        lines.append(f"{percent(view.at_answer)} at {time.clock(budget.next_start_at)}")
    if view.after_start is not None:
        lines.append(f"{percent(view.after_start)} after a start{', estimate' if view.estimated else ''}")
    if not view.certain and view.now is not None:
        lines.append("uncertain")
    used = "not known" if view.now is None else f"{percent(view.now)} now"
    texts = HeatTexts(now=used, lines=tuple(lines), needed=percent(view.needed), source=view.source)
    return Ladder(
        axis=ladder.axis_lane(axis, time),
        rows=tuple(rows),
        heat=ladder.heat_lane(view, budget, axis, time),
        heat_labels=ladder.heat_labels(),
        heat_texts=texts,
        answer=ladder.answer_lane(budget, axis, time, from_stop=counts_from_stop(motor.live, budget)),
    )


def ladder_source(verdict: LimitVerdict, *, decides: bool) -> str:
    """Return the second line of a limit: its source without what its name has said, and its figure where the answer has not told it.

    The whole source and reason stand in the table of the limits below.
    """
    source = verdict.source.split(";")[0].split(", limit ")[0]
    for said in ("starter rating ", "two starts cold / one hot, ", "thermal capacity, "):
        source = source.removeprefix(said)
    reason = "" if decides or len(verdict.reason) > MOST_REASON else f": {verdict.reason}"
    return f"{source}{reason}"


def spreads(motor: MotorNow, past: Past, breaks: Sequence[DriftBreak] = ()) -> list[Markup]:
    """Return the four pictures of the last starts against what is usual, with what was done to the machine between them."""
    flc_a, usual, tone = motor.starter.motor.flc_a, past.usual, tone_of(motor)
    shown = [start for start in reversed(past.recent[:SHOWN]) if start.outcome is not Outcome.UNSEEN]
    cuts = [sum(1 for s in shown if s.began_at < each.at) for each in breaks if shown and each.at > shown[0].began_at]
    drifting = {drift.figure for drift in motor.live.drifts}

    def picture(figure: Figure, unit: str, values: list[float | None], band: Band | None, decimals: int) -> Markup:
        return spread(FIGURE_WORDS[figure], unit, values, band, decimals, tone, cuts=cuts, drifts=figure in drifting)

    return [
        picture(Figure.DURATION, "s", [s.duration_s for s in shown], usual.duration_s, 1),
        picture(Figure.PEAK, "× FLC", [s.peak_ratio for s in shown], usual.peak_ratio, 2),
        picture(Figure.I2T, "FLC² s", [s.i2t_flc2s for s in shown], usual.i2t_flc2s, 0),
        picture(Figure.AT_SPEED, "× FLC", [_over(s.at_speed_current_a, flc_a) for s in shown], usual.at_speed_ratio, 2),
    ]


def _share(value: float | None, part_pct: float | None) -> float | None:
    return None if value is None or part_pct is None else value * part_pct / 100.0


def _over(value: float | None, base: float) -> float | None:
    return None if value is None else value / base


def hour_picture(motor: MotorNow, starts: Sequence[Start], time: PlantTime, now: Instant) -> Markup:
    """Return the starts in each hour of the last days."""
    return hours_map(starts, time, now, motor.starter.limits.starts_per_hour)


def hour_map_begin(time: PlantTime, now: Instant) -> Instant:
    """Return the instant from which starts are needed for the map."""
    return midnight(time, now, DAYS - 1)


def wall_picture(motor: MotorNow, starts: Sequence[Start], usual: Usual) -> Markup:
    """Return the picture of all the given starts; `starts` newest first, with curves."""
    return wall(with_latest(starts, motor.live.last_start), usual, motor.starter.motor.flc_a, tone=tone_of(motor))


def ledger_lines(motor: MotorNow, starts: Sequence[Start], usual: Usual, time: PlantTime, now: Instant) -> list[LedgerLine]:
    """Return the ledger's lines, newest first."""
    return [_ledger_line(motor, start, usual, time, now) for start in starts]


def _ledger_line(motor: MotorNow, start: Start, usual: Usual, time: PlantTime, now: Instant) -> LedgerLine:
    flc_a = motor.starter.motor.flc_a
    unseen = start.outcome is Outcome.UNSEEN
    when = time.stamp(start.began_at, now)
    if unseen:
        when = f"{time.moment(start.began_at, now)} to {time.moment(start.ended_at, start.began_at)}"
    heat = "—" if start.heat_before is None or start.heat_after is None else f"{start.heat_before * 100:.0f} → {start.heat_after * 100:.0f}"
    quality = QUALITY_WORDS[start.quality] + (f": {start.remark}" if start.remark else "")
    return LedgerLine(
        number=start.number,
        picture=single(start, usual, flc_a, tone=tone_of(motor)),
        when=when,
        began_from=_began_from(start),
        duration=with_error(start.duration_s, start.duration_error_s, 1),
        peak=number(start.peak_ratio, 2),
        i2t=with_error(start.i2t_flc2s, _share(start.i2t_flc2s, start.i2t_error_pct), 0),
        heat=heat,
        at_speed=number(_over(start.at_speed_current_a, flc_a), 2),
        verdict=start_verdict(start, usual),
        quality=quality,
        beyond=abnormal(start, usual) or beyond_duration(start, usual),
        good=start.quality is Quality.GOOD,
        compares=start.curve is not None and not unseen,
    )


def _began_from(start: Start) -> str:
    """Return "cold" or "warm" from the heat before the start; under 20 % counts as cold (own choice, no source)."""
    if start.heat_before is None:
        return ""
    return "cold" if start.heat_before < 0.2 else "warm"


def values_of(motor: MotorNow) -> list[LiveValue]:
    """Return every signal of the motor's map with its present value."""
    return live_values(motor)
