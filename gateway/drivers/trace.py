"""Traces: readings from a CSV file, for replay and tests.

A trace has a header row. `time` is ISO 8601 with a zone, or seconds; every other column is a signal, named like a role where it has one
and then in the unit of the role. An empty cell is no value. Times must grow; a gap is allowed and means that nothing is known in it.
"""

from __future__ import annotations

import csv
import difflib
import logging
import math
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from gateway.errors import InputError, Problem
from gateway.instants import SECOND, Instant, from_iso, to_iso
from gateway.motors.reading import Reading, Scalar
from gateway.registers.roles import ROLES, RoleKind

_log = logging.getLogger(__name__)

TIME_COLUMN = "time"
MOST_PROBLEMS = 50
_FLAGS = {"1": True, "true": True, "yes": True, "on": True, "0": False, "false": False, "no": False, "off": False}
_LATEST_S = 253402300800.0
"""Year 10000: nothing later can be written as ISO 8601."""


def read_trace(path: Path) -> list[Reading]:
    """Return the readings of a trace file in the order of time.

    Raises InputError with every mistake (the first 50), each with line and column. Columns that are no roles are kept; a name close to a
    role is logged as a hint.
    """
    problems: list[Problem] = []
    readings: list[Reading] = []
    try:
        with path.open(encoding="utf-8-sig", newline="") as lines:
            rows = csv.reader(lines, strict=True)
            columns = _columns(next(rows, []), str(path), problems)
            if columns is not None:
                readings = _read_rows(rows, columns, str(path), problems)
    except OSError as error:
        problems.append(Problem(file=str(path), message=f"cannot be read: {error.strerror or error}"))
    except UnicodeDecodeError as error:
        found = f"byte 0x{error.object[error.start]:02X}"
        problems.append(Problem(file=str(path), found=found, allowed="UTF-8 text", message="is not a text file"))
    except csv.Error as error:
        problems.append(Problem(file=str(path), message=f"is not a CSV file: {error}"))
    if problems:
        raise InputError(problems[:MOST_PROBLEMS])
    for hint in column_hints(columns or ()):
        _log.warning("%s: %s", path, hint)
    return readings


def column_hints(columns: Iterable[str]) -> list[str]:
    """Return a sentence for each column that is no role but close to one, in the order of the columns.

    >>> column_hints(["time", "current", "curent", "bearing_temperature"])
    ["column 'curent' is no role and is kept as it is; did you mean 'current'?"]
    """
    hints = []
    for column in columns:
        near = [] if column in ROLES or column == TIME_COLUMN else difflib.get_close_matches(column, ROLES, n=1, cutoff=0.8)
        hints += [f"column {column!r} is no role and is kept as it is; did you mean {role!r}?" for role in near]
    return hints


def _columns(header: list[str], file: str, problems: list[Problem]) -> list[str] | None:
    columns = [cell.strip() for cell in header]
    before = len(problems)

    def add(message: str, *, found: str = "", allowed: str = "") -> None:
        problems.append(Problem(file=file, line=1, field="header", found=found, allowed=allowed, message=message))

    if not columns:
        add("the file is empty", allowed="a header row with `time` and one column a signal")
    elif len(columns) == 1 and ";" in columns[0]:
        add("columns are separated by semicolons", found=columns[0][:80], allowed="commas between columns, a point in numbers")
    elif TIME_COLUMN not in columns:
        add("there is no column `time`", found=", ".join(columns)[:200], allowed="`time` and one column a signal")
    elif len(columns) == 1:
        add("there is no column besides `time`", allowed=", ".join(ROLES))
    for place, column in enumerate(columns):
        if not column:
            add(f"column {place + 1} has no name")
        elif column in columns[:place]:
            add("two columns have the same name", found=column)
    return columns if len(problems) == before else None


def _read_rows(rows: Iterator[list[str]], columns: list[str], file: str, problems: list[Problem]) -> list[Reading]:
    readings: list[Reading] = []
    cells = [(place, column, _reader_of(column)) for place, column in enumerate(columns) if column != TIME_COLUMN]
    time_place, moment_of, last = columns.index(TIME_COLUMN), None, None
    for line, row in enumerate(rows, start=2):
        if len(problems) >= MOST_PROBLEMS:
            break
        if not row:
            continue
        if len(row) != len(columns):
            text = f"{len(row)} cells where the header has {len(columns)}"
            problems.append(Problem(file=file, line=line, message=text))
            continue
        moment_of = moment_of or (_from_seconds if _is_number(row[time_place]) else _from_text)
        at = _moment(row[time_place], moment_of, last, file, line, problems)
        values = _values(row, cells, file, line, problems)
        if at is not None:
            last = at
            readings.append(Reading(at, values))
    if not readings and not problems:
        problems.append(Problem(file=file, message="there is no line after the header"))
    return readings


def _values(
    row: list[str], cells: list[tuple[int, str, Callable[[str], Scalar]]], file: str, line: int, problems: list[Problem]
) -> dict[str, Scalar]:
    values: dict[str, Scalar] = {}
    for place, column, read in cells:
        text = row[place].strip()
        if not text:
            continue
        try:
            values[column] = read(text)
        except ValueError as error:
            problems.append(
                Problem(file=file, line=line, field=column, found=text[:80], allowed=str(error), message="is no value of this column")
            )
    return values


def _moment(
    text: str, moment_of: Callable[[str], Instant], last: Instant | None, file: str, line: int, problems: list[Problem]
) -> Instant | None:
    try:
        at = moment_of(text.strip())
    except ValueError as error:
        problems.append(Problem(file=file, line=line, field=TIME_COLUMN, found=text[:80], allowed=str(error), message="is no time"))
        return None
    if last is not None and at <= last:
        allowed = f"later than {to_iso(last)}"
        problems.append(
            Problem(file=file, line=line, field=TIME_COLUMN, found=text[:80], allowed=allowed, message="is not later than the line before")
        )
        return None
    return at


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _from_seconds(text: str) -> Instant:
    allowed = "seconds as on the first line, 0 or more"
    try:
        seconds = float(text)
    except ValueError:
        raise ValueError(allowed) from None
    if not 0.0 <= seconds < _LATEST_S:
        raise ValueError(allowed)
    return round(seconds * SECOND)


def _from_text(text: str) -> Instant:
    try:
        return from_iso(text)
    except ValueError:
        raise ValueError("ISO 8601 with a zone, like 2024-05-01T06:30:00Z or 2024-05-01T08:30:00+02:00, or seconds in every line") from None


def _reader_of(column: str) -> Callable[[str], Scalar]:
    role = ROLES.get(column)
    if role is None:
        return _read_any
    return _READERS[role.kind]


def _read_number(text: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise ValueError("a number with a point, or an empty cell for no value")
    return number


def _read_flag(text: str) -> bool:
    flag = _FLAGS.get(text.lower())
    if flag is None:
        raise ValueError(", ".join(_FLAGS))
    return flag


def _read_counter(text: str) -> int:
    if not (text.isascii() and text.isdigit()):
        raise ValueError("a whole number, 0 or more")
    return int(text)


def _read_code(text: str) -> Scalar:
    return int(text) if text.isascii() and text.isdigit() else text


def _read_any(text: str) -> Scalar:
    return float(text) if _is_number(text) and math.isfinite(float(text)) else text


_READERS: dict[RoleKind, Callable[[str], Scalar]] = {
    RoleKind.NUMBER: _read_number,
    RoleKind.FLAG: _read_flag,
    RoleKind.COUNTER: _read_counter,
    RoleKind.CODE: _read_code,
}
