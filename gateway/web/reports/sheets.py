"""What stands on each page of a report, as texts and pictures ready to be set: the page that is printed and the PDF show the same."""

from __future__ import annotations

from dataclasses import dataclass

from gateway.motors.records import Start
from gateway.web.plant_time import PlantTime, span
from gateway.web.reports.content import MotorReport, Report
from gateway.web.reports.coverage import Gap
from gateway.web.reports.pictures import MotorPictures, pictures_of
from gateway.web.reports.summary import Topic, headline, topics
from gateway.web.reports.words import (
    alert_words,
    figure_cells,
    limit_kept,
    limit_says,
    listed_starts,
    method_notes,
    moment,
    motor_sentence,
    not_at_speed,
    period_words,
    remark_of,
    share_words,
    stamp,
    start_cells,
    usual_words,
)
from gateway.web.reports.work import Progress, counted_off, unwatched
from gateway.web.words import LIMIT_WORDS, METHOD_WORDS, counted, power_of, title_of

MOST_DAYS_BESIDE = 10
"""Days up to which the map of hours leaves room for the tables on its page; a longer one comes after them."""
MOST_LISTED = 12
"""Starts, gaps and alerts listed on a motor's page; JSON and CSV have all of them."""
SUMMARY_HEADS = (
    "motor",
    "drives",
    "starts",
    "most in 60 min",
    "before permitted",
    "cut, stalled, tripped",
    "not as usual",
    "not seen",
    "readings",
)
FIGURE_HEADS = ("figure", "10 to 90 %", "middle", "largest", "error", "usual before", "kind and source")
LIMIT_HEADS = ("limit", "permits", "in the period", "source")
START_HEADS = ("start", "began", "duration s", "peak × FLC", "I²t FLC² s", "heat %", "remark")
Rows = tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """The page of one motor."""

    name: str
    facts: str
    sentence: str
    usual: str
    key_lines: tuple[tuple[str, str], ...]
    pictures: MotorPictures
    figures: Rows
    limits: Rows
    starts: Rows
    starts_more: int
    gaps: Rows
    gaps_more: int
    alerts: Rows
    alerts_more: int
    happenings: Rows
    happenings_more: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheets:
    """A whole report, ready to be set."""

    title: str
    id: str
    site: str
    facts: tuple[tuple[str, str], ...]
    headline: str
    topics: tuple[Topic, ...]
    summary: Rows
    motors: tuple[Sheet, ...]
    method: tuple[str, ...]
    end: str


def sheets_of(report: Report, time: PlantTime, progress: Progress = unwatched, until: float = 1.0) -> Sheets:
    """Return the pages of a report; `progress` is told how far it is, `until` being its share of the whole work."""
    motors = counted_off(report.motors, len(report.motors), 0.0, until, progress)
    return Sheets(
        title="Report on motor starts",
        id=report.id,
        site=report.site,
        facts=(
            ("Period", period_words(report, time)),
            ("Readings", f"{share_words(report.coverage)} of the period, all motors together"),
            ("Report", report.id),
            ("Issued", f"{moment(report.issued_at, time)}, {time.zone_text(report.issued_at)}"),
            ("Made by", f"startledger {report.version}"),
        ),
        headline=headline(report),
        topics=topics(report),
        summary=tuple(_summary_row(motor) for motor in sorted(report.motors, key=lambda motor: (-len(motor.starts), motor.name))),
        motors=tuple(_sheet(motor, report, time) for motor in motors),
        method=method_notes(report),
        end=f"End of report {report.id}.",
    )


def _summary_row(motor: MotorReport) -> tuple[str, ...]:
    rule = motor.starter.limits.starts_per_hour
    most = str(motor.busiest.count) + ("" if rule is None else f" of {rule}")
    return (
        motor.name,
        title_of(motor.starter),
        str(len(motor.starts)),
        most,
        _or_dash(len({breach.number for breach in motor.breaches})),
        _or_dash(not_at_speed(motor)),
        _or_dash(len(motor.beyond) - not_at_speed(motor)),
        _or_dash(motor.unseen),
        share_words(motor.coverage.share),
    )


def _or_dash(count: int) -> str:
    return str(count) if count else "–"


def _sheet(motor: MotorReport, report: Report, time: PlantTime) -> Sheet:
    starter = motor.starter
    listed, starts_more = listed_starts(motor, MOST_LISTED)
    gaps, alerts = motor.coverage.gaps, motor.alerts
    return Sheet(
        name=motor.name,
        facts=f"{title_of(starter)}, {power_of(starter)}, FLC {starter.motor.flc_a:g} A, {METHOD_WORDS[starter.device.method]}",
        sentence=motor_sentence(motor),
        usual=usual_words(motor),
        key_lines=_key_lines(motor, time),
        pictures=pictures_of(motor, report, time),
        figures=tuple((f"{f.name}, {f.unit}", *figure_cells(f), f"{f.kind}, {f.source}") for f in motor.figures),
        limits=tuple((LIMIT_WORDS[ln.limit], limit_says(ln, starter), limit_kept(ln), ln.source) for ln in motor.limits),
        starts=tuple(_start_row(motor, start, time) for start in listed),
        starts_more=starts_more,
        gaps=tuple((stamp(g.began_at, time), stamp(g.ended_at, time), span(g.length_s), g.reason) for g in _longest(motor)),
        gaps_more=max(0, len(gaps) - MOST_LISTED),
        alerts=tuple(
            (str(a.priority), a.text, alert_words(a.raised_at, a.returned_at, a.acknowledged_by, time)) for a in alerts[:MOST_LISTED]
        ),
        alerts_more=max(0, len(alerts) - MOST_LISTED),
        happenings=tuple((stamp(each.at, time), each.words) for each in motor.happenings[-MOST_LISTED:]),
        happenings_more=max(0, len(motor.happenings) - MOST_LISTED),
    )


def _longest(motor: MotorReport) -> list[Gap]:
    longest = sorted(motor.coverage.gaps, key=lambda gap: -gap.length_s)[:MOST_LISTED]
    return sorted(longest, key=lambda gap: gap.began_at)


def _start_row(motor: MotorReport, start: Start, time: PlantTime) -> tuple[str, ...]:
    return (*start_cells(start, time), remark_of(motor, start))


def _key_lines(motor: MotorReport, time: PlantTime) -> tuple[tuple[str, str], ...]:
    busiest = motor.busiest
    when = "" if busiest.from_at is None else f", from {stamp(busiest.from_at, time)[:-3]}"
    lines = [
        ("Starts", str(len(motor.starts))),
        ("Cut off, stalled, tripped", str(not_at_speed(motor))),
        ("Counted, not seen", str(motor.unseen)),
        ("Most in any 60 min", f"{busiest.count}{when}"),
        ("Readings", f"{share_words(motor.coverage.share)} of the period"),
        ("Map", motor.map_name),
    ]
    if motor.breaches:
        lines.insert(3, ("Before permitted", counted(len({breach.number for breach in motor.breaches}), "start", "starts")))
    return tuple(lines)
