"""Weekly reports in a folder: the last whole week, once, whole or not at all."""

from __future__ import annotations

from pathlib import Path

import pytest

from gateway.errors import StartledgerError
from gateway.instants import HOUR, Instant
from gateway.site.model import ReportForm, ReportSettings
from gateway.web.reports.weekly import WEEKLY_NAME, weekly_files, write_weekly, write_whole
from tests.web.tarn_hollow import NOW, FakePeriods, FakePlant

STEM = "tarn-hollow-20260302-20260308"


def settings(folder: Path, *forms: ReportForm, weekday: int = 0) -> ReportSettings:
    return ReportSettings(folder=folder / "reports", weekday=weekday, forms=forms or (ReportForm.PDF,))


def wrote(plant: FakePlant, wanted: ReportSettings, now: Instant = NOW) -> str:
    return write_weekly(plant.site, wanted, plant.periods, lambda name: NOW, now)


def test_the_last_whole_week_is_written_once(plant: FakePlant, tmp_path: Path) -> None:
    wanted = settings(tmp_path, ReportForm.PDF, ReportForm.JSON)
    assert wrote(plant, wanted) == f"{STEM} written as pdf, json"
    assert weekly_files(wanted.folder) == [f"{STEM}.pdf", f"{STEM}.json"]
    assert (wanted.folder / f"{STEM}.pdf").read_bytes().startswith(b"%PDF-")
    assert wrote(plant, wanted, NOW + HOUR) == f"{STEM} is there already"


def test_what_is_missing_is_made_up_for(plant: FakePlant, tmp_path: Path) -> None:
    wanted = settings(tmp_path, ReportForm.HTML, ReportForm.CSV)
    wrote(plant, wanted)
    (wanted.folder / f"{STEM}.csv").unlink()
    assert wrote(plant, wanted) == f"{STEM} written as csv"


def test_the_next_week_has_its_own_files_latest_first(plant: FakePlant, tmp_path: Path) -> None:
    wanted = settings(tmp_path, ReportForm.JSON)
    wrote(plant, wanted)
    wrote(plant, wanted, NOW + 7 * 24 * HOUR)
    assert weekly_files(wanted.folder) == ["tarn-hollow-20260309-20260315.json", f"{STEM}.json"]
    assert all(WEEKLY_NAME.fullmatch(name) for name in weekly_files(wanted.folder))


def test_a_week_before_the_first_reading_is_not_written(plant: FakePlant, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(FakePeriods, "first_known", lambda self, name: NOW - HOUR)
    assert wrote(plant, settings(tmp_path)) == "nothing was recorded in the last whole week"
    assert weekly_files(settings(tmp_path).folder) == []
    assert wrote(FakePlant({}), settings(tmp_path)) == "nothing was recorded in the last whole week"


def test_a_folder_that_cannot_be_written_is_told_and_leaves_nothing(plant: FakePlant, tmp_path: Path) -> None:
    (tmp_path / "reports").write_text("a file, not a folder")
    with pytest.raises(StartledgerError, match="cannot be written"):
        wrote(plant, settings(tmp_path))
    (tmp_path / "taken.pdf").mkdir()
    with pytest.raises(StartledgerError, match="taken.pdf cannot be written"):
        write_whole(tmp_path / "taken.pdf", b"x")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["reports", "taken.pdf"]
