"""Faults of a whole connection or server: what `faults` is to a single reply. `fault_desk` begins and ends them."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from simulators.faults import ReplyFault


class LinkFault(StrEnum):
    """What can befall a connection. The first three on Modbus, the others on OPC UA."""

    REFUSE = "refuse"
    """Standing connections are cut and new ones refused."""
    CONNECTION_LIMIT = "connection_limit"
    """No more connections than `value` are taken."""
    DROP = "drop"
    """Every standing connection is reset, once."""
    SERVER_FROZEN = "server_frozen"
    """The server answers, and nothing moves, its own clock included."""
    SERVER_KILLED = "server_killed"
    """The server is gone without a goodbye, and comes back when the fault ends."""
    SERVER_RESTARTED = "server_restarted"
    """The server says goodbye and is back at once, with a new start time and no sessions."""
    NAMESPACE_INSERTED = "namespace_inserted"
    """The server restarts with one more namespace, so that the indices of the others move up."""
    NODE_REMOVED = "node_removed"
    """The server restarts without the node of `signal`."""
    BAD_STATUS = "bad_status"
    """The node of `signal` (of every signal without one) answers BadSensorFailure."""
    NO_SOURCE_TIME = "no_source_time"
    """Values come without the source's timestamp."""


MODBUS_FAULTS = frozenset({LinkFault.REFUSE, LinkFault.CONNECTION_LIMIT, LinkFault.DROP})
OPCUA_FAULTS = frozenset(LinkFault) - MODBUS_FAULTS
AT_ONCE = frozenset({LinkFault.DROP, LinkFault.SERVER_RESTARTED})
"""Faults that are over as soon as they have happened."""
OF_SIGNALS = frozenset({LinkFault.NODE_REMOVED, LinkFault.BAD_STATUS})

FaultKind = ReplyFault | LinkFault


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One fault with its particulars.

    replies: how many replies go wrong, None for as long as it lasts, each with `probability`. signal: key of the signal it is about.
    value: the number of connections.
    """

    kind: FaultKind
    replies: int | None = None
    probability: float = 1.0
    delay_s: float = 0.0
    exception_code: int = 4
    signal: str = ""
    value: int = 1
