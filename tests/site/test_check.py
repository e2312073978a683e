from __future__ import annotations

import json
from pathlib import Path

from gateway.site import check_files

MAPS = Path(__file__).parents[2] / "config" / "maps"
MOTOR = "motor: {rated_power: 45 kW, rated_voltage: 400 V, full_load_current: 82 A}"


def test_good_maps_are_good() -> None:
    result = check_files(sorted(MAPS.glob("*.yaml")))
    assert [entry["ok"] for entry in result["files"]] == [True] * 4
    assert all(entry["problems"] == [] for entry in result["files"])


def test_a_file_is_a_site_or_a_map_by_what_stands_in_it(tmp_path: Path) -> None:
    site, other = tmp_path / "a.yaml", tmp_path / "b.yaml"
    site.write_text(f"site: S\ntime_zone: UTC\nstarters:\n  a: {{map: b.yaml, modbus: {{host: h}}, {MOTOR}}}\n", encoding="utf-8")
    other.write_text("map: b\nprotocol: modbus\nsignals:\n  current: {at: holding 1, type: uint16}\n", encoding="utf-8")
    neither = tmp_path / "c.yaml"
    neither.write_text("colour: blue\n", encoding="utf-8")
    result = check_files([site, neither, tmp_path / "missing.yaml", tmp_path])
    assert [(Path(entry["file"]).name, entry["ok"]) for entry in result["files"]] == [
        ("a.yaml", True),
        ("b.yaml", False),
        ("c.yaml", False),
        ("missing.yaml", False),
        (tmp_path.name, False),
    ]
    assert result["files"][1]["problems"] == [
        {
            "line": 4,
            "field": "signals.current.unit",
            "found": "",
            "allowed": "A",
            "message": "`unit` is missing: add it, for example `unit: A`",
        }
    ]
    assert "neither a site file nor a register map" in result["files"][2]["problems"][0]["message"]
    assert json.loads(json.dumps(result)) == result


def test_a_file_given_twice_or_named_by_a_site_too_is_told_once(tmp_path: Path) -> None:
    site, other = tmp_path / "a.yaml", tmp_path / "b.yaml"
    site.write_text(f"site: S\ntime_zone: UTC\nstarters:\n  a: {{map: b.yaml, modbus: {{host: h}}, {MOTOR}}}\n", encoding="utf-8")
    other.write_text("map: b\nprotocol: modbus\nsignals:\n  running: {at: coil 1}\n", encoding="utf-8")
    result = check_files([other, site, site])
    assert [Path(entry["file"]).name for entry in result["files"]] == ["b.yaml", "a.yaml"]
