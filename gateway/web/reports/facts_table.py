"""A report as one CSV table: a row for everything that it shows, no cell that a spreadsheet would run as a formula."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator

from gateway.instants import Instant, to_iso
from gateway.motors.records import Outcome
from gateway.web.download import cell
from gateway.web.plant_time import PlantTime
from gateway.web.reports.content import MotorReport, Report
from gateway.web.reports.summary import headline, topics
from gateway.web.reports.words import CAUTION, limit_says, method_notes
from gateway.web.words import LIMIT_WORDS

COLUMNS = ("part", "motor", "what", "value", "unit", "error", "low", "high", "from_utc", "to_utc", "from_local", "words")
Row = dict[str, object]


def csv_text(report: Report, time: PlantTime) -> str:
    """Return the table, a header line first."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for row in (*_head(report, time), *(row for motor in report.motors for row in _motor(motor, time)), *_tail(report)):
        writer.writerow([cell(row.get(column)) for column in COLUMNS])
    return out.getvalue()


def _span(from_at: Instant, to_at: Instant | None, time: PlantTime) -> Row:
    return {"from_utc": to_iso(from_at), "to_utc": None if to_at is None else to_iso(to_at), "from_local": time.iso(from_at)}


def _head(report: Report, time: PlantTime) -> Iterator[Row]:
    yield {"part": "report", "what": "id", "value": report.id}
    yield {"part": "report", "what": "site", "value": report.site}
    yield {"part": "report", "what": "version", "value": report.version}
    yield {"part": "report", "what": "issued", **_span(report.issued_at, None, time)}
    yield {"part": "report", "what": "period", "words": report.zone, **_span(report.period.from_at, report.period.to_at, time)}
    yield {"part": "report", "what": "readings", "value": round(100 * report.coverage, 3), "unit": "%"}
    yield {"part": "summary", "what": "answer", "words": headline(report)}
    for topic in topics(report):
        yield {"part": "summary", "what": topic.title, "words": topic.sentence}
        for line in topic.lines:
            yield {"part": "summary", "what": topic.title, "words": line}


def _motor(motor: MotorReport, time: PlantTime) -> Iterator[Row]:
    for row in (*_counts(motor, time), *_figures(motor), *_limits(motor, time), *_starts(motor, time), *_others(motor, time)):
        yield {"motor": motor.name, **row}


def _counts(motor: MotorReport, time: PlantTime) -> Iterator[Row]:
    yield {"part": "count", "what": "starts", "value": len(motor.starts)}
    for outcome in Outcome:
        yield {"part": "count", "what": outcome.value, "value": motor.counts[outcome]}
    when = {} if motor.busiest.from_at is None else _span(motor.busiest.from_at, None, time)
    yield {"part": "count", "what": "most starts in 60 min", "value": motor.busiest.count, **when}
    yield {"part": "count", "what": "readings", "value": round(100 * motor.coverage.share, 3), "unit": "%"}


def _figures(motor: MotorReport) -> Iterator[Row]:
    for figure in motor.figures:
        named = {"part": "figure", "unit": figure.unit, "words": f"{figure.kind}; {figure.source}"}
        yield {
            **named,
            "what": f"{figure.name}, middle",
            "value": figure.median,
            "error": figure.error,
            "low": figure.low,
            "high": figure.high,
        }
        yield {**named, "what": f"{figure.name}, largest", "value": figure.largest, "words": f"start {figure.largest_number}"}
        if figure.usual is not None:
            yield {**named, "what": f"{figure.name}, usual before", "low": figure.usual.low, "high": figure.usual.high}
    for change in motor.changes:
        row = {"part": "change", "what": change.name, "value": change.median, "unit": change.unit, "error": change.error}
        yield {**row, "low": change.usual.low, "high": change.usual.high}


def _limits(motor: MotorReport, time: PlantTime) -> Iterator[Row]:
    for line in motor.limits:
        says = f"{limit_says(line, motor.starter)}; {line.source}"
        yield {"part": "limit", "what": LIMIT_WORDS[line.limit], "value": len(line.breaches), "words": says}
        for breach in line.breaches:
            row = {
                "part": "before permitted",
                "what": f"start {breach.number}",
                "value": breach.early_s,
                "unit": "s",
                "words": breach.reason,
            }
            yield {**row, **_span(breach.began_at, None, time)}


def _starts(motor: MotorReport, time: PlantTime) -> Iterator[Row]:
    for start in motor.starts:
        named = {"part": "start", "words": f"start {start.number}, {start.outcome.value}"}
        span = _span(start.began_at, start.ended_at, time)
        i2t_error = None if start.i2t_flc2s is None or start.i2t_error_pct is None else start.i2t_flc2s * start.i2t_error_pct / 100.0
        yield {**named, "what": "duration", "value": start.duration_s, "unit": "s", "error": start.duration_error_s, **span}
        if start.outcome is Outcome.UNSEEN:
            continue
        yield {**named, "what": "peak current", "value": start.peak_ratio, "unit": "x FLC", **span}
        yield {**named, "what": "I2t", "value": start.i2t_flc2s, "unit": "FLC2 s", "error": i2t_error, **span}
        yield {**named, "what": "heat before", "value": _percent(start.heat_before), "unit": "%", **span}
        yield {**named, "what": "heat after", "value": _percent(start.heat_after), "unit": "%", **span}


def _others(motor: MotorReport, time: PlantTime) -> Iterator[Row]:
    for gap in motor.coverage.gaps:
        row: Row = {"part": "gap", "value": gap.length_s, "unit": "s", "words": gap.reason}
        yield {**row, **_span(gap.began_at, gap.ended_at, time)}
    for alert in motor.alerts:
        seen = f"acknowledged by {alert.acknowledged_by}" if alert.acknowledged_by else "acknowledged by nobody"
        named = {"part": "alert", "what": alert.kind.value, "value": alert.priority, "words": f"{alert.text}; {seen}"}
        yield {**named, **_span(alert.raised_at, alert.returned_at, time)}
    for each in motor.happenings:
        yield {"part": "happening", "what": each.kind, "words": each.words, **_span(each.at, None, time)}


def _tail(report: Report) -> Iterator[Row]:
    for note in method_notes(report):
        yield {"part": "method", "words": note}
    yield {"part": "caution", "words": CAUTION}
    yield {"part": "end", "value": report.id}


def _percent(share: float | None) -> float | None:
    return None if share is None else share * 100.0
