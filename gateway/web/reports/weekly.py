"""The weekly reports: which week is due, what its files are called, and writing them so that a half-written one is never seen."""

from __future__ import annotations

import contextlib
import os
import re
from pathlib import Path

from gateway.errors import StartledgerError
from gateway.instants import Instant
from gateway.site.model import ReportSettings
from gateway.web.plant_time import PlantTime
from gateway.web.reports.issue import FORMS, LastGood, ReportSite, issue_report
from gateway.web.reports.period import Period, week_before
from gateway.web.reports.records import PeriodView

WEEKLY_NAME = re.compile(r"[a-z0-9-]{1,80}-\d{8}-\d{8}\.(pdf|html|csv|json)")
"""What the files of weekly reports are called: the site, the first and the last day."""


def weekly_stem(site_name: str, period: Period, time: PlantTime) -> str:
    """Return the name of a week's files without its ending.

    >>> from zoneinfo import ZoneInfo
    >>> week = week_before(0, ZoneInfo("UTC"), 1_773_324_720_000_000)
    >>> weekly_stem("Tarn Hollow / Süd", week, PlantTime(ZoneInfo("UTC")))
    'tarn-hollow-s-d-20260302-20260308'
    """
    slug = re.sub(r"[^a-z0-9]+", "-", site_name.lower()).strip("-")[:80].strip("-") or "site"
    return f"{slug}-{time.local(period.from_at):%Y%m%d}-{time.local(period.to_at - 1):%Y%m%d}"


def write_weekly(site: ReportSite, settings: ReportSettings, view: PeriodView, last_good: LastGood, now: Instant) -> str:
    """Write the report of the last whole week in every form that is not there yet; return what was done.

    Raises StoreError when the store cannot be read, StartledgerError when the folder cannot be written.
    """
    time = PlantTime(site.time_zone)
    week = week_before(settings.weekday, site.time_zone, now)
    stem = weekly_stem(site.name, week, time)
    missing = [form for form in settings.forms if not (settings.folder / f"{stem}.{form}").exists()]
    if not missing:
        return f"{stem} is there already"
    known = [at for each in site.starters if (at := view.first_known(each.starter.name)) is not None]
    if not known or min(known) >= week.to_at:
        return "nothing was recorded in the last whole week"
    report = issue_report(site, view, week, last_good, now)
    for form in missing:
        write_whole(settings.folder / f"{stem}.{form}", FORMS[form](report, time))
    return f"{stem} written as {', '.join(missing)}"


def write_whole(path: Path, data: bytes) -> None:
    """Write a file under another name first, so that nobody ever finds half of it; StartledgerError says what is wrong with the place."""
    half = path.with_name(f".{path.name}.half")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        half.write_bytes(data)
        os.replace(half, path)
    except OSError as error:
        with contextlib.suppress(OSError):
            half.unlink()
        raise StartledgerError(f"{path} cannot be written: {error.strerror or error}") from error


def weekly_files(folder: Path) -> list[str]:
    """Return the names of the weekly reports in a folder, latest first; none when there is no such folder."""
    names = [path.name for path in folder.iterdir() if WEEKLY_NAME.fullmatch(path.name)] if folder.is_dir() else []
    return sorted(names, key=lambda name: (name.rpartition(".")[0][-17:], name), reverse=True)
