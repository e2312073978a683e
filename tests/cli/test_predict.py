"""`startledger predict` and `startledger fit` as a user runs them."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from gateway.clock import HandClock
from gateway.store.batch import Batch
from gateway.store.database import open_store
from gateway.store.writer import Writer
from tests.cli.shell import ROOT, run
from tests.cli.test_program import DEMO_SITE

HANDBOOK = ROOT / "gateway" / "handbook" / "prediction.md"
SWEEP = ("--sweep", "--ramps", "4 s, 10 s", "--voltages", "40 %", "--limits", "3 x FLC, 4 x FLC")


def _figures(text: str) -> dict[str, list[str]]:
    names = ("soft starter", "direct on line", "star-delta", "autotransformer", "primary resistor", "frequency drive")
    found: dict[str, list[str]] = {}
    for line in text.splitlines():
        name = next((each for each in names if re.match(rf"{each}\s+[\d.-]", line)), None)
        if name is not None:
            found.setdefault(name, line.removeprefix(name).split())
    return found


def test_the_table_of_the_handbook_is_the_one_that_is_printed() -> None:
    ran = run("predict", DEMO_SITE, "--starter", "DC-01")
    assert ran.status == 0, ran.err
    printed, written = _figures(ran.out), _figures(HANDBOOK.read_text(encoding="utf-8"))
    assert len(written) == 6
    assert printed == written
    assert "heats the motor more than direct on line" in ran.out
    assert ran.out.rstrip().endswith("It replaces no protection and no maker's data.")


def test_json_and_the_file_are_complete_in_themselves(tmp_path: Path) -> None:
    page = tmp_path / "dc-01.html"
    ran = run("predict", DEMO_SITE, "--starter", "DC-01", *SWEEP, "--longest", "10 s", "--json", "--plot", page)
    assert ran.status == 0, ran.err
    told = json.loads(ran.out)
    assert told["starter"] == "DC-01"
    assert len(told["methods"]) == 6
    assert told["sweep"]["gentlest"]["current_limit_ratio"] == 4.0
    text = page.read_text(encoding="utf-8")
    assert text.count("<svg") == 6 * 2 + 2
    outside = re.findall(r"(?:src|href|url)\s*[=(]\s*[\"']?(?!#)[a-z/]", text)
    assert outside == [], "nothing may be fetched"
    assert "<script" not in text


def test_the_sweep_is_printed_with_its_answer() -> None:
    ran = run("predict", DEMO_SITE, "--starter", "DC-01", *SWEEP, "--longest", "10 s")
    assert ran.status == 0, ran.err
    assert "limit 4 x FLC, ramp" in ran.out
    assert "Gentlest inside the bounds: ramp 10 s, initial voltage 40 %, current limit 4 x FLC." in ran.out


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("--supply", "20 %"), "--supply: outside what is allowed"),
        (("--run", "10"), "--run"),
        ((*SWEEP, "--longest", "long"), "--longest"),
        ((*SWEEP, "--most-current", "-1 x FLC"), "--most-current"),
        (("--sweep", "--ramps", "4 s, 4 s"), "a value stands twice"),
        (("--sweep", "--ramps", ",".join(f"{n} s" for n in range(1, 60))), "more than a table can show"),
        (("--longest", "10 s"), "ranges and bounds belong to a sweep"),
        (("--plot", "/no/such/folder/x.html"), "no such folder"),
    ],
)
def test_wrong_options_are_told(words: tuple[str, ...], message: str) -> None:
    ran = run("predict", DEMO_SITE, "--starter", "DC-01", *words)
    assert ran.status == 2
    assert message in ran.err
    assert "Traceback" not in ran.err


def _site(folder: Path, change: tuple[str, str]) -> Path:
    text = DEMO_SITE.read_text(encoding="utf-8").replace("../maps", str(ROOT / "config" / "maps"))
    assert change[0] in text
    path = folder / "site.yaml"
    path.write_text(text.replace(*change, 1), encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("change", "field"),
    [
        (("    load: {kind: fan, torque: 90 %, inertia: 10 kg m^2}\n", ""), "starters.DC-01.load"),
        (("rated_speed: 1478 rpm", "rated_speed: 1499.9 rpm"), "starters.DC-01.motor."),
        (("efficiency: 94.2 %", "efficiency: 99 %"), "starters.DC-01.motor.efficiency"),
        (("ramp_time: 10 s", "ramp_time: 0 s"), "starters.DC-01.starter.ramp_time"),
        (("inertia: 10 kg m^2", "inertia: -10 kg m^2"), "inertia"),
    ],
)
def test_site_data_that_cannot_be_are_told_with_their_entry(change: tuple[str, str], field: str, tmp_path: Path) -> None:
    ran = run("predict", _site(tmp_path, change), "--starter", "DC-01")
    assert ran.status == 2
    assert field in ran.err
    assert re.search(r"site\.yaml:\d+:", ran.err)
    assert "Traceback" not in ran.err


def test_fit_without_a_store_says_what_makes_one(tmp_path: Path) -> None:
    ran = run("fit", _site(tmp_path, ("sqlite:///tarn-hollow.db", "sqlite:///none.db")), "--starter", "DC-01")
    assert ran.status == 2
    assert "is not there yet" in ran.err
    assert not (tmp_path / "none.db").exists()


def test_fit_of_an_unknown_starter_and_of_an_empty_ledger(tmp_path: Path) -> None:
    site = _site(tmp_path, ("sqlite:///tarn-hollow.db", "sqlite:///empty.db"))
    open_store(f"sqlite:///{tmp_path / 'empty.db'}").close()
    assert "no such starter" in run("fit", site, "--starter", "XX-9").err
    ran = run("fit", site, "--starter", "DC-01")
    assert ran.status == 2
    assert "no recorded start of DC-01 can be fitted: none is recorded" in ran.err


def test_fit_reads_the_store_beside_the_gateway(tmp_path: Path) -> None:
    # Imported here: the recorded starts cost a second that the other tests need not pay.
    from gateway.motors.facts import LoadKind, Method
    from tests.services.recorded_motor import case, recorded

    starts = recorded(case(LoadKind.FAN, Method.SOFT_STARTER), 3)
    store = open_store(f"sqlite:///{tmp_path / 'kept.db'}")
    writer = Writer(store, HandClock(0))
    writer.put(Batch(starter="DC-01", starts=tuple(starts)))
    writer.flush()
    page = tmp_path / "fit.html"
    try:
        site = _site(tmp_path, ("sqlite:///tarn-hollow.db", "sqlite:///kept.db"))
        ran = run("fit", site, "--starter", "DC-01", "--on", "2", "--plot", page)
        told = run("fit", site, "--starter", "DC-01", "--on", "2", "--json")
    finally:
        writer.close()
        store.close()
    assert ran.status == 0, ran.err
    assert "None of 1 later start departs from it." in ran.out
    assert json.loads(told.out)["inertia_kg_m2"] == pytest.approx(10.45, rel=0.1)
    assert page.read_text(encoding="utf-8").count("<svg") == 3
