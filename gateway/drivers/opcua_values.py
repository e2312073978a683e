"""From what an OPC UA server gives to readings: status to quality, times to instants, notifications to readings in order. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from gateway.instants import SECOND, Instant
from gateway.motors.reading import Flaw, Quality, Reading, Scalar, TimeSource
from gateway.registers.decode import decode_scalar
from gateway.registers.model import Signal
from gateway.registers.roles import ROLES, RoleKind

TRUST_PAST: Instant = 10 * SECOND
TRUST_FUTURE: Instant = 2 * SECOND
"""A stamp further from the moment of receipt is not taken: the clock is wrong, or the value has not changed for long."""

_OVERFLOW_BITS = 0x480
"""InfoType DataValue with the Overflow bit (OPC 10000-4, 7.39.1): the server's queue lost changes before this one."""


@dataclass(frozen=True, slots=True)
class NodeValue:
    """One value as the server gave it: raw value, status code with its name, the times that came with it, and its type's name."""

    raw: object
    status: int
    status_name: str
    source_at: Instant | None
    server_at: Instant | None
    received_at: Instant
    data_type: str = ""

    @property
    def lost_changes(self) -> bool:
        """True when the server says that its queue overflowed."""
        return self.status & _OVERFLOW_BITS == _OVERFLOW_BITS


def quality_of(status: int) -> Quality:
    """Return the quality of a status code: its two highest bits; the reserved severity 3 counts as bad (OPC 10000-4, 7.39.1).

    >>> [quality_of(code).name for code in (0, 0x40900000, 0x80310000, 0xC0000000)]
    ['GOOD', 'UNCERTAIN', 'BAD', 'BAD']
    """
    return Quality(min(status >> 30, Quality.BAD))


def value_of(signal: Signal, node: NodeValue) -> tuple[Scalar | None, Flaw | None]:
    """Return the value of a signal and what is wrong with it: bad has no value, uncertain has both."""
    quality = quality_of(node.status)
    if quality is Quality.BAD:
        return None, Flaw(Quality.BAD, f"the server says {node.status_name}")
    value, flaw = decode_scalar(signal, node.raw)
    if value is not None and signal.role is not None and ROLES[signal.role].kind is RoleKind.COUNTER and not _is_count(value):
        return None, Flaw(Quality.BAD, f"the server gave {value} where a count is needed")
    if flaw is None and quality is Quality.UNCERTAIN:
        flaw = Flaw(Quality.UNCERTAIN, f"the server says {node.status_name}")
    return value, flaw


def _is_count(value: Scalar) -> bool:
    """True for whole numbers from 0: the type comes from the server, and some keep counts as floats."""
    return isinstance(value, (int, float)) and not isinstance(value, bool) and value >= 0 and value == int(value)


def moment_of(nodes: Sequence[NodeValue], last_at: Instant) -> tuple[Instant, TimeSource]:
    """Return the time of values that came together: the newest source time, else server time, else the moment of receipt.

    A stamp that cannot be trusted, or that is no later than the reading before (`last_at`: nothing changed since), is passed over for
    the next in rank; only the moment of receipt is taken as it is.
    """
    received = max(node.received_at for node in nodes)
    ranked = (
        (TimeSource.SOURCE, [node.source_at for node in nodes]),
        (TimeSource.SERVER, [node.server_at for node in nodes]),
    )
    for rank, stamps in ranked:
        fit = [stamp for stamp in stamps if stamp is not None and -TRUST_PAST <= stamp - received <= TRUST_FUTURE and stamp > last_at]
        if fit:
            return max(fit), rank
    # Within the trusted skew time still moves on; beyond it the gateway's own clock was set back.
    return (last_at + 1 if 0 <= last_at - received <= TRUST_FUTURE else received), TimeSource.RECEIVED


class Image:
    """The last known state of one starter's subscribed signals; a signal that is not notified has not changed.

    Every change gives a reading with the whole state at that instant, in time order. A change that comes too late for its place in time
    (a later reading was already given) still enters the state and shows in the next reading.
    """

    def __init__(self) -> None:
        self.values: dict[str, Scalar] = {}
        self.flaws: dict[str, Flaw] = {}
        self.last_at: Instant = 0

    def put(self, signal: Signal, node: NodeValue) -> bool:
        """Enter one value; return whether the state changed."""
        value, flaw = value_of(signal, node)
        key = signal.key
        before = self.values.get(key), self.flaws.get(key)
        self.values.pop(key, None)
        self.flaws.pop(key, None)
        if value is not None:
            self.values[key] = value
        if flaw is not None:
            self.flaws[key] = flaw
        return before != (value, flaw)

    def take(self, changes: Iterable[tuple[Signal, NodeValue]]) -> list[Reading]:
        """Return the readings that these notifications make, values of one instant in one reading."""
        ranked = sorted(changes, key=lambda change: moment_of([change[1]], 0)[0])
        readings: list[Reading] = []
        place = 0
        while place < len(ranked):
            moment = moment_of([ranked[place][1]], 0)[0]
            together = [change for change in ranked[place:] if moment_of([change[1]], 0)[0] == moment]
            place += len(together)
            changed = [self.put(signal, node) for signal, node in together]
            at, rank = moment_of([node for _, node in together], self.last_at)
            if any(changed) and at > self.last_at:
                readings.append(self.reading(at, rank))
        return readings

    def reading(
        self, at: Instant, rank: TimeSource, values: Mapping[str, Scalar] | None = None, flaws: Mapping[str, Flaw] | None = None
    ) -> Reading:
        """Return the state at `at` together with values read beside it, and remember the time."""
        self.last_at = max(self.last_at, at)
        return Reading(at, {**self.values, **(values or {})}, {**self.flaws, **(flaws or {})}, rank)

    def bad_reading(self, at: Instant, flaws: Mapping[str, Flaw]) -> Reading:
        """Return a reading without values, in time order after the last one."""
        moment = self.last_at + 1 if 0 <= self.last_at - at <= TRUST_FUTURE else at
        self.last_at = max(self.last_at, moment)
        return Reading(moment, {}, flaws)
