"""When the demo's plant began: noted once its history is whole, and never guessed from a broken-off one."""

from __future__ import annotations

from pathlib import Path

import pytest

from gateway.clock import HandClock
from gateway.demo import FOLDER, demo_site, note_file, plant_begin, reports_folder, store_file
from gateway.errors import InputError, StartledgerError
from gateway.instants import HOUR, from_iso, to_iso
from gateway.site import Site, load_site

NOW = from_iso("2026-03-12T14:12:00Z")
MIDNIGHT = from_iso("2026-03-05T00:00:00Z")


@pytest.fixture
def site() -> Site:
    return load_site(FOLDER / "site.yaml")


def _begin(folder: Path, site: Site, now: int = NOW, *, fresh: bool = False) -> tuple[int, bool]:
    return plant_begin(folder, site, HandClock(now), fresh=fresh, days=7)


def _keep_history(folder: Path) -> None:
    note_file(folder).write_text(to_iso(MIDNIGHT), encoding="utf-8")
    store_file(folder).write_bytes(b"a store")


def test_the_first_run_begins_at_the_plants_midnight_days_ago(tmp_path: Path, site: Site) -> None:
    assert _begin(tmp_path / "new" / "folder", site) == (MIDNIGHT, True)


def test_a_second_run_goes_on_with_the_same_plant(tmp_path: Path, site: Site) -> None:
    _keep_history(tmp_path)
    assert _begin(tmp_path, site, NOW + 5 * HOUR) == (MIDNIGHT, False)
    assert store_file(tmp_path).exists()


def test_a_history_that_was_broken_off_is_made_anew(tmp_path: Path, site: Site) -> None:
    _keep_history(tmp_path)
    note_file(tmp_path).unlink()
    assert _begin(tmp_path, site) == (MIDNIGHT, True)
    assert not store_file(tmp_path).exists()


def test_fresh_forgets_what_is_there_and_nothing_else(tmp_path: Path, site: Site) -> None:
    _keep_history(tmp_path)
    (tmp_path / "letter.txt").write_text("not ours", encoding="utf-8")
    reports_folder(tmp_path).mkdir()
    for name in ("tarn-hollow-20260302-20260308.pdf", "letter.pdf"):
        (reports_folder(tmp_path) / name).write_bytes(b"")
    assert _begin(tmp_path, site, fresh=True) == (MIDNIGHT, True)
    assert sorted(path.name for path in tmp_path.rglob("*.*")) == ["letter.pdf", "letter.txt"]


def test_what_the_demo_writes_goes_beside_its_store(tmp_path: Path) -> None:
    site = demo_site(tmp_path, None)
    assert site.reports is not None
    assert site.reports.folder == reports_folder(tmp_path).resolve()
    assert site.store_url == f"sqlite:///{store_file(tmp_path).resolve()}"


def test_a_plant_that_began_too_long_ago_is_not_gone_on_with(tmp_path: Path, site: Site) -> None:
    _keep_history(tmp_path)
    with pytest.raises(StartledgerError, match="--fresh"):
        _begin(tmp_path, site, NOW + 90 * 24 * HOUR)


def test_a_folder_that_cannot_be_made_is_told(tmp_path: Path, site: Site) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(InputError, match="choose another with --folder"):
        _begin(tmp_path / "file", site)
