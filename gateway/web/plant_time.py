"""Times as people at the plant read them: local, in words or figures, with the zone where a page states it once."""

from __future__ import annotations

import math
from datetime import datetime
from zoneinfo import ZoneInfo

from gateway.instants import Instant, seconds_between, to_datetime

_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
STALE_AFTER_S = 5.0
"""Age from which a value no longer counts as live (a reading is due each second while the motor runs)."""


def _day_month(moment: datetime) -> str:
    return f"{moment.day} {_MONTHS[moment.month - 1]}"


class PlantTime:
    """The plant's time zone and every way in which the pages write an instant. English names always, whatever the server's locale."""

    def __init__(self, zone: ZoneInfo) -> None:
        self.zone = zone

    def local(self, at: Instant) -> datetime:
        """Return the instant as an aware datetime of the plant."""
        return to_datetime(at).astimezone(self.zone)

    def clock(self, at: Instant) -> str:
        """Return "14:12"; in an hour that the clock shows twice the zone's short name follows."""
        moment = self.local(at)
        return f"{moment:%H:%M}{self._fold_mark(moment)}"

    def seconds(self, at: Instant) -> str:
        """Return "14:07:01", marked like `clock` in a doubled hour."""
        moment = self.local(at)
        return f"{moment:%H:%M:%S}{self._fold_mark(moment)}"

    def moment(self, at: Instant, now: Instant, *, seconds: bool = False) -> str:
        """Return the clock alone for an instant of today, "11 Mar 13:15" for another day, with the year when it is another one."""
        then, today = self.local(at), self.local(now)
        clock = self.seconds(at) if seconds else self.clock(at)
        if then.date() == today.date():
            return clock
        year = "" if then.year == today.year else f" {then.year}"
        return f"{_day_month(then)}{year} {clock}"

    def stamp(self, at: Instant, now: Instant) -> str:
        """Return the ledger's time: "today 14:07:01" or "11 Mar 13:15:52"."""
        text = self.moment(at, now, seconds=True)
        return f"today {text}" if self.local(at).date() == self.local(now).date() else text

    def date(self, at: Instant) -> str:
        """Return "Thu 12 Mar 2026"."""
        moment = self.local(at)
        return f"{_DAYS[moment.weekday()]} {_day_month(moment)} {moment.year}"

    def day(self, at: Instant) -> str:
        """Return "12 Mar Thu"."""
        moment = self.local(at)
        return f"{_day_month(moment)} {_DAYS[moment.weekday()]}"

    def zone_text(self, at: Instant) -> str:
        """Return the zone at that instant: "Europe/London, UTC+00:00"."""
        offset = self.local(at).strftime("%z")
        return f"{self.zone.key}, UTC{offset[:3]}:{offset[3:5]}"

    def iso(self, at: Instant) -> str:
        """Return ISO 8601 with the plant's offset, for exports."""
        return self.local(at).isoformat(timespec="milliseconds")

    def _fold_mark(self, moment: datetime) -> str:
        other = moment.replace(fold=1 - moment.fold)
        return "" if other.utcoffset() == moment.utcoffset() or not _shown_twice(moment) else f" {moment.tzname()}"


def _shown_twice(moment: datetime) -> bool:
    # A wall time that exists twice has the larger offset first; in a spring gap the order is the other way round.
    first, second = moment.replace(fold=0).utcoffset(), moment.replace(fold=1).utcoffset()
    return first is not None and second is not None and first > second


def span(duration_s: float) -> str:
    """Return a duration as waiting time: seconds below 2 min, then whole minutes rounded up, hours from 2 h, days from 2 days.

    >>> span(24.2), span(1500), span(3 * 3600), span(3 * 86400)
    ('25 s', '25 min', '3 h', '3 days')
    """
    if duration_s < 120:
        return f"{math.ceil(max(0.0, duration_s) - 1e-6)} s"
    minutes = math.ceil(duration_s / 60 - 1e-6)
    if minutes < 120:
        return f"{minutes} min"
    hours, rest = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {rest} min" if rest else f"{hours} h"
    return f"{round(duration_s / 86400)} days"


def age(then: Instant, now: Instant) -> str:
    """Return how old something is, rounded down so that it never looks older than it is: "2 s", "14 min", "3 h".

    >>> age(0, 2_900_000), age(0, 14 * 60_000_000)
    ('2 s', '14 min')
    """
    seconds = max(0.0, seconds_between(then, now))
    if seconds < 120:
        return f"{int(seconds)} s"
    if seconds < 7200:
        return f"{int(seconds // 60)} min"
    return f"{int(seconds // 3600)} h" if seconds < 172800 else f"{int(seconds // 86400)} days"
