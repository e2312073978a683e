"""The Reports page: choose, open, download; the weekly files and no others."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import httpx
import pytest

from gateway.errors import StoreError
from gateway.site.model import ReportSettings
from tests.web.tarn_hollow import FakePeriods, FakePlant


async def text(client: httpx.AsyncClient, path: str, status: int = 200) -> str:
    answer = await client.get(path)
    assert answer.status_code == status, answer.text
    return answer.text


async def test_the_page_offers_a_week_and_every_motor(client: httpx.AsyncClient) -> None:
    html = await text(client, "/reports")
    assert 'name="from" value="2026-03-06"' in html
    assert 'name="to" value="2026-03-12"' in html
    assert "As it stands: Fri 6 Mar 2026 to Thu 12 Mar 2026." in html
    assert '<a class="btn small" href="/reports?from=2026-03-02&amp;to=2026-03-08">last week</a>' in html
    assert html.count("<option") == 13
    assert [f'value="{form}"' in html for form in ("view", "pdf", "html", "csv", "json")] == [True] * 5
    assert "reports: {folder: reports, weekday: monday}" in html


@pytest.mark.parametrize(
    ("form", "media_type", "begins"),
    [
        ("pdf", "application/pdf", b"%PDF-"),
        ("html", "text/html", b"\n"),
        ("csv", "text/csv", b"part,motor"),
        ("json", "application/json", b"{"),
    ],
)
async def test_every_form_is_a_download_named_by_its_id(client: httpx.AsyncClient, form: str, media_type: str, begins: bytes) -> None:
    answer = await client.get("/reports/file", params={"from": "2026-03-09", "to": "2026-03-10", "motor": "DC-01", "form": form})
    assert answer.status_code == 200
    assert answer.headers["content-type"].startswith(media_type)
    assert answer.content.startswith(begins) or form == "html"
    name = answer.headers["content-disposition"]
    assert name.startswith('attachment; filename="report-DC-01-20260309-20260310-')
    assert name.endswith(f'.{form}"')


async def test_opened_it_may_run_nothing_and_fetch_nothing(client: httpx.AsyncClient) -> None:
    answer = await client.get("/reports/file?from=2026-03-09")
    assert "content-disposition" not in answer.headers
    assert answer.headers["content-security-policy"].startswith("default-src 'none'; style-src 'unsafe-inline'")
    assert "Report on motor starts" in answer.text


async def test_without_days_it_is_the_last_seven(client: httpx.AsyncClient) -> None:
    told = json.loads(await text(client, "/reports/file?form=json"))
    assert (told["from"], told["to"]) == ("2026-03-06T00:00:00.000000Z", "2026-03-12T14:12:00.000000Z")
    assert len(told["motors"]) == 12


@pytest.mark.parametrize(
    ("query", "status", "words"),
    [
        ("from=2026-03-12&to=2026-03-01", 422, "the period must begin before it ends"),
        ("from=<script>x</script>", 422, "neither a day nor an instant"),
        ("form=docx", 422, "A report is written as html, pdf, csv, json."),
        ("motor=nobody", 404, "The site file has no motor of that name."),
    ],
)
async def test_a_wrong_choice_is_told_in_words(client: httpx.AsyncClient, query: str, status: int, words: str) -> None:
    html = await text(client, f"/reports/file?{query}", status)
    assert words in html
    assert "<script>x" not in html


async def test_a_store_that_cannot_be_read_is_told(client: httpx.AsyncClient, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(self: FakePeriods, name: str) -> int:
        raise StoreError("the store cannot be read: the disk reports a fault")

    monkeypatch.setattr(FakePeriods, "first_known", broken)
    assert "Error 503." in await text(client, "/reports/file", 503)


@pytest.fixture
def folder(plant: FakePlant, tmp_path: Path) -> Path:
    plant.report_settings = ReportSettings(folder=tmp_path / "reports")
    return tmp_path / "reports"


def fill(folder: Path, name: str) -> None:
    folder.mkdir()
    (folder / name).write_bytes(b"%PDF-1.4")
    (folder / "secret.txt").write_text("secret")
    (folder.parent / "tarn-hollow-20260302-20260308.json").write_text("outside")


async def test_weekly_files_are_listed_and_served_and_no_others(client: httpx.AsyncClient, folder: Path) -> None:
    assert "No weekly report has been written yet." in await text(client, "/reports")
    name = "tarn-hollow-20260302-20260308.pdf"
    fill(folder, name)
    html = await text(client, "/reports")
    assert f'href="/reports/weekly/{name}"' in html
    assert "secret" not in html
    answer = await client.get(f"/reports/weekly/{name}")
    assert (answer.status_code, answer.content) == (200, b"%PDF-1.4")
    for other in ("secret.txt", "tarn-hollow-20260302-20260308.json", "..%2Ftarn-hollow-20260302-20260308.json"):
        assert (await client.get(f"/reports/weekly/{other}")).status_code == 404


async def test_without_a_folder_no_file_is_served(client: httpx.AsyncClient) -> None:
    assert (await client.get("/reports/weekly/tarn-hollow-20260302-20260308.pdf")).status_code == 404


async def test_a_folder_that_cannot_be_read_is_told(client: httpx.AsyncClient, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(path: Path) -> Callable[[], None]:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("gateway.web.reports_page.weekly_files", refused)
    assert "The folder of the weekly reports cannot be read: Permission denied." in await text(client, "/reports")


async def test_a_site_without_a_motor_says_what_to_do(client: httpx.AsyncClient, plant: FakePlant) -> None:
    plant.motors.clear()
    assert "nothing to report" in await text(client, "/reports")
