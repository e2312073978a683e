"""Issuing a report: read the records, make it, give it its id, write it in the form that is wanted."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Protocol
from zoneinfo import ZoneInfo

from gateway.instants import Instant
from gateway.motors.facts import Starter
from gateway.web.plant_time import PlantTime
from gateway.web.reports.content import Report, make_report
from gateway.web.reports.facts_table import csv_text
from gateway.web.reports.page import html_text
from gateway.web.reports.pdf import pdf_bytes
from gateway.web.reports.period import Period
from gateway.web.reports.plain import identified, json_bytes
from gateway.web.reports.records import PeriodView, read_records
from gateway.web.reports.work import Progress, counted_off, unwatched


class Form(Protocol):
    """Writes a report."""

    def __call__(self, report: Report, time: PlantTime, progress: Progress = ..., /) -> bytes: ...


def _html(report: Report, time: PlantTime, progress: Progress = unwatched, /) -> bytes:
    return html_text(report, time, progress).encode()


def _csv(report: Report, time: PlantTime, progress: Progress = unwatched, /) -> bytes:
    return csv_text(report, time).encode()


def _json(report: Report, time: PlantTime, progress: Progress = unwatched, /) -> bytes:
    return json_bytes(report)


FORMS: Mapping[str, Form] = {"html": _html, "pdf": pdf_bytes, "csv": _csv, "json": _json}
"""What a report can be written as, by the ending of its file."""
MEDIA_TYPES = {"html": "text/html; charset=utf-8", "pdf": "application/pdf", "csv": "text/csv; charset=utf-8", "json": "application/json"}


class _Map(Protocol):
    @property
    def name(self) -> str: ...


class _StarterSite(Protocol):
    @property
    def starter(self) -> Starter: ...
    @property
    def map(self) -> _Map: ...


class ReportSite(Protocol):
    """What a report needs of the site file."""

    @property
    def name(self) -> str: ...
    @property
    def time_zone(self) -> ZoneInfo: ...
    @property
    def starters(self) -> Sequence[_StarterSite]: ...


LastGood = Callable[[str], Instant | None]
"""Tells when the last usable reading of a starter was."""


def issue_report(
    site: ReportSite,
    view: PeriodView,
    period: Period,
    last_good: LastGood,
    now: Instant,
    chosen: str = "",
    progress: Progress = unwatched,
) -> Report:
    """Return the report of a period, on one motor where `chosen` names it; StoreError when the store cannot be read.

    progress: is told after each motor what share of the records is read.
    """
    time = PlantTime(site.time_zone)
    entries = [each for each in site.starters if not chosen or each.starter.name == chosen]
    told = counted_off(entries, len(entries), 0.0, 1.0, progress)
    records = [read_records(view, each.starter, each.map.name, period, last_good(each.starter.name)) for each in told]
    return identified(make_report(site.name, time, period, records, issued_at=now, chosen=chosen), time)
