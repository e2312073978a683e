"""How requests and replies are wrapped on the stream: Modbus TCP, and RTU frames carried over TCP as many serial bridges do.

Modbus TCP: header of transaction, protocol, length, unit (Modbus Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3). RTU: unit,
protocol data unit, CRC, low byte first (Modbus over Serial Line V1.02, 2.5.1.2). An RTU frame has no length in it: a request's length
follows from its function code. A frame with a wrong CRC, or whose length cannot be known, is thrown away in silence, as a device does
after the pause that ends a frame.
"""

from __future__ import annotations

import struct
from enum import StrEnum
from typing import NamedTuple

_HEADER = struct.Struct(">HHHB")
_LONGEST_PDU = 253
_LONGEST_RTU = 256


class Framing(StrEnum):
    """The two ways."""

    TCP = "tcp"
    RTU = "rtu"


class Request(NamedTuple):
    """One request. An RTU frame has no transaction; it counts as 0."""

    transaction: int
    unit: int
    pdu: bytes


class Split(NamedTuple):
    """What a stream held: whole requests, the bytes that are left, and how many frames were thrown away.

    broken: the stream is no Modbus TCP at all and cannot be read on.
    """

    requests: tuple[Request, ...]
    rest: bytes
    thrown: int = 0
    broken: bool = False


def crc16(data: bytes) -> int:
    """Return the CRC of an RTU frame (Modbus over Serial Line V1.02, 6.2.2), low byte first on the wire.

    >>> hex(crc16(bytes.fromhex("0207")))
    '0x1241'
    """
    crc = 0xFFFF
    for byte in data:
        crc = _CRC_TABLE[(crc ^ byte) & 0xFF] ^ (crc >> 8)
    return crc


def _table() -> tuple[int, ...]:
    rows = []
    for value in range(256):
        for _ in range(8):
            value = (value >> 1) ^ (0xA001 if value & 1 else 0)
        rows.append(value)
    return tuple(rows)


_CRC_TABLE = _table()


def tcp_frame(transaction: int, unit: int, pdu: bytes) -> bytes:
    """Return a protocol data unit as a Modbus TCP frame."""
    return _HEADER.pack(transaction, 0, len(pdu) + 1, unit) + pdu


def rtu_frame(unit: int, pdu: bytes) -> bytes:
    """Return a protocol data unit as an RTU frame.

    >>> rtu_frame(1, bytes.fromhex("0302022b")).hex()
    '010302022bf93b'
    """
    body = bytes((unit,)) + pdu
    return body + crc16(body).to_bytes(2, "little")


def split_tcp(stream: bytes) -> Split:
    """Return the requests at the head of a Modbus TCP stream."""
    requests: list[Request] = []
    start = 0
    while len(stream) - start >= _HEADER.size:
        transaction, protocol, length, unit = _HEADER.unpack_from(stream, start)
        if protocol != 0 or not 2 <= length <= _LONGEST_PDU + 1:
            return Split(tuple(requests), b"", broken=True)
        end = start + 6 + length
        if end > len(stream):
            break
        requests.append(Request(transaction, unit, stream[start + 7 : end]))
        start = end
    return Split(tuple(requests), stream[start:])


def split_rtu(stream: bytes) -> Split:
    """Return the requests at the head of a stream of RTU frames.

    >>> split_rtu(rtu_frame(7, bytes.fromhex("0300000001"))).requests
    (Request(transaction=0, unit=7, pdu=b'\\x03\\x00\\x00\\x00\\x01'),)
    """
    requests: list[Request] = []
    while stream:
        length = _rtu_length(stream)
        if length is None or (length > len(stream) and len(stream) < _LONGEST_RTU):
            return Split(tuple(requests), stream)
        frame = stream[:length]
        if length > _LONGEST_RTU or not _is_sound(frame):
            return Split(tuple(requests), b"", thrown=1)
        requests.append(Request(0, frame[0], frame[1:-2]))
        stream = stream[length:]
    return Split(tuple(requests), b"")


def _is_sound(frame: bytes) -> bool:
    return len(frame) >= 4 and crc16(frame[:-2]) == int.from_bytes(frame[-2:], "little")


def _rtu_length(stream: bytes) -> int | None:
    """Return how long the frame at the head is, None when too little of it is there to know."""
    if len(stream) < 2:
        return None
    function = stream[1]
    if function in _FIXED:
        return _FIXED[function]
    if function in (15, 16):
        return None if len(stream) < 7 else 9 + stream[6]
    # Of an unknown function only what came together is known, which is how a pause ends a frame on the line.
    return len(stream)


_FIXED = {1: 8, 2: 8, 3: 8, 4: 8, 5: 8, 6: 8, 7: 4, 8: 8, 11: 4, 12: 4, 17: 4, 22: 10, 43: 7}
