"""The section `reports` of the site file: where the weekly reports go, when the week begins, in which forms they are written."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path

from gateway.registers.findings import nearest
from gateway.registers.sections import Section
from gateway.site.model import ReportForm, ReportSettings

FIELDS = ("folder", "weekday", "forms")


class _Weekday(StrEnum):
    MONDAY = "monday"
    TUESDAY = "tuesday"
    WEDNESDAY = "wednesday"
    THURSDAY = "thursday"
    FRIDAY = "friday"
    SATURDAY = "saturday"
    SUNDAY = "sunday"


def read_reports(top: Section, site_folder: Path) -> ReportSettings | None:
    """Return how weekly reports are written, None when the site file wants none."""
    section = top.section("reports")
    if section is None:
        return None
    section.allow(FIELDS)
    folder = section.text("folder", longest=500)
    if "folder" not in section:
        section.require("folder", "reports")
    weekday = section.choice("weekday", _Weekday) or _Weekday.MONDAY
    forms = _forms(section)
    return None if folder is None else ReportSettings(folder=site_folder / folder, weekday=list(_Weekday).index(weekday), forms=forms)


def _forms(section: Section) -> tuple[ReportForm, ...]:
    items = section.texts("forms")
    if items is None:
        return (ReportForm.PDF,)
    known = {form.value: form for form in ReportForm}
    found = []
    for item in items:
        form = known.get(item.text.strip().lower())
        if form is None:
            hint = nearest(item.text, known)
            message = "there is no such form of a report" + (f": {hint}" if hint else "")
            section.refuse("forms", message, found=item.text, allowed=", ".join(known))
        else:
            found.append(form)
    return tuple(dict.fromkeys(found))
