"""`startledger report` and `export` as a user runs them, over a store made by the core from a trace."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest

from gateway.app import opened_core
from gateway.clock import HandClock
from gateway.instants import HOUR, MINUTE, SECOND, from_iso
from gateway.motors.reading import Reading
from gateway.site import load_site
from tests.cli.shell import run
from tests.cli.test_program import DEMO_SITE

FLC_A = 80.2
DAY = from_iso("2026-03-10T00:00:00Z")
BEGINS_MIN = (60.0, 75.0, 90.0, 100.0, 300.0)
"""Four starts within 40 min, three an hour being the rule, and one later."""


def readings() -> list[Reading]:
    """Ten hours of a motor: read each 10 s, each 100 ms around a start; every run lasts 5 min; one gap of 20 min."""
    found = []
    at = DAY
    while at < DAY + 10 * HOUR:
        since_s = min((s for minute in BEGINS_MIN if (s := (at - DAY) / SECOND - minute * 60) >= 0), default=1e9)
        ratio = 5.0 if since_s < 4 else 0.8 if since_s < 300 else 0.0
        if not DAY + 400 * MINUTE < at < DAY + 420 * MINUTE:
            found.append(Reading(at, {"current": ratio * FLC_A, "running": ratio > 0}))
        near = any(-10 <= (at - DAY) / SECOND - minute * 60 < 10 for minute in BEGINS_MIN)
        at += SECOND // 10 if near else 10 * SECOND
    return found


@pytest.fixture(scope="module")
def site_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("site")
    maps = DEMO_SITE.parent.parent / "maps"
    text = DEMO_SITE.read_text(encoding="utf-8").replace("../maps/", f"{maps}/")
    path = folder / "site.yaml"
    path.write_text(text, encoding="utf-8")
    with opened_core(load_site(path), HandClock(DAY)) as core:
        core.pipeline.take_readings("DC-01", readings())
    return path


DAYS = ("--from", "2026-03-10", "--to", "2026-03-10T10:00:00Z")


def test_the_report_on_the_screen_counts_what_happened(site_file: Path) -> None:
    ran = run("report", site_file, *DAYS, "--starter", "DC-01")
    assert ran.status == 0, ran.err
    assert ran.out.startswith("DC-01 made 5 starts in 10 h.")
    assert "Tue 10 Mar 2026 00:00 to Tue 10 Mar 2026 10:00 (Europe/London, UTC+00:00)" in ran.out
    assert "site rule once" in ran.out
    assert "DC-01: 96.6 % with readings; 1 gap, the longest 20 min" in ran.out
    assert ran.out.rstrip().endswith("Panel work needs isolation and licensed people.")


def test_as_json_it_has_figures_that_can_be_worked_out_on_paper(site_file: Path) -> None:
    ran = run("report", site_file, *DAYS, "--starter", "DC-01", "--json")
    assert ran.status == 0, ran.err
    (motor,) = json.loads(ran.out)["motors"]
    figures = {figure["figure"]: figure for figure in motor["figures"]}
    assert figures["duration"]["median"] == pytest.approx(4.0, abs=0.1)
    assert figures["I²t"]["median"] == pytest.approx(100.0, rel=0.03)
    assert figures["peak current"]["largest"] == pytest.approx(5.0)
    assert motor["coverage"] == pytest.approx(1 - 20 / 600, abs=0.001)
    assert motor["most_starts_in_60_min"]["count"] == 4
    rule = next(limit for limit in motor["limits"] if limit["limit"] == "site_starts_per_hour")
    # The fourth start came 40 min after the first: 20 min too early.
    assert [(early["start"], early["early_s"] == pytest.approx(1200, abs=1)) for early in rule["before_permitted"]] == [(4, True)]


@pytest.mark.parametrize(("ending", "begins"), [("pdf", b"%PDF-"), ("html", b"\n"), ("csv", b"part,motor,what"), ("json", b"{")])
def test_the_ending_of_the_file_says_the_form(site_file: Path, tmp_path: Path, ending: str, begins: bytes) -> None:
    path = tmp_path / f"week.{ending}"
    ran = run("report", site_file, *DAYS, "--out", path)
    assert ran.status == 0, ran.err
    assert f"written to {path}" in ran.err
    assert path.read_bytes().lstrip(b"\n").startswith(begins.lstrip(b"\n"))
    assert [each.name for each in tmp_path.iterdir()] == [path.name]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--out", "week.docx"), "no such form"),
        (("--out", "no/such/folder/week.pdf"), "there is no such folder"),
        (("--from", "2026-03-10", "--to", "2026-03-01"), "must begin before it ends"),
        (("--starter", "DC-1"), "the site file has no such starter"),
    ],
)
def test_what_cannot_be_is_refused_before_any_work(site_file: Path, tmp_path: Path, words: tuple[str, ...], told: str) -> None:
    ran = run("report", site_file, *words, cwd=tmp_path)
    assert ran.status == 2
    assert told in ran.err
    assert list(tmp_path.iterdir()) == []


def test_a_store_that_is_not_there_is_told(tmp_path: Path) -> None:
    text = DEMO_SITE.read_text(encoding="utf-8").replace("../maps/", f"{DEMO_SITE.parent.parent / 'maps'}/")
    (tmp_path / "site.yaml").write_text(text, encoding="utf-8")
    ran = run("report", tmp_path / "site.yaml")
    assert ran.status == 2
    assert "is not there yet" in ran.err


def test_exported_readings_are_a_trace_that_gives_the_same_starts(site_file: Path, tmp_path: Path) -> None:
    path = tmp_path / "trace.csv"
    exported = run("export", site_file, "--starter", "DC-01", "--what", "readings", *DAYS, "--out", path)
    assert exported.status == 0, exported.err
    replayed = json.loads(run("replay", site_file, path, "--starter", "DC-01", "--json").out)
    reported = json.loads(run("report", site_file, *DAYS, "--starter", "DC-01", "--json").out)["motors"][0]
    assert [start["began_at"] for start in replayed["starts"]] == [start["began_at"] for start in reported["starts"]]
    assert [start["i2t_flc2s"] for start in replayed["starts"]] == [start["i2t_flc2s"] for start in reported["starts"]]


def test_exported_starts_as_table_and_as_json(site_file: Path, tmp_path: Path) -> None:
    shown = run("export", site_file, "--starter", "DC-01", *DAYS)
    rows = list(csv.DictReader(shown.out.splitlines()))
    assert [row["number"] for row in rows] == ["1", "2", "3", "4", "5"]
    path = tmp_path / "starts.json"
    assert run("export", site_file, "--starter", "DC-01", *DAYS, "--out", path).status == 0
    told = json.loads(path.read_text(encoding="utf-8"))
    assert [start["number"] for start in told["starts"]] == [1, 2, 3, 4, 5]
    assert told["starter"] == "DC-01"


def test_exported_alerts_and_readings_as_json(site_file: Path, tmp_path: Path) -> None:
    for what in ("alerts", "readings"):
        path = tmp_path / f"{what}.json"
        assert run("export", site_file, "--starter", "DC-01", "--what", what, *DAYS, "--out", path).status == 0
        assert json.loads(path.read_text(encoding="utf-8"))[what]
    ran = run("export", site_file, "--starter", "DC-01", "--what", "alerts", *DAYS)
    kinds = {row["kind"] for row in csv.DictReader(ran.out.splitlines())}
    assert "starts_at_limit" in kinds


def test_an_export_takes_csv_and_json_alone(site_file: Path, tmp_path: Path) -> None:
    ran = run("export", site_file, "--starter", "DC-01", "--out", tmp_path / "starts.pdf")
    assert ran.status == 2
    assert "no such form" in ran.err
