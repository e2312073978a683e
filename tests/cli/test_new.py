"""The first minute: a made site passes every check, nothing is overwritten, and who names no site file is told what comes next."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from gateway.cli.program import cli
from gateway.errors import InputError
from gateway.site import check_files, load_site
from gateway.site.new import local_zone, new_site


@pytest.mark.parametrize("name", ["", "North quarry", 'a: "b" \\ #c', "yes", "  two   words  ", "42"])
def test_a_made_site_passes_every_check(tmp_path: Path, name: str) -> None:
    site, first_map = new_site(tmp_path / "plant", name=name, zone="Europe/London")
    assert [file["problems"] for file in check_files([site, first_map])["files"]] == [[], []]
    loaded = load_site(site)
    assert loaded.name == (" ".join(name.split()) or "plant")
    assert loaded.time_zone.key == "Europe/London"
    assert [each.starter.name for each in loaded.starters] == ["M-01"]
    assert loaded.starters[0].map.name == "first-map"


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    site, _ = new_site(tmp_path)
    site.write_text("mine", encoding="utf-8")
    with pytest.raises(InputError) as told:
        new_site(tmp_path)
    assert len(told.value.problems) == 2
    assert site.read_text(encoding="utf-8") == "mine"


def test_a_zone_that_there_is_not_and_a_folder_that_cannot_be(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such zone"):
        new_site(tmp_path / "a", zone="Mars/Olympus")
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(InputError, match="cannot be written"):
        new_site(tmp_path / "file")


def test_the_zone_of_this_computer(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", "Europe/Vienna")
    assert local_zone() == "Europe/Vienna"
    monkeypatch.setenv("TZ", "nonsense/zone")
    assert local_zone()


def test_the_command_says_what_comes_next(tmp_path: Path) -> None:
    said = CliRunner().invoke(cli, ["new", str(tmp_path / "plant")])
    assert said.exit_code == 0
    for step in ("startledger bench verify", "startledger check", "startledger run", "startledger simulate"):
        assert step in said.output


@pytest.mark.parametrize("arguments", [["run"], ["run", "nope.yaml"]])
def test_run_without_a_site_file_names_the_next_command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[str]) -> None:
    monkeypatch.chdir(tmp_path)
    said = CliRunner().invoke(cli, arguments)
    assert isinstance(said.exception, InputError)
    assert "startledger new my-plant" in str(said.exception.problems[0])
    (tmp_path / "site.yaml").write_text("", encoding="utf-8")
    again = CliRunner().invoke(cli, arguments)
    assert isinstance(again.exception, InputError)
    assert "startledger run site.yaml" in str(again.exception.problems[0])
