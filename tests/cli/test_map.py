"""`map table` and `map from-csv` as a user runs them."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from gateway.registers.load import load_map
from gateway.registers.model import ModbusPlace, Order, WordType
from tests.bench.live import run_command

MAPS = Path(__file__).parents[2] / "config" / "maps"

LIST = """Soft starter of the test hall;;;;;;;
Parameter;Address;Data type;Resolution;Unit;Min;Max;Values
Motor current;40,013;UINT16;0.1;A;0;800;
Line voltage;40017;unsigned int;0,1;V;0;1000;
Active power;40024;Float (swapped);;kW;;;
Number of starts;40021;UDINT;;;;;
Running;40001.0;;;;;;
Bypass closed;40001.2;;;;;;
Fault code;0001h;WORD;;;;;0=none, 3=phase loss
Cos phi;4x0019;sign magnitude;0.001;;;;
Serial number;40046-40053;STRING[16];;;;;
Motor temperature;40028;INT;;°C;;;
Energy;40042;ULINT;1/10;kWh;;;

Reserved;;;;;;;
Torque;40030;16 bit;;Nm;;;
Speed;40031;UINT16;x10;rpm;;;
Something;forty;UINT16;;;;;
Current copy;40013;UINT32;;A;;;
"""


@pytest.mark.parametrize("name", ["ramp-pro-metered", "feeder-block", "bridge-soft-start", "softline-ua"])
@pytest.mark.parametrize("form", ["markdown", "csv", "html"])
def test_every_map_becomes_a_table_in_every_form(name: str, form: str) -> None:
    ran = run_command("map", "table", MAPS / f"{name}.yaml", "--as", form)
    assert ran.status == 0
    for signal in load_map(MAPS / f"{name}.yaml").signals:
        assert signal.name in ran.out


def test_the_table_names_the_address_as_written_and_on_the_wire(tmp_path: Path) -> None:
    out = tmp_path / "table.csv"
    ran = run_command("map", "table", MAPS / "ramp-pro-metered.yaml", "--as", "csv", "--out", out)
    assert ran.status == 0
    rows = {row["signal"]: row for row in csv.DictReader(out.read_text().splitlines())}
    assert rows["current"]["address"] == "holding 13"
    assert rows["current"]["on the wire"] == "3:0x000C"
    assert rows["current"]["scale"] == "x 0.1"
    assert rows["power"]["type"] == "float32, low word first"
    assert rows["trip_code"]["values"].startswith("0 none, 1 overload")
    assert rows["running"]["type"] == "bit 0"
    again = run_command("map", "table", MAPS / "ramp-pro-metered.yaml", "--out", out)
    assert again.status == 2
    assert "the file is there already" in again.err


def test_a_formula_in_a_name_is_no_formula_in_the_table(tmp_path: Path) -> None:
    path = tmp_path / "map.yaml"
    path.write_text('map: m\nprotocol: modbus\nsignals:\n  a: {at: holding 0, type: uint16, texts: {1: "=cmd|x"}, unit: "+A<b>"}\n')
    as_csv = run_command("map", "table", path, "--as", "csv").out
    assert ",'+A<b>," in as_csv
    as_html = run_command("map", "table", path, "--as", "html").out
    assert "<b>" not in as_html
    assert "+A&lt;b&gt;" in as_html


def test_a_list_from_a_manual_becomes_a_map_and_unclear_rows_are_named(tmp_path: Path) -> None:
    source, out = tmp_path / "soft starter.csv", tmp_path / "begun.yaml"
    source.write_text(LIST, encoding="utf-8")
    ran = run_command("map", "from-csv", source, "--table", "holding", "--out", out, "--name", "hall")
    assert ran.status == 1
    signals = {signal.name: signal for signal in load_map(out).signals}
    assert set(signals) == {
        *("current", "voltage", "power", "start_count", "running", "at_speed", "trip_code", "power_factor"),
        *("serial_number", "winding_temperature", "energy"),
    }
    place = signals["current"].place
    assert isinstance(place, ModbusPlace) and place.span.first == 12
    assert signals["current"].scale == 0.1 and signals["current"].plausible == (0, 800)
    assert signals["voltage"].scale == 0.1
    assert signals["power"].type is WordType.FLOAT32 and signals["power"].word_order is Order.LOW_FIRST
    assert signals["at_speed"].bit == 2
    assert signals["trip_code"].texts == {0: "none", 3: "phase loss"}
    assert isinstance(signals["trip_code"].place, ModbusPlace) and signals["trip_code"].place.span.first == 1
    assert signals["energy"].scale == 0.1
    for line, words in ((16, "signed or not?"), (17, "is the raw number multiplied"), (18, "is no address"), (19, "overlap")):
        assert any(text.startswith(f"{source}:{line}:") and words in text for text in ran.err.splitlines()), (line, ran.err)
    assert "11 of 15 rows became signals, 4 are unclear" in ran.err
    assert "# line 18:" in out.read_text()
    assert "columns: Parameter as name" in ran.err


def test_a_clear_list_ends_well_and_prints_the_map(tmp_path: Path) -> None:
    source = tmp_path / "list.csv"
    source.write_text("\ufeffname,address,table,type,unit\nMotor current,12,FC04,UINT16,0.1 A\n", encoding="utf-8")
    ran = run_command("map", "from-csv", source, "--first-address", 0)
    assert ran.status == 0
    assert "current: {at: input 12, type: uint16, scale: 0.1, unit: A}" in ran.out
    assert "first_address: 0" in ran.out


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("", "no heading row"),
        ("a,b\n1,2\n", "no heading row"),
        ("name,address,type\nx,here,UINT16\n", "is no address"),
        ("name,address,type\nx,13,UINT16\n", "which table?"),
    ],
)
def test_a_list_that_gives_no_signal_is_refused(tmp_path: Path, content: str, words: str) -> None:
    source = tmp_path / "list.csv"
    source.write_text(content)
    ran = run_command("map", "from-csv", source)
    assert ran.status == 2
    assert words in ran.err


def test_a_spreadsheet_is_refused_in_words(tmp_path: Path) -> None:
    source = tmp_path / "list.xlsx"
    source.write_bytes(b"PK\x03\x04\0\0\0")
    ran = run_command("map", "from-csv", source)
    assert ran.status == 2
    assert "save the list as CSV" in ran.err
    assert run_command("map", "from-csv", tmp_path / "absent.csv").status == 2
