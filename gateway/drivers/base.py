"""What every wire looks like to the rest of the program: a link with starters behind it, polls, and faults in plain words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple, Protocol

from gateway.drivers.opcua_values import NodeValue
from gateway.motors.reading import Reading
from gateway.motors.records import Pace
from gateway.registers.model import RegisterMap
from gateway.registers.raw_block import RawBlock


class FaultKind(StrEnum):
    """Classes of faults on a wire; the text that goes with each is in `Fault.text`."""

    BAD_NAME = "bad_name"
    """The host name does not resolve."""
    NO_ROUTE = "no_route"
    REFUSED = "refused"
    """Nothing listens at that port, or the device turned the connection away."""
    NO_ANSWER = "no_answer"
    CLOSED = "closed"
    """The device closed or reset the connection."""
    WRONG_ID = "wrong_id"
    """Reply with a transaction id that was not asked for."""
    WRONG_UNIT = "wrong_unit"
    WRONG_FUNCTION = "wrong_function"
    WRONG_COUNT = "wrong_count"
    """Reply shorter, longer or odd."""
    GARBAGE = "garbage"
    """Bytes that are no reply at all."""
    CRC = "crc"
    EXCEPTION = "exception"
    """A Modbus exception reply; the text names it."""
    BAD_STATUS = "bad_status"
    """OPC UA: the server answers with a bad status."""
    NO_NODE = "no_node"
    """OPC UA: the namespace or node is not there."""
    FROZEN = "frozen"
    """OPC UA: connected, but nothing moves."""
    SECURITY = "security"
    BLOCKED = "blocked"
    """The outgoing-bytes guard stopped a request that is not a read."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One fault on a link: its class, plain words with what to look at, and whether the link must be closed because of it."""

    kind: FaultKind
    text: str
    breaks_link: bool = False


class Poll(NamedTuple):
    """What one turn for one starter brought. (A named tuple because one is made for every poll.)

    readings: in time order; the last one belongs to this poll, earlier ones are notifications since the last. Never empty: when nothing
        could be read it holds one reading whose signals are all flawed with the reason.
    round_trip_s: time on the wire of this poll's requests together.
    is_unchanged: a look at the watched signals showed what the last poll had shown; the reading holds only those and says nothing new.
    raw: the bytes of every request that was answered or refused (Modbus), for whoever looks at a map.
    nodes: the last value of each node as the server gave it, by signal key (OPC UA); None on a wire without nodes.
    """

    readings: tuple[Reading, ...]
    faults: tuple[Fault, ...] = ()
    requests: int = 0
    round_trip_s: float = 0.0
    is_unchanged: bool = False
    raw: tuple[RawBlock, ...] = ()
    nodes: Mapping[str, NodeValue] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Attached:
    """One starter behind a link: its name, the unit id (Modbus) and its map."""

    starter: str
    map: RegisterMap
    unit: int = 1


class Link(Protocol):
    """One connection to one address, owned by one worker. Nothing here raises for what a device does: faults are values."""

    address: str
    """As shown to people: "modbus 10.0.0.5:502"."""

    @property
    def is_open(self) -> bool:
        """True while the connection is usable."""
        ...

    @property
    def notes(self) -> tuple[str, ...]:
        """What people should know about the link though it is no fault now, in sentences; bounded."""
        ...

    async def open(self) -> Fault | None:
        """Connect once; return why it failed, None when it is open. Never waits longer than the link's timeout."""
        ...

    async def poll(self, starter: str, pace: Pace) -> Poll:
        """Read one starter. `Pace.SLOW` reads every signal, `Pace.WATCH` those marked so, any other pace those that are not marked slow.

        On a closed link the poll says so at once.
        """
        ...

    async def close(self) -> None:
        """Close; safe to call twice, never raises."""
        ...
