"""The weekly report of a whole gateway: from readings through core and store to the file in the folder, and its line on the health page."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

from gateway import app
from gateway.app import opened_core
from gateway.clock import HandClock
from gateway.instants import HOUR, MINUTE, SECOND, from_iso
from gateway.motors.reading import Reading
from gateway.services.plant import Watched
from gateway.services.weekly import WEEKLY
from gateway.site import Site, load_site
from gateway.site.model import ReportForm, ReportSettings
from tests.cli.test_program import DEMO_SITE

TUESDAY = from_iso("2026-03-10T00:00:00Z")
NEXT_MONDAY = from_iso("2026-03-16T00:20:00Z")


def site_in(folder: Path) -> Site:
    site = load_site(DEMO_SITE)
    settings = ReportSettings(folder=folder / "reports", weekday=0, forms=(ReportForm.JSON, ReportForm.PDF))
    return replace(site, store_url=f"sqlite:///{folder / 'ledger.db'}", starters=site.starters[:1], reports=settings)


def readings() -> list[Reading]:
    """An hour of DC-01 with one start of 4 s at 5 x FLC in its middle."""
    begin = TUESDAY + 30 * MINUTE
    found, at = [], TUESDAY
    while at < TUESDAY + HOUR:
        since_s = (at - begin) / SECOND
        ratio = 5.0 if 0 <= since_s < 4 else 0.8 if 4 <= since_s < 300 else 0.0
        found.append(Reading(at, {"current": ratio * 80.2, "running": ratio > 0}))
        at += SECOND // 10 if -10 <= since_s < 10 else 10 * SECOND
    return found


async def test_the_week_is_written_and_told(tmp_path: Path) -> None:
    site = site_in(tmp_path)
    with opened_core(site, HandClock(TUESDAY)) as core:
        core.pipeline.take_readings("DC-01", readings())
    with opened_core(site, HandClock(NEXT_MONDAY)) as core:
        weekly = app._weekly(site, core.plant, HandClock(NEXT_MONDAY))
        assert weekly is not None
        core.plant.watched = Watched(jobs=weekly.jobs)
        await weekly.turn()
        (told,) = core.plant.health().jobs
        assert (told.name, told.failed, told.last_result) == (WEEKLY, False, "tarn-hollow-20260309-20260315 written as json, pdf")
        await weekly.turn()
        assert core.plant.health().jobs[0].last_result == "tarn-hollow-20260309-20260315 is there already"
    report = json.loads((tmp_path / "reports" / "tarn-hollow-20260309-20260315.json").read_text(encoding="utf-8"))
    assert report["starts"] == 1
    assert report["sentence"] == "DC-01 made 1 start in 7 days."
    assert [gap["reason"] for gap in report["motors"][0]["gaps"]] == ["not recorded yet", "no reading since"]
    assert (tmp_path / "reports" / "tarn-hollow-20260309-20260315.pdf").read_bytes().startswith(b"%PDF-")


def test_without_the_section_there_is_no_job(tmp_path: Path) -> None:
    site = replace(site_in(tmp_path), reports=None)
    with opened_core(site, HandClock(TUESDAY)) as core:
        assert app._weekly(site, core.plant, HandClock(TUESDAY)) is None
