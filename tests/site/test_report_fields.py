"""The section `reports`: where, when and in which forms."""

from __future__ import annotations

from pathlib import Path

import pytest

from gateway.errors import InputError
from gateway.site import load_site
from gateway.site.model import ReportForm, ReportSettings
from tests.cli.test_program import DEMO_SITE


def site_with(folder: Path, reports: str) -> Path:
    written = DEMO_SITE.read_text(encoding="utf-8").replace("../maps/", f"{DEMO_SITE.parent.parent / 'maps'}/")
    text = "\n".join(line for line in written.splitlines() if not line.startswith("reports:"))
    path = folder / "site.yaml"
    path.write_text(f"{text}\n{reports}\n", encoding="utf-8")
    return path


def test_without_the_section_none_are_written(tmp_path: Path) -> None:
    assert load_site(site_with(tmp_path, "")).reports is None


def test_a_folder_alone_is_enough(tmp_path: Path) -> None:
    assert load_site(site_with(tmp_path, "reports: {folder: weekly}")).reports == ReportSettings(folder=tmp_path / "weekly")


def test_weekday_and_forms(tmp_path: Path) -> None:
    found = load_site(site_with(tmp_path, "reports: {folder: /srv/weekly, weekday: Sunday, forms: [html, PDF, html]}")).reports
    assert found == ReportSettings(folder=Path("/srv/weekly"), weekday=6, forms=(ReportForm.HTML, ReportForm.PDF))
    assert load_site(site_with(tmp_path, "reports: {folder: w, forms: json}")).reports == ReportSettings(
        folder=tmp_path / "w", forms=(ReportForm.JSON,)
    )


@pytest.mark.parametrize(
    ("reports", "field", "words"),
    [
        ("reports: {weekday: monday}", "reports.folder", "is missing"),
        ("reports: {folder: w, weekday: mondey}", "reports.weekday", "did you mean"),
        ("reports: {folder: w, forms: [pdf, docx]}", "reports.forms", "no such form"),
        ("reports: {folder: w, day: monday}", "reports.day", "is not known here"),
        ("reports: weekly", "reports", "names with values"),
    ],
)
def test_mistakes_are_told_with_their_field(tmp_path: Path, reports: str, field: str, words: str) -> None:
    with pytest.raises(InputError) as refused:
        load_site(site_with(tmp_path, reports))
    (problem,) = refused.value.problems
    assert problem.field == field
    assert words in problem.message
    assert problem.line is not None
