"""Ten invented manuals, each copied into a table in the way that real ones come out: every row is taken as meant, or named as unclear."""

from __future__ import annotations

from pathlib import Path

import pytest

from gateway.bench.manual_csv import read_list
from gateway.registers.load import load_map
from gateway.registers.model import Table

GERMAN = """Bezeichnung;Adresse;Datentyp;Faktor;Einheit
Motorstrom;40013;UINT16;0,1;A
Netzspannung;40014;UINT16;1;V
Anzahl Starts;40021;UDINT;;
Betriebsstunden;40023;UDINT;0,1;h
"""
MERGED = """Register list,,,,

,,,,
"Modbus","","Data","",""
Register No.,Description,Type,Access,Scaling / Unit
"40,013",Motor current,UINT16,R,0.1 A
40015-40016,Active power,FLOAT32,R,kW
40017,Ramp time,UINT16,R/W,0.1 s
"""
TABS = "Parameter\tHex Addr\tFormat\tUnits\nCurrent L1\t0x000C\tu16\tA x10\nMotor temperature\t0x0010\ts16\t\u00b0C\n"
COUNTED = "No;Name;Addr;Len;Type;R/W;Scale\n1;Motor current;12;1;U16;RO;10\n2;Start counter;20;2;U32;RO;1\n"
FUNCTIONS = "Name,Address,Function Code,Data Type,Bit\nRun,100,2,BOOL,\nMotor current,10,04,float (CDAB),\nStatus,1,3,bitfield,3\n"
RANGES = """Signal;Modbus-Adresse;Typ;Auflösung;Einheit;Wertebereich
Strom L1;400013;Float (swapped);;A;0..800
Drehzahl;400018;INT;;1/min;
"""
WORDY = """Address,Name,Type,Multiplier
000Ch,Motor current,"Unsigned 16-bit integer",0.1A
000Dh-000Eh,Run hours,"32-bit unsigned, big endian",0.1h
"""
BITS = """"Description","Register","Data Type","Comment"
"Status word","40001","16 bits","bit 0 = running"
" Running","40001.0","bit",""
"Current avg","40002","int16 (x0.1 A)",""
"""
PLC = """Tag,PLC Address,Datatype,Eng. Units,Low,High
MOTOR_CURRENT,4x00013,REAL32,A,0,800
RUNNING,1x00001,DISCRETE,,,
START_COUNT,30021,DINT,,,
"""
MIXED = """Parameter;Register;Type;Unit;Factor
Current;13-14;Float;A;
Thermal capacity used;16;UINT;%;
Frequency;17;UINT;Hz;1/100
Last trip;19;ENUM;;
"""

MANUALS: dict[str, tuple[bytes, dict[str, str], int]] = {
    "german": (
        b"\xef\xbb\xbf" + GERMAN.encode(),
        {
            "current": "at: 40013, type: uint16, scale: 0.1, unit: A",
            "start_count": "at: 40021, type: uint32",
            "running_hours": "at: 40023, type: uint32, scale: 0.1, unit: h",
        },
        0,
    ),
    "merged": (
        MERGED.encode(),
        {
            "current": "at: 40013, type: uint16, scale: 0.1, unit: A",
            "power": "at: 40015-40016, type: float32, unit: kW",
            "set_ramp_time": "at: 40017, type: uint16, scale: 0.1, unit: s",
        },
        0,
    ),
    "tabs": (TABS.encode("latin-1"), {"winding_temperature": "at: holding 0x0010, type: int16, unit: degC"}, 1),
    "counted": (COUNTED.encode(), {"motor_current": "scale: 10", "start_count": "at: holding 20, type: uint32"}, 0),
    "functions": (
        FUNCTIONS.encode(),
        {"running": "at: discrete 100", "motor_current": "at: input 10, type: float32, word_order: low_first", "status": "bit: 3"},
        0,
    ),
    "ranges": (
        RANGES.encode("cp1252"),
        {"current_l1": "at: 400013, type: float32, word_order: low_first, unit: A, plausible: [0, 800]", "speed": "unit: rpm"},
        0,
    ),
    "wordy": (
        WORDY.encode(),
        {
            "current": "at: holding 0x000C, type: uint16, scale: 0.1, unit: A",
            "running_hours": "at: holding 0x000D-0x000E, type: uint32, scale: 0.1, unit: h",
        },
        0,
    ),
    "bits": (BITS.encode(), {"running": "at: 40001, bit: 0", "current": "at: 40002, type: int16, scale: 0.1, unit: A"}, 1),
    "plc": (
        PLC.encode(),
        {
            "current": "at: 400013, type: float32, unit: A, plausible: [0, 800]",
            "running": "at: 100001",
            "start_count": "at: 30021, type: int32",
        },
        0,
    ),
    "mixed": (
        MIXED.encode(),
        {
            "current": "at: holding 13-14, type: float32, unit: A",
            "thermal_used": "at: holding 16",
            "frequency": "scale: 0.01, unit: Hz",
            "trip_code": "at: holding 19, type: uint16",
        },
        0,
    ),
}


@pytest.mark.parametrize("name", MANUALS)
def test_a_manual_becomes_the_map_that_it_means(name: str, tmp_path: Path) -> None:
    content, expected, unclear = MANUALS[name]
    source, made = tmp_path / "manual.csv", tmp_path / "map.yaml"
    source.write_bytes(content)
    begun = read_list(source, table=Table.HOLDING)
    assert len(begun.unclear) == unclear, begun.unclear
    lines = {draft.name: draft.text() for draft in begun.drafts}
    for signal, entries in expected.items():
        assert entries in lines[signal], lines
    made.write_text(begun.yaml(name, 1, "manual.csv"), encoding="utf-8")
    assert {signal.name for signal in load_map(made).signals} == set(lines)


def test_what_may_be_meant_the_other_way_is_said(tmp_path: Path) -> None:
    source = tmp_path / "manual.csv"
    source.write_bytes(COUNTED.encode())
    assert "where it means divided by that, write 0.1" in read_list(source, table=Table.HOLDING).drafts[0].text()
    source.write_bytes(TABS.encode("latin-1"))
    assert "is the raw number multiplied, or is it already?" in read_list(source, table=Table.HOLDING).unclear[0].message
