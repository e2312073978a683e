"""CSV downloads: RFC 4180, and no cell that a spreadsheet would run as a formula."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Iterator

from gateway.motors.records import Start
from gateway.web.plant_time import PlantTime

_STARTS_A_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")
_NUMBER = re.compile(r"[+-]?\d+(\.\d+)?([eE][+-]?\d+)?")
COLUMNS = (
    "motor",
    "number",
    "began_at_utc",
    "began_at_local",
    "ended_at_utc",
    "outcome",
    "duration_s",
    "duration_error_s",
    "peak_current_a",
    "peak_ratio_flc",
    "i2t_a2s",
    "i2t_flc2s",
    "i2t_error_pct",
    "heat_before_pct",
    "heat_after_pct",
    "at_speed_current_a",
    "unbalance_pct",
    "trip_code",
    "samples",
    "quality",
    "remark",
)


def cell(value: object) -> str:
    """Return a cell as text; what a spreadsheet could take for a formula gets an apostrophe in front unless it is a number.

    >>> cell("=1+1"), cell(-2.5), cell("plain"), cell(None)
    ("'=1+1", '-2.5', 'plain', '')
    """
    if value is None:
        return ""
    text = str(value)
    risky = text.lstrip(" ").startswith(_STARTS_A_FORMULA)
    return f"'{text}" if risky and not _NUMBER.fullmatch(text) else text


def starts_csv(motor: str, starts: Iterable[Start], time: PlantTime, utc: PlantTime) -> Iterator[str]:
    """Yield the ledger as CSV, a header line first; instants in UTC and in the plant's own time."""
    yield csv_line(COLUMNS)
    for start in starts:
        yield csv_line(_fields(motor, start, time, utc))


def _fields(motor: str, start: Start, time: PlantTime, utc: PlantTime) -> tuple[object, ...]:
    return (
        motor,
        start.number,
        utc.iso(start.began_at),
        time.iso(start.began_at),
        utc.iso(start.ended_at),
        start.outcome.value,
        start.duration_s,
        start.duration_error_s,
        start.peak_current_a,
        start.peak_ratio,
        start.i2t_a2s,
        start.i2t_flc2s,
        start.i2t_error_pct,
        None if start.heat_before is None else start.heat_before * 100.0,
        None if start.heat_after is None else start.heat_after * 100.0,
        start.at_speed_current_a,
        start.unbalance_pct,
        start.trip_code,
        start.samples,
        start.quality.name.lower(),
        start.remark,
    )


def csv_line(values: Iterable[object]) -> str:
    """Return one line of CSV, every cell made harmless."""
    out = io.StringIO()
    csv.writer(out, lineterminator="\r\n").writerow([cell(value) for value in values])
    return out.getvalue()
