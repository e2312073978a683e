"""A report as JSON: everything that page and paper show, with every start. Instants are ISO 8601 UTC."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from typing import Any

import orjson

from gateway.instants import Instant, to_iso
from gateway.motors.alerts import Alert
from gateway.motors.records import Outcome, Start
from gateway.web.plant_time import PlantTime
from gateway.web.reports.breaches import Breach
from gateway.web.reports.content import MotorReport, Report
from gateway.web.reports.figures import Change, Figure
from gateway.web.reports.summary import headline, topics
from gateway.web.reports.words import CAUTION, method_notes
from gateway.web.usual import Band

Json = dict[str, Any]


def as_plain(report: Report) -> Json:
    """Return a report as plain data for JSON."""
    return {
        "report": report.id,
        "issued_at": to_iso(report.issued_at),
        "version": report.version,
        "site": report.site,
        "time_zone": report.zone,
        "from": to_iso(report.period.from_at),
        "to": to_iso(report.period.to_at),
        "chosen": report.chosen or None,
        "starts": report.starts,
        "coverage": report.coverage,
        "sentence": headline(report),
        "summary": [{"title": topic.title, "sentence": topic.sentence, "lines": list(topic.lines)} for topic in topics(report)],
        "motors": [_motor(motor) for motor in report.motors],
        "method": list(method_notes(report)),
        "caution": CAUTION,
    }


def json_bytes(report: Report) -> bytes:
    """Return a report as the text of a JSON file."""
    return orjson.dumps(as_plain(report), option=orjson.OPT_INDENT_2 | orjson.OPT_APPEND_NEWLINE)


def identified(report: Report, time: PlantTime) -> Report:
    """Return the report with its id, "20260305-20260311-9f3a2c1b": first and last day, and a mark of all that it says but when issued."""
    said = {name: value for name, value in as_plain(report).items() if name not in ("report", "issued_at")}
    first, last = time.local(report.period.from_at), time.local(report.period.to_at - 1)
    digest = hashlib.sha256(orjson.dumps(said)).hexdigest()[:8]
    return replace(report, id=f"{first:%Y%m%d}-{last:%Y%m%d}-{digest}")


def _motor(motor: MotorReport) -> Json:
    return {
        "motor": motor.name,
        "title": motor.starter.title,
        "rated_power_kw": motor.starter.motor.rated_power_kw,
        "flc_a": motor.starter.motor.flc_a,
        "method": motor.starter.device.method.value,
        "map": motor.map_name,
        "coverage": motor.coverage.share,
        "gaps": [{"began_at": to_iso(g.began_at), "ended_at": to_iso(g.ended_at), "reason": g.reason} for g in motor.coverage.gaps],
        "counts": {outcome.value: motor.counts[outcome] for outcome in Outcome},
        "most_starts_in_60_min": {"count": motor.busiest.count, "from": _iso(motor.busiest.from_at)},
        "usual": {"from": motor.usual_from, "starts": motor.usual.count},
        "figures": [_figure(figure) for figure in motor.figures],
        "changes": [_change(change) for change in motor.changes],
        "limits": [
            {"limit": line.limit.value, "source": line.source, "before_permitted": [_breach(b) for b in line.breaches]}
            for line in motor.limits
        ],
        "not_as_usual": [start.number for start in motor.beyond],
        "alerts": [alert_plain(alert) for alert in motor.alerts],
        "happenings": [{"at": to_iso(each.at), "kind": each.kind, "words": each.words} for each in motor.happenings],
        "starts": [start_plain(start) for start in motor.starts],
    }


def start_plain(start: Start) -> Json:
    """Return the figures of a start for JSON, its curve left out."""
    rating = start.equivalent_rating
    return {
        "number": start.number,
        "began_at": to_iso(start.began_at),
        "began_error_s": start.began_error_s,
        "ended_at": to_iso(start.ended_at),
        "outcome": start.outcome.value,
        "duration_s": start.duration_s,
        "duration_error_s": start.duration_error_s,
        "peak_current_a": start.peak_current_a,
        "peak_ratio": start.peak_ratio,
        "i2t_a2s": start.i2t_a2s,
        "i2t_flc2s": start.i2t_flc2s,
        "i2t_error_pct": start.i2t_error_pct,
        "equivalent_rating": None if rating is None else {"x": rating.x, "t_s": rating.t_s},
        "thermal_before": start.heat_before,
        "thermal_after": start.heat_after,
        "at_speed_current_a": start.at_speed_current_a,
        "unbalance_pct": start.unbalance_pct,
        "trip_code": start.trip_code,
        "samples": start.samples,
        "quality": start.quality.name.lower(),
        "remark": start.remark,
    }


def alert_plain(alert: Alert) -> Json:
    """Return an alert for JSON."""
    return {
        "starter": alert.starter,
        "kind": alert.kind.value,
        "priority": alert.priority,
        "text": alert.text,
        "raised_at": to_iso(alert.raised_at),
        "acknowledged_at": _iso(alert.acknowledged_at),
        "acknowledged_by": alert.acknowledged_by,
        "returned_at": _iso(alert.returned_at),
    }


def _figure(figure: Figure) -> Json:
    return {
        "figure": figure.name,
        "unit": figure.unit,
        "kind": figure.kind,
        "source": figure.source,
        "good_starts": figure.count,
        "p10": figure.low,
        "median": figure.median,
        "p90": figure.high,
        "largest": figure.largest,
        "largest_start": figure.largest_number,
        "error": figure.error,
        "usual": _band(figure.usual),
    }


def _change(change: Change) -> Json:
    return {"figure": change.name, "unit": change.unit, "median": change.median, "error": change.error, "usual": _band(change.usual)}


def _band(band: Band | None) -> list[float] | None:
    return None if band is None else [band.low, band.high]


def _breach(breach: Breach) -> Json:
    return {"start": breach.number, "began_at": to_iso(breach.began_at), "early_s": breach.early_s, "reason": breach.reason}


def _iso(at: Instant | None) -> str | None:
    return None if at is None else to_iso(at)
