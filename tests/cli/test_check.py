"""`startledger check` on good and bad files, as text and as JSON."""

from __future__ import annotations

import json
from pathlib import Path

from tests.cli.shell import ROOT, run


def test_the_project_s_own_files_are_good() -> None:
    ran = run("check", "config")
    assert ran.status == 0, ran.out
    assert "0 problems" in ran.out


def test_every_mistake_is_told_at_once_with_file_and_line(tmp_path: Path) -> None:
    bad = tmp_path / "bad.yaml"
    bad.write_text(
        "map: bad\nprotocol: modbus\nlargest_blok: 60\nsignals:\n  current: {at: holding 13, type: uint17, unit: V}\n"
        "  running: {at: holding 20-10, bit: 0}\n",
        encoding="utf-8",
    )
    ran = run("check", bad)
    assert ran.status == 1
    for words in ("bad.yaml:3: largest_blok", "largest_block", "bad.yaml:5: signals.current", "bad.yaml:6: signals.running"):
        assert words in ran.out, words


def test_json_has_the_published_shape(tmp_path: Path) -> None:
    bad = tmp_path / "bad.yaml"
    bad.write_text("map: bad\nprotocol: modbus\nsignals: {}\n", encoding="utf-8")
    ran = run("check", "--json", bad, ROOT / "config" / "maps" / "feeder-block.yaml")
    result = json.loads(ran.out)
    assert ran.status == 1
    assert [file["ok"] for file in result["files"]] == [False, True]
    assert set(result["files"][0]["problems"][0]) >= {"line", "field", "found", "allowed", "message"}


def test_a_folder_without_any_is_told(tmp_path: Path) -> None:
    ran = run("check", tmp_path)
    assert ran.status == 2
    assert "no site file and no map" in ran.err
