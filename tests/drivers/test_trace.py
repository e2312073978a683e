"""Traces: good ones read to the last value, bad ones named by line and column, all at once."""

from __future__ import annotations

import logging
from pathlib import Path

import pytest

from gateway.drivers.trace import MOST_PROBLEMS, read_trace
from gateway.errors import InputError, Problem
from gateway.instants import from_iso
from gateway.motors.reading import Reading


def written(folder: Path, text: str) -> Path:
    path = folder / "trace.csv"
    path.write_text(text, encoding="utf-8")
    return path


def problems_of(path: Path) -> tuple[Problem, ...]:
    with pytest.raises(InputError) as caught:
        read_trace(path)
    assert all(problem.file == str(path) for problem in caught.value.problems)
    return caught.value.problems


def test_a_trace_in_seconds_with_gaps_and_empty_cells(tmp_path: Path) -> None:
    path = written(
        tmp_path,
        "time,current,running,trip_code,start_count,bearing_temperature\n0,0,0,none,7,41.5\n0.1,412.25,1,0,8,\n\n3600.000001,,yes,,,warm\n",
    )
    assert read_trace(path) == [
        Reading(0, {"current": 0.0, "running": False, "trip_code": "none", "start_count": 7, "bearing_temperature": 41.5}),
        Reading(100_000, {"current": 412.25, "running": True, "trip_code": 0, "start_count": 8}),
        Reading(3_600_000_001, {"running": True, "bearing_temperature": "warm"}),
    ]


def test_a_trace_in_iso_time_across_zones(tmp_path: Path) -> None:
    path = written(tmp_path, "current,time\n1,2024-05-01T06:30:00Z\n2,2024-05-01T08:30:00.5+02:00\n")
    assert [reading.at for reading in read_trace(path)] == [from_iso("2024-05-01T06:30:00Z"), from_iso("2024-05-01T06:30:00.5Z")]


def test_a_byte_order_mark_and_line_ends_of_another_system_are_no_matter(tmp_path: Path) -> None:
    path = tmp_path / "trace.csv"
    path.write_bytes(b"\xef\xbb\xbftime,current\r\n1,2\r\n")
    assert read_trace(path) == [Reading(1_000_000, {"current": 2.0})]


def test_every_mistake_is_told_at_once_with_line_and_column(tmp_path: Path) -> None:
    lines = ["0,1,1,1", "1,abc,maybe,-3", "soon,1,1,1", "2,nan,1,1.5", "1.5,1,1,1", "3,1,1", "4,inf,0,2", "-1,1,1,1", "1e300,1,1,1"]
    text = "\n".join(["time,current,running,start_count", *lines])
    found = [(problem.line, problem.field, problem.found) for problem in problems_of(written(tmp_path, text))]
    assert found == [
        (3, "current", "abc"),
        (3, "running", "maybe"),
        (3, "start_count", "-3"),
        (4, "time", "soon"),
        (5, "current", "nan"),
        (5, "start_count", "1.5"),
        (6, "time", "1.5"),
        (7, "", ""),
        (8, "current", "inf"),
        (9, "time", "-1"),
        (10, "time", "1e300"),
    ]


def test_the_words_of_a_mistake_say_what_is_allowed(tmp_path: Path) -> None:
    by_field = {problem.field: str(problem) for problem in problems_of(written(tmp_path, 'time,current,running\n0,"1,5",x\n'))}
    assert "a number with a point" in by_field["current"]
    assert "true" in by_field["running"]


def test_a_time_that_does_not_grow_is_named(tmp_path: Path) -> None:
    (problem,) = problems_of(written(tmp_path, "time,current\n5,1\n5,2\n6,3\n"))
    assert (problem.line, problem.message) == (3, "is not later than the line before")
    assert problem.allowed == "later than 1970-01-01T00:00:05.000000Z"


@pytest.mark.parametrize("time", ["2024-05-01T06:30:00", "yesterday", "2024-13-01T00:00:00Z"])
def test_a_time_without_zone_or_sense_is_named(tmp_path: Path, time: str) -> None:
    (problem,) = problems_of(written(tmp_path, f"time,current\n{time},1\n"))
    assert problem.field == "time"
    assert "with a zone" in problem.allowed


def test_seconds_and_iso_time_do_not_mix(tmp_path: Path) -> None:
    (problem,) = problems_of(written(tmp_path, "time,current\n1,1\n2024-05-01T06:30:00Z,1\n"))
    assert problem.line == 3


@pytest.mark.parametrize(
    ("header", "says"),
    [
        ("", "the file is empty"),
        ("current,running\n", "no column `time`"),
        ("time\n1\n", "no column besides `time`"),
        ("time;current\n1;2\n", "semicolons"),
        ("time,current,current\n", "same name"),
        ("time,,current\n", "column 2 has no name"),
        ("time,current\n", "no line after the header"),
    ],
)
def test_a_header_that_will_not_do_is_named(tmp_path: Path, header: str, says: str) -> None:
    assert any(says in problem.message for problem in problems_of(written(tmp_path, header)))


def test_a_long_list_of_mistakes_is_cut(tmp_path: Path) -> None:
    text = "time,current\n" + "".join(f"{second},bad\n" for second in range(1000))
    assert len(problems_of(written(tmp_path, text))) == MOST_PROBLEMS


def test_files_that_cannot_be_read_are_named(tmp_path: Path) -> None:
    assert "No such file" in problems_of(tmp_path / "none.csv")[0].message
    assert "directory" in problems_of(tmp_path)[0].message
    picture = tmp_path / "trace.csv"
    picture.write_bytes(b"time,current\n1,\xff\xd8\n")
    assert problems_of(picture)[0].found == "byte 0xFF"
    picture.write_bytes(b'time,current\n1,"2\n')
    assert "not a CSV file" in problems_of(picture)[0].message


def test_a_column_close_to_a_role_is_kept_with_a_hint(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.WARNING):
        readings = read_trace(written(tmp_path, "time,curent\n1,2\n"))
    assert readings == [Reading(1_000_000, {"curent": 2.0})]
    assert "did you mean 'current'?" in caplog.text
