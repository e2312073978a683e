"""Is this the reply to what was asked, in RTU framing? Pure checks, byte by byte.

An RTU reply carries no number: unit, function, length and check sum are all there is to tell it by. So any doubt ends the connection, and
the plan gives requests unlike lengths (`registers.replan`), so that a reply in the wrong place does not fit.
"""

from __future__ import annotations

from gateway.drivers.base import Fault, FaultKind
from gateway.drivers.frames import crc_of
from gateway.drivers.replies import Asked, Data, broken, count_hint, exception_text

_EXCEPTION_BYTES = 5
_READS = (1, 2, 3, 4)


def check_rtu_reply(asked: Asked, received: bytes) -> Data | Fault | None:
    """Return the data of the reply, or why these bytes are not it; None while they may still become a reply.

    received: everything that arrived since the request was sent.

    >>> from gateway.drivers.frames import with_crc
    >>> asked = Asked(0, 17, 3, 107, 3)
    >>> check_rtu_reply(asked, with_crc(bytes.fromhex("11 03 06 022B 0000 0064"))).payload.hex()
    '022b00000064'
    >>> check_rtu_reply(asked, bytes.fromhex("11 03 06 022B 0000 0064 0000")).text
    'the check sum of the reply is wrong: look for noise, a long cable, a missing terminator or a wrong serial setting at the bridge'
    """
    if len(received) < 3:
        return None
    if received[1] & 0x7F not in _READS:
        return broken(FaultKind.GARBAGE, _garbage_text(received))
    whole = _EXCEPTION_BYTES if received[1] > 0x7F else 3 + received[2] + 2
    if len(received) < whole:
        return None
    if crc_of(received[: whole - 2]) != int.from_bytes(received[whole - 2 : whole], "little"):
        text = "the check sum of the reply is wrong: look for noise, a long cable, a missing terminator or a wrong serial setting"
        return broken(FaultKind.CRC, f"{text} at the bridge")
    return _check_frame(asked, received, whole)


def _check_frame(asked: Asked, received: bytes, whole: int) -> Data | Fault:
    unit, function = received[0], received[1]
    if unit != asked.unit:
        text = f"unit {asked.unit} was asked but unit {unit} answered: check the unit id of the starter in the site file"
        return broken(FaultKind.WRONG_UNIT, text)
    if function & 0x7F != asked.function_code:
        text = f"function {asked.function_code} was asked, the reply is to function {function & 0x7F}: the bridge mixes up replies"
        return broken(FaultKind.WRONG_FUNCTION, text)
    if function <= 0x7F and received[2] != asked.byte_count:
        text = f"the reply holds {received[2]} data bytes, right would be {asked.byte_count}: {count_hint(asked)}"
        return broken(FaultKind.WRONG_COUNT, text)
    if len(received) > whole:
        text = f"{len(received) - whole} bytes more than the reply: the device or a bridge sends what nobody asked for"
        return broken(FaultKind.GARBAGE, text)
    if function > 0x7F:
        return Fault(kind=FaultKind.EXCEPTION, text=exception_text(received[2], asked))
    return Data(received[3 : whole - 2])


def _garbage_text(received: bytes) -> str:
    return (
        f"bytes that are no Modbus reply in RTU framing ({received[:12].hex(' ')}): does this port speak RTU over TCP, or Modbus TCP?"
    )
