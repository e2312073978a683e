"""What the store holds of one starter in a period, as CSV or JSON, piece by piece so that a month of readings needs little memory.

The CSV of readings is a trace: `startledger replay` takes it as it is.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol
from zoneinfo import ZoneInfo

import orjson

from gateway.instants import HOUR, Instant, to_iso
from gateway.motors.alerts import Alert
from gateway.motors.records import Start
from gateway.web.download import cell, starts_csv
from gateway.web.plant_time import PlantTime
from gateway.web.reports.period import Period
from gateway.web.reports.plain import alert_plain, start_plain
from gateway.web.reports.records import PeriodView, placed_at

PORTION = 6 * HOUR
"""Of readings held at a time."""
ALERT_COLUMNS = (
    "motor",
    "kind",
    "priority",
    "text",
    "advice",
    "raised_at_utc",
    "acknowledged_at_utc",
    "acknowledged_by",
    "returned_at_utc",
)


class What(StrEnum):
    """What is exported."""

    STARTS = "starts"
    READINGS = "readings"
    ALERTS = "alerts"


class _Samples(Protocol):
    @property
    def at(self) -> Sequence[Instant]: ...
    @property
    def values(self) -> Sequence[float | None]: ...


class ReadingView(PeriodView, Protocol):
    """The store as exports read it."""

    def samples(self, name: str, key: str, from_at: Instant, to_at: Instant) -> _Samples: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What is exported of which starter; keys: the signals of its map, for readings."""

    what: What
    starter: str
    period: Period
    keys: tuple[str, ...]
    zone: ZoneInfo


def exported(view: ReadingView, wanted: Wanted, form: str) -> Iterator[str]:
    """Yield the file in pieces; `form` is csv or json. StoreError when the store cannot be read."""
    makers: dict[tuple[What, str], Callable[[ReadingView, Wanted], Iterator[str]]] = {
        (What.STARTS, "csv"): _starts_csv,
        (What.STARTS, "json"): lambda view, wanted: _json(wanted, (start_plain(start) for start in _starts(view, wanted))),
        (What.ALERTS, "csv"): _alerts_csv,
        (What.ALERTS, "json"): lambda view, wanted: _json(wanted, (alert_plain(alert) for alert in _alerts(view, wanted))),
        (What.READINGS, "csv"): _readings_csv,
        (What.READINGS, "json"): lambda view, wanted: _json(wanted, _readings_plain(view, wanted)),
    }
    yield from makers[(wanted.what, form)](view, wanted)


def _starts(view: PeriodView, wanted: Wanted) -> list[Start]:
    period = wanted.period
    found = view.starts_touching(wanted.starter, period.from_at, period.to_at)
    return [start for start in found if period.holds(placed_at(start))]


def _alerts(view: PeriodView, wanted: Wanted) -> list[Alert]:
    return view.alerts_touching(wanted.starter, wanted.period.from_at, wanted.period.to_at)


def _starts_csv(view: ReadingView, wanted: Wanted) -> Iterator[str]:
    return starts_csv(wanted.starter, _starts(view, wanted), PlantTime(wanted.zone), PlantTime(ZoneInfo("UTC")))


def _alerts_csv(view: ReadingView, wanted: Wanted) -> Iterator[str]:
    yield _line(ALERT_COLUMNS)
    for alert in _alerts(view, wanted):
        seen = None if alert.acknowledged_at is None else to_iso(alert.acknowledged_at)
        back = None if alert.returned_at is None else to_iso(alert.returned_at)
        said = (alert.kind.value, alert.priority, alert.text, alert.advice, to_iso(alert.raised_at), seen, alert.acknowledged_by, back)
        yield _line((alert.starter, *said))


def _readings_csv(view: ReadingView, wanted: Wanted) -> Iterator[str]:
    yield _line(("time", *wanted.keys))
    for at, values in _rows(view, wanted):
        yield _line((to_iso(at), *values))


def _readings_plain(view: ReadingView, wanted: Wanted) -> Iterator[dict[str, object]]:
    for at, values in _rows(view, wanted):
        yield {"time": to_iso(at), **{key: value for key, value in zip(wanted.keys, values, strict=True) if value is not None}}


def _rows(view: ReadingView, wanted: Wanted) -> Iterator[tuple[Instant, list[float | int | None]]]:
    """Yield a row an instant, a value a signal; None where it was not read then or had no usable value."""
    begin = wanted.period.from_at
    while begin < wanted.period.to_at:
        end = min(begin + PORTION, wanted.period.to_at)
        rows: dict[Instant, list[float | int | None]] = {}
        for place, key in enumerate(wanted.keys):
            found = view.samples(wanted.starter, key, begin, end - 1)
            for at, value in zip(found.at, found.values, strict=True):
                rows.setdefault(at, [None] * len(wanted.keys))[place] = _plain(value)
        yield from sorted(rows.items())
        begin = end


def _plain(value: float | None) -> float | int | None:
    """Return a whole number without ".0": flags and counters come from the store as floats, and a trace wants them as they are."""
    return int(value) if value is not None and value.is_integer() else value


def _json(wanted: Wanted, entries: Iterable[dict[str, object]]) -> Iterator[str]:
    span = {"from": to_iso(wanted.period.from_at), "to": to_iso(wanted.period.to_at)}
    head = orjson.dumps({"starter": wanted.starter, "time_zone": wanted.zone.key, **span}).decode()
    yield f'{head[:-1]},"{wanted.what.value}":['
    for place, entry in enumerate(entries):
        yield f"{',' if place else ''}\n{orjson.dumps(entry).decode()}"
    yield "\n]}\n"


def _line(values: Iterable[object]) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator="\r\n").writerow([cell(value) for value in values])
    return out.getvalue()
