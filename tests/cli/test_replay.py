"""`startledger replay` over a trace made by hand: figures that can be worked out on paper."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.cli.shell import run
from tests.cli.test_program import DEMO_SITE

# A start at a flat 5 x FLC for 4 s, read at 100 ms, then 0.8 x FLC: duration 4 s, I2t = 25 x 4 = 100 FLC2 s, equal to 5-4.
FLC_A = 80.2


def _trace(folder: Path) -> Path:
    lines = ["time,current,running"]
    for tenth in range(200):
        at_s = tenth / 10
        ratio = 0.0 if at_s < 5 else 5.0 if at_s < 9 else 0.8
        lines.append(f"{at_s:.1f},{ratio * FLC_A:.2f},{int(at_s >= 5)}")
    path = folder / "trace.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_a_flat_start_has_the_figures_of_a_rectangle(tmp_path: Path) -> None:
    ran = run("replay", DEMO_SITE, _trace(tmp_path), "--starter", "DC-01", "--json")
    assert ran.status == 0, ran.err
    result = json.loads(ran.out)
    (start,) = result["starts"]
    assert start["outcome"] == "at_speed"
    assert start["duration_s"] == pytest.approx(4.0, abs=0.1)
    assert start["peak_ratio"] == pytest.approx(5.0, rel=0.001)
    assert start["i2t_flc2s"] == pytest.approx(100.0, rel=start["i2t_error_pct"] / 100)
    assert start["equivalent_rating"]["x"] * 1 == pytest.approx(5.0, rel=0.01)
    assert result["starts_last_hour"] == 1
    assert {limit["limit"] for limit in result["budget"]["limits"]} >= {"site_starts_per_hour", "starter_rating", "thermal_capacity"}
    assert all(limit["source"] for limit in result["budget"]["limits"])


def test_the_text_form_ends_with_the_caution(tmp_path: Path) -> None:
    ran = run("replay", DEMO_SITE, _trace(tmp_path), "--starter", "DC-01")
    assert ran.status == 0
    assert ran.out.rstrip().endswith("The budget is advice. It replaces no protection.")
    assert "1 start," in ran.out


def test_a_trace_with_mistakes_is_told_line_by_line(tmp_path: Path) -> None:
    path = tmp_path / "bad.csv"
    path.write_text("time,current\n0,1\nlater,2\n2,many\n", encoding="utf-8")
    ran = run("replay", DEMO_SITE, path, "--starter", "DC-01")
    assert ran.status == 2
    assert "bad.csv:3" in ran.err
    assert "bad.csv:4" in ran.err
