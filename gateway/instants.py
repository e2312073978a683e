"""Instants: UTC as int64 microseconds since 1970, the only form of time inside the program.

Text and time zones exist at the edges alone. A duration is a float of seconds; an instant is never a float.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

Instant = int
"""UTC, microseconds since 1970-01-01T00:00:00Z."""

SECOND: Instant = 1_000_000
MINUTE: Instant = 60 * SECOND
HOUR: Instant = 3600 * SECOND

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def seconds_between(earlier: Instant, later: Instant) -> float:
    """Return the signed time from one instant to another [s].

    >>> seconds_between(1_000_000, 3_500_000)
    2.5
    """
    return (later - earlier) / SECOND


def after(at: Instant, duration_s: float) -> Instant:
    """Return the instant `duration_s` seconds after `at`, rounded to the microsecond.

    >>> after(0, 1.5)
    1500000
    """
    return at + round(duration_s * SECOND)


def from_datetime(moment: datetime) -> Instant:
    """Return an aware datetime as an instant; a naive one raises ValueError."""
    if moment.tzinfo is None:
        raise ValueError(f"{moment.isoformat()} has no time zone")
    return (moment - _EPOCH) // timedelta(microseconds=1)


def to_datetime(at: Instant) -> datetime:
    """Return an instant as an aware UTC datetime.

    >>> to_datetime(0).isoformat()
    '1970-01-01T00:00:00+00:00'
    """
    return _EPOCH + timedelta(microseconds=at)


def to_iso(at: Instant) -> str:
    """Return an instant as ISO 8601 UTC text with a Z.

    >>> to_iso(1_500_000)
    '1970-01-01T00:00:01.500000Z'
    """
    return to_datetime(at).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def from_iso(text: str) -> Instant:
    """Return ISO 8601 text with a zone or Z as an instant; ValueError when it is not one or has no zone.

    >>> from_iso("1970-01-01T00:00:01Z")
    1000000
    """
    return from_datetime(datetime.fromisoformat(text))
