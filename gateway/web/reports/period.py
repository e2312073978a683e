"""The period of a report: two instants, chosen as local days of the plant or as exact instants. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from gateway.errors import InputError, Problem
from gateway.instants import MINUTE, SECOND, Instant, from_datetime, from_iso, to_datetime
from gateway.web.typed_day import typed_day

USUAL_DAYS = 7
LONGEST_DAYS = 366
_ALLOWED = "a day of the plant such as 2026-03-12, or an instant with a zone such as 2026-03-12T14:12:00Z"


@dataclass(frozen=True, slots=True)
class Period:
    """From `from_at` until just before `to_at`."""

    from_at: Instant
    to_at: Instant

    @property
    def length_s(self) -> float:
        """Return how long it is [s]."""
        return (self.to_at - self.from_at) / SECOND

    def holds(self, at: Instant) -> bool:
        """Return whether an instant lies in it.

        >>> Period(0, 10).holds(0), Period(0, 10).holds(10)
        (True, False)
        """
        return self.from_at <= at < self.to_at


def day_begin(day: date, zone: ZoneInfo) -> Instant:
    """Return the instant at which a local day begins.

    >>> day_begin(date(2026, 7, 1), ZoneInfo("Europe/London")) == from_iso("2026-06-30T23:00:00Z")
    True
    """
    return from_datetime(datetime.combine(day, time(), tzinfo=zone))


def chosen_period(from_text: str | None, to_text: str | None, zone: ZoneInfo, now: Instant) -> Period:
    """Return the period that was asked for; without a begin the seven days up to its end, without an end until now (whole minutes).

    A day as the end is meant with all its hours. What lies in the future is left out. InputError names every mistake.

    >>> zone = ZoneInfo("Europe/London")
    >>> now = from_iso("2026-03-12T14:12:30Z")
    >>> chosen_period("2026-03-01", "2026-03-02", zone, now).length_s / 3600
    48.0
    >>> chosen_period(None, None, zone, now).to_at == from_iso("2026-03-12T14:12:00Z")
    True
    """
    problems: list[Problem] = []
    this_minute = now - now % MINUTE
    to_at = this_minute if not to_text else _instant("--to", to_text, zone, 1, problems)
    end = min(to_at, this_minute) if to_at is not None else this_minute
    last_day = to_datetime(end - 1).astimezone(zone).date()
    default = day_begin(last_day - timedelta(days=USUAL_DAYS - 1), zone)
    from_at = default if not from_text else _instant("--from", from_text, zone, 0, problems)
    if from_at is not None and not problems:
        problems += _order_problems(from_at, end, from_text or "")
    if problems or from_at is None:
        raise InputError(problems)
    return Period(from_at, end)


def week_before(weekday: int, zone: ZoneInfo, now: Instant) -> Period:
    """Return the last whole seven local days that ended where a weekday (0 Monday) began.

    >>> zone = ZoneInfo("Europe/London")
    >>> week = week_before(0, zone, from_iso("2026-03-12T14:12:00Z"))     # a Thursday
    >>> to_datetime(week.from_at).date().isoformat(), to_datetime(week.to_at).date().isoformat()
    ('2026-03-02', '2026-03-09')
    """
    today = to_datetime(now).astimezone(zone).date()
    end = today - timedelta(days=(today.weekday() - weekday) % 7)
    return Period(day_begin(end - timedelta(days=7), zone), day_begin(end, zone))


def _instant(field: str, text: str, zone: ZoneInfo, days_more: int, problems: list[Problem]) -> Instant | None:
    text = text.strip()
    try:
        if len(text) <= 10:
            return day_begin(typed_day(text) + timedelta(days=days_more), zone)
        return from_iso(text)
    except (ValueError, OverflowError):
        message = "this is neither a day nor an instant with a zone"
        problems.append(Problem(file="period", field=field, found=text[:60], allowed=_ALLOWED, message=message))
        return None


def _order_problems(from_at: Instant, end: Instant, found: str) -> list[Problem]:
    if from_at >= end:
        message = "the period must begin before it ends, and before now"
        return [Problem(file="period", field="--from", found=found or "its begin after its end", allowed="an earlier day", message=message)]
    if (end - from_at) / (86400 * SECOND) > LONGEST_DAYS + 1:
        message = f"a report covers at most {LONGEST_DAYS} days"
        return [Problem(file="period", field="--from", found=found, allowed="a later day", message=message)]
    return []
