"""The bytes of a Modbus read request in both framings, and the check sum of the serial one. Pure."""

from __future__ import annotations

import struct

from gateway.registers.model import Span
from gateway.site import Framing

_SWAPPED_POLYNOMIAL = 0xA001


def _table() -> tuple[int, ...]:
    table = []
    for byte in range(256):
        crc = byte
        for _ in range(8):
            crc = crc >> 1 ^ _SWAPPED_POLYNOMIAL if crc & 1 else crc >> 1
        table.append(crc)
    return tuple(table)


_CRC_OF_BYTE = _table()


def crc_of(data: bytes) -> int:
    """Return the check sum of serial Modbus, to be sent low byte first (Modbus over Serial Line V1.02, 6.2.2).

    >>> crc_of(bytes.fromhex("0207")).to_bytes(2, "little").hex()
    '4112'
    """
    crc = 0xFFFF
    for byte in data:
        crc = crc >> 8 ^ _CRC_OF_BYTE[(crc ^ byte) & 0xFF]
    return crc


def with_crc(data: bytes) -> bytes:
    """Return unit and PDU with their check sum: a whole frame in RTU framing."""
    return data + crc_of(data).to_bytes(2, "little")


def read_request(framing: Framing, unit: int, span: Span, transaction_id: int = 1) -> bytes:
    """Return the request for one span as it leaves the gateway.

    >>> from gateway.registers.model import Table
    >>> read_request(Framing.TCP, 17, Span(Table.HOLDING, 107, 109)).hex(" ")
    '00 01 00 00 00 06 11 03 00 6b 00 03'
    >>> read_request(Framing.RTU, 17, Span(Table.HOLDING, 107, 109)).hex(" ")
    '11 03 00 6b 00 03 76 87'
    """
    request = struct.pack(">BBHH", unit, span.table.function_code, span.first, span.count)
    return with_crc(request) if framing is Framing.RTU else struct.pack(">HHH", transaction_id, 0, len(request)) + request
