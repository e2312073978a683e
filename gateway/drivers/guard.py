"""The guard on outgoing bytes: whatever a library was told to do, nothing but a read leaves the gateway.

Pure. `modbus_connection` asks it about every frame in the send path, after the library has built the bytes and before the socket sees them.
"""

from __future__ import annotations

from gateway.drivers.frames import crc_of

READ_FUNCTIONS = frozenset({1, 2, 3, 4})
"""Read coils, discrete inputs, holding registers, input registers (Modbus Application Protocol V1.1b3, 6.1 to 6.4)."""

IDENTIFICATION = (43, 14)
"""Function and sub-function of Read Device Identification (V1.1b3, 6.21)."""

_READ_BYTES = 12
_IDENTIFICATION_BYTES = 11
_RTU_BYTES = 8
_MOST_BITS, _MOST_REGISTERS = 2000, 125
_LAST_ADDRESS = 65536


def check_outgoing(frame: bytes, *, identification: bool = False) -> str | None:
    """Return why these bytes must not be sent, in words; None when they are exactly one read request.

    frame: a Modbus TCP frame: transaction id (2), protocol id 0 (2), length (2), unit (1), function (1), address (2), count (2).
    identification: the map asks for the device identification, function 43/14.

    >>> check_outgoing(bytes.fromhex("000100000006 11 03 006B 0003"))
    >>> check_outgoing(bytes.fromhex("000100000006 11 06 0001 0003"))
    'function 6 (write single register) is not a read'
    """
    if len(frame) < 8:
        return f"{len(frame)} bytes are no request"
    if frame[2:4] != b"\0\0":
        return f"protocol id {int.from_bytes(frame[2:4], 'big')} is not Modbus"
    function = frame[7]
    identifies = identification and (function, *frame[8:9]) == IDENTIFICATION
    if function not in READ_FUNCTIONS and not identifies:
        name = _NAMES.get(function)
        return f"function {function}{f' ({name})' if name else ''} is not a read"
    expected = _READ_BYTES if function in READ_FUNCTIONS else _IDENTIFICATION_BYTES
    if len(frame) != expected or int.from_bytes(frame[4:6], "big") != expected - 6:
        return f"{len(frame)} bytes with length field {int.from_bytes(frame[4:6], 'big')} are not one request of {expected} bytes"
    return _check_span(function, frame[8:12]) if function in READ_FUNCTIONS else None


def check_outgoing_rtu(frame: bytes) -> str | None:
    """Return why these bytes in RTU framing must not be sent; None when they are exactly one read request.

    frame: unit (1), function (1), address (2), count (2), check sum (2).

    >>> check_outgoing_rtu(bytes.fromhex("11 03 006B 0003 7687"))
    >>> check_outgoing_rtu(bytes.fromhex("11 06 0001 0003 9A9B"))
    'function 6 (write single register) is not a read'
    """
    if len(frame) < 4:
        return f"{len(frame)} bytes are no request"
    if frame[1] not in READ_FUNCTIONS:
        name = _NAMES.get(frame[1])
        return f"function {frame[1]}{f' ({name})' if name else ''} is not a read"
    if len(frame) != _RTU_BYTES:
        return f"{len(frame)} bytes are not one request of {_RTU_BYTES} bytes"
    if crc_of(frame[:6]) != int.from_bytes(frame[6:], "little"):
        return "the check sum is wrong"
    return _check_span(frame[1], frame[2:6])


def _check_span(function: int, span: bytes) -> str | None:
    first, count = int.from_bytes(span[:2], "big"), int.from_bytes(span[2:], "big")
    most = _MOST_BITS if function in (1, 2) else _MOST_REGISTERS
    if not 1 <= count <= most:
        return f"count {count} is outside 1 to {most}"
    if first + count > _LAST_ADDRESS:
        return f"addresses {first} to {first + count - 1} run past 65535"
    return None


_NAMES = {
    5: "write single coil",
    6: "write single register",
    8: "diagnostics",
    15: "write multiple coils",
    16: "write multiple registers",
    21: "write file record",
    22: "mask write register",
    23: "read/write multiple registers",
    43: "encapsulated interface",
}

READ_SERVICES = frozenset(
    {
        "GetEndpointsRequest",
        "CreateSessionRequest",
        "ActivateSessionRequest",
        "CloseSessionRequest",
        "ReadRequest",
        "BrowseRequest",
        "BrowseNextRequest",
        "TranslateBrowsePathsToNodeIdsRequest",
        "CreateSubscriptionRequest",
        "DeleteSubscriptionsRequest",
        "CreateMonitoredItemsRequest",
        "PublishRequest",
    }
)
"""OPC UA services that read, browse and subscribe, and what a session for them needs (OPC 10000-4, 5)."""


def check_service(request: str) -> str | None:
    """Return why this OPC UA request must not be sent, in words; None when it only reads.

    >>> check_service("ReadRequest")
    >>> check_service("WriteRequest")
    'service Write is not a read'
    """
    return None if request in READ_SERVICES else f"service {request.removesuffix('Request')} is not a read"
