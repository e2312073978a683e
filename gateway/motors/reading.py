"""One reading: what one poll or notification told about one starter, with time and quality.

Values that are good or uncertain stand in `values` under the signal's key; a bad value stands only in `flaws`, so that it can never be
taken for 0 or for the last good one. An uncertain value stands in both. NaN and infinities never get here: the decoder turns them
into flaws.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntEnum, StrEnum
from types import MappingProxyType

from gateway.instants import Instant

Scalar = float | int | bool | str


class Quality(IntEnum):
    """Severity of an OPC UA StatusCode (OPC 10000-4, 7.39.1), bits 31..30."""

    GOOD = 0
    """May be used."""
    UNCERTAIN = 1
    """May be used with care; the flaw says why."""
    BAD = 2
    """Must not be used; there is no value."""


class TimeSource(StrEnum):
    """Which clock stamped the reading, best first."""

    SOURCE = "source"
    """The device, when the value changed."""
    SERVER = "server"
    """The device's server, when it saw the value."""
    RECEIVED = "received"
    """The gateway, when the reply arrived."""


@dataclass(frozen=True, slots=True)
class Flaw:
    """Why a value is not good, in plain words."""

    quality: Quality
    reason: str


NO_FLAWS: Mapping[str, Flaw] = MappingProxyType({})


def _no_flaws() -> Mapping[str, Flaw]:
    return NO_FLAWS


@dataclass(frozen=True, slots=True)
class Reading:
    """All signals of one starter from one poll, notification or trace line.

    at: instant of the values, UTC [us].
    values: good and uncertain values by signal key (the role where the signal has one, else its name), in the unit of the signal.
        A key that is absent from both `values` and `flaws` was not read this time (it belongs to a slower pace).
    flaws: what is not good, by signal key.
    time_source: which clock gave `at`.
    """

    at: Instant
    values: Mapping[str, Scalar]
    flaws: Mapping[str, Flaw] = field(default_factory=_no_flaws)
    time_source: TimeSource = TimeSource.RECEIVED

    def number(self, key: str) -> float | None:
        """Return a value as a float, None when it is absent, bad or text.

        >>> Reading(0, {"current": 12.5}).number("current")
        12.5
        >>> Reading(0, {}, {"current": Flaw(Quality.BAD, "no link")}).number("current") is None
        True
        """
        value = self.values.get(key)
        return None if value is None or isinstance(value, str) else float(value)

    def flag(self, key: str) -> bool | None:
        """Return a status bit, None when it is unknown.

        >>> Reading(0, {"running": True}).flag("running")
        True
        """
        value = self.values.get(key)
        return None if value is None or isinstance(value, str) else bool(value)

    def quality_of(self, key: str) -> Quality:
        """Return the quality of one signal; a signal that was not read is BAD.

        >>> Reading(0, {"current": 1.0}).quality_of("current").name
        'GOOD'
        """
        flaw = self.flaws.get(key)
        if flaw is not None:
            return flaw.quality
        return Quality.GOOD if key in self.values else Quality.BAD

    @property
    def has_data(self) -> bool:
        """True when at least one value may be used."""
        return bool(self.values)
