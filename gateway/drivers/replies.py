"""Is this the reply to what was asked? Pure checks of a Modbus TCP reply, byte by byte.

The protocol library checks neither the function nor the count of a reply and lets transaction id 0 pass, so that a shifted or foreign
reply would become a value. Here only the exact reply passes: id, protocol, unit, function, length and byte count all as asked.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from gateway.drivers.base import Fault, FaultKind

HEADER_BYTES = 7
_LONGEST_LENGTH = 254
_RIGHT = struct.Struct(">HHHBBB")
"""Transaction id, protocol id, length, unit, function, byte count: how the right reply begins."""
_REGISTERS = tuple(struct.Struct(f">{count}H") for count in range(256))


@dataclass(slots=True)
class Asked:
    """One request on its way: what its reply must say. (Not frozen because one is made for every request.)

    id_zero: the map says that the device answers with transaction id 0.
    """

    transaction_id: int
    unit: int
    function_code: int
    first: int
    count: int
    id_zero: bool = False

    @property
    def byte_count(self) -> int:
        """Data bytes of the reply (Application Protocol V1.1b3, 6.1 to 6.4).

        >>> Asked(1, 17, 1, 19, 19).byte_count, Asked(1, 17, 3, 107, 3).byte_count
        (3, 6)
        """
        return (self.count + 7) // 8 if self.function_code in (1, 2) else 2 * self.count


class Data(NamedTuple):
    """The data bytes of the right reply."""

    payload: bytes


def check_reply(asked: Asked, received: bytes) -> Data | Fault | None:
    """Return the data of the reply, or why these bytes are not it; None while they may still become it.

    received: everything that arrived since the request was sent.

    >>> asked = Asked(1, 17, 3, 107, 3)
    >>> check_reply(asked, bytes.fromhex("000100000009 11 03 06 022B 0000 0064")).payload.hex()
    '022b00000064'
    >>> check_reply(asked, bytes.fromhex("0001000000"))
    >>> check_reply(asked, bytes.fromhex("000100000003 11 83 02")).text
    'exception 2, illegal data address: the device has not every register of 107 to 109 (as on the wire); check address and first_address'
    """
    size = asked.byte_count
    right = _RIGHT.pack(asked.transaction_id, 0, 3 + size, asked.unit, asked.function_code, size)
    if received.startswith(right) and len(received) == len(right) + size:
        return Data(received[_RIGHT.size :])
    # It is not the right reply, or not the whole of it: find out which.
    if len(received) < HEADER_BYTES + 1:
        return None
    return _check_header(asked, received) or _check_body(asked, received)


def _check_header(asked: Asked, received: bytes) -> Fault | None:
    transaction_id, protocol, length, unit, function = struct.unpack_from(">HHHBB", received)
    if protocol != 0 or not 2 < length <= _LONGEST_LENGTH:
        text = f"bytes that are no Modbus TCP reply ({received[:12].hex(' ')}): check that this port speaks Modbus TCP, not RTU over TCP"
        return broken(FaultKind.GARBAGE, text)
    if transaction_id != asked.transaction_id and not (transaction_id == 0 and asked.id_zero):
        return broken(FaultKind.WRONG_ID, _wrong_id_text(asked.transaction_id, transaction_id))
    if unit != asked.unit:
        text = f"unit {asked.unit} was asked but unit {unit} answered: check the unit id of the starter in the site file"
        return broken(FaultKind.WRONG_UNIT, text)
    if function & 0x7F != asked.function_code:
        text = (
            f"function {asked.function_code} was asked, the reply is to function {function & 0x7F}: the device or a bridge mixes up replies"
        )
        return broken(FaultKind.WRONG_FUNCTION, text)
    return None


def _wrong_id_text(asked: int, found: int) -> str:
    if found == 0:
        return "the reply has transaction id 0: if the device always answers so, set answers_id_zero: true in its map"
    return f"the reply has transaction id {found}, asked was {asked}: it belongs to another request; a bridge mixes up or repeats replies"


def _check_body(asked: Asked, received: bytes) -> Data | Fault | None:
    length, function = int.from_bytes(received[4:6], "big"), received[7]
    is_exception = function > 0x7F
    expected = 3 if is_exception else 3 + asked.byte_count
    if length != expected:
        return broken(FaultKind.WRONG_COUNT, f"the reply says it is {length} bytes long, right would be {expected}: {count_hint(asked)}")
    if not is_exception and len(received) > 8 and received[8] != asked.byte_count:
        text = f"the reply holds {received[8]} data bytes, right would be {asked.byte_count}: {count_hint(asked)}"
        return broken(FaultKind.WRONG_COUNT, text)
    whole = HEADER_BYTES - 1 + length
    if len(received) < whole:
        return None
    if len(received) > whole:
        text = f"{len(received) - whole} bytes more than the reply: the device or a bridge sends what nobody asked for"
        return broken(FaultKind.GARBAGE, text)
    if is_exception:
        return Fault(kind=FaultKind.EXCEPTION, text=exception_text(received[8], asked))
    return Data(received[9:whole])


def count_hint(asked: Asked) -> str:
    """Return what to look at when a reply has another length."""
    return f"{asked.count} {'bits' if asked.function_code in (1, 2) else 'registers'} were asked; check the largest block the device takes"


def broken(kind: FaultKind, text: str) -> Fault:
    """Return a fault after which the next reply would be doubtful, so that the connection must go."""
    return Fault(kind=kind, text=text, breaks_link=True)


def exception_code(received: bytes) -> int | None:
    """Return the code of an exception reply, None for any other bytes.

    >>> exception_code(bytes.fromhex("000100000003 11 83 0B"))
    11
    """
    return received[8] if len(received) == 9 and received[7] > 0x7F else None


def exception_text(code: int, asked: Asked) -> str:
    """Return an exception in plain words with what to look at (Application Protocol V1.1b3, 7; code 7 from the older issue).

    >>> exception_text(10, Asked(1, 5, 3, 0, 1))
    'exception 10, gateway path unavailable: the bridge has no way to unit 5; check its serial port settings and routing'
    """
    name, advice = _EXCEPTIONS.get(code, ("not in the standard", "see the device's manual"))
    last = asked.first + asked.count - 1
    place = f"{asked.first}" if asked.count == 1 else f"{asked.first} to {last}"
    kind = "bit" if asked.function_code in (1, 2) else "register"
    text = advice.format(function=asked.function_code, place=place, unit=asked.unit, kind=kind, count=asked.count)
    return f"exception {code}, {name}: {text}"


_EXCEPTIONS = {
    1: ("illegal function", "the device does not know function {function}; the table in the map is not one that it has"),
    2: ("illegal data address", "the device has not every {kind} of {place} (as on the wire); check address and first_address"),
    3: ("illegal data value", "the device refuses a request for {count}; set a smaller largest_block in the map"),
    4: ("server device failure", "the device failed while answering; look at its own display"),
    5: ("acknowledge", "the device is still at work on a long request; read less often"),
    6: ("server busy", "the device is busy; read less often or set min_gap in the map"),
    7: ("negative acknowledge", "the device cannot do it now; look at its own display"),
    8: ("memory parity error", "the device found its memory damaged; it needs service"),
    10: ("gateway path unavailable", "the bridge has no way to unit {unit}; check its serial port settings and routing"),
    11: ("gateway target failed to respond", "unit {unit} behind the bridge does not answer; check its power, serial line and unit id"),
}


def cut_short(received: bytes, timeout_s: float) -> Fault:
    """Return the fault of a request that timed out: silence, or a reply that stopped in the middle.

    >>> cut_short(b"", 1.0).kind.value, cut_short(b"1234", 1.0).kind.value
    ('no_answer', 'wrong_count')
    """
    if received:
        text = f"the reply stopped after {len(received)} bytes and the rest did not come within {timeout_s:g} s"
        return broken(FaultKind.WRONG_COUNT, text)
    text = f"no answer within {timeout_s:g} s: check the unit id, that the device is powered, and whether it needs a longer timeout"
    return broken(FaultKind.NO_ANSWER, text)


def words_of(asked: Asked, payload: bytes) -> Sequence[int]:
    """Return the registers of a reply, or its bits as 0 and 1, first address first.

    >>> words_of(Asked(1, 17, 3, 107, 3), bytes.fromhex("022B00000064"))
    (555, 0, 100)
    >>> words_of(Asked(1, 17, 1, 19, 19), bytes.fromhex("CD6B05"))
    (1, 0, 1, 1, 0, 0, 1, 1, 1, 1, 0, 1, 0, 1, 1, 0, 1, 0, 1)
    """
    if asked.function_code in (1, 2):
        bits = int.from_bytes(payload, "little")
        return tuple(bits >> place & 1 for place in range(asked.count))
    return _REGISTERS[asked.count].unpack(payload)
