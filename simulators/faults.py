"""What can go wrong with a Modbus reply, switchable while the server runs.

A `FaultSwitch` is asked before each reply whether this one goes wrong, and how: the next n replies, or each with a probability from a
seeded generator. `spoiled` makes the bytes. Faults of the device itself (frozen values, counters, word order, restart) are in `plant`.
"""

from __future__ import annotations

import random
from collections import Counter
from dataclasses import dataclass
from enum import StrEnum


class ReplyFault(StrEnum):
    """Ways in which one reply goes wrong."""

    LATE = "late"
    """The right reply after `delay_s`; replies behind it wait, as behind a bridge."""
    WRONG_ID = "wrong_id"
    """A transaction id that nobody asked for."""
    PREVIOUS_ID = "previous_id"
    """The transaction id of the request before."""
    ID_ZERO = "id_zero"
    WRONG_UNIT = "wrong_unit"
    WRONG_FUNCTION = "wrong_function"
    SHORT = "short"
    """One register too few, well formed."""
    LONG = "long"
    """One register too many, well formed."""
    ODD = "odd"
    """An odd count of data bytes, well formed."""
    EXCEPTION = "exception"
    """An exception reply with `exception_code`."""
    CUT = "cut"
    """The first half of the frame; the rest follows after `delay_s`, or never when that is 0."""
    CRC = "crc"
    """A wrong check sum; only RTU frames have one, on Modbus TCP the reply stays right."""
    GARBAGE = "garbage"
    """300 random bytes instead of the reply."""
    PIECES = "pieces"
    """The right reply, one byte a packet: no fault to a good reader."""
    SILENCE = "silence"
    CLOSE = "close"
    """The connection is closed instead of a reply."""
    RESET = "reset"
    """The connection is reset instead of a reply."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """One kind of fault with its particulars."""

    kind: ReplyFault
    delay_s: float = 0.0
    exception_code: int = 4


@dataclass(slots=True)
class _Armed:
    trouble: Trouble
    unit: int | None
    left: int | None
    probability: float


class FaultSwitch:
    """Which of the coming replies go wrong.

    >>> switch = FaultSwitch(seed=1)
    >>> switch.next(ReplyFault.SILENCE, 2)
    >>> [getattr(switch.draw(1), "kind", None) for _ in range(3)]
    [<ReplyFault.SILENCE: 'silence'>, <ReplyFault.SILENCE: 'silence'>, None]
    """

    def __init__(self, seed: int = 0) -> None:
        self.random = random.Random(seed)
        self.drawn: Counter[ReplyFault] = Counter()
        """How often each fault came to pass."""
        self._armed: list[_Armed] = []

    def next(
        self, kind: ReplyFault, count: int = 1, *, unit: int | None = None, delay_s: float = 0.0, exception_code: int = 4
    ) -> None:
        """Spoil the next `count` replies of one unit, or of any when `unit` is None."""
        self._armed.append(_Armed(Trouble(kind=kind, delay_s=delay_s, exception_code=exception_code), unit, count, 1.0))

    def sometimes(
        self, kind: ReplyFault, probability: float, *, unit: int | None = None, delay_s: float = 0.0, exception_code: int = 4
    ) -> None:
        """Spoil each reply with this probability (1 for every reply) until `clear`."""
        if not 0 <= probability <= 1:
            raise ValueError(f"a probability is 0 to 1, not {probability}")
        self._armed.append(_Armed(Trouble(kind=kind, delay_s=delay_s, exception_code=exception_code), unit, None, probability))

    def clear(self, kind: ReplyFault | None = None, *, unit: int | None = None) -> None:
        """End one kind of fault, or all; with `unit` only what was armed for that unit."""

        def ends(armed: _Armed) -> bool:
            return (kind is None or armed.trouble.kind is kind) and (unit is None or armed.unit == unit)

        self._armed = [armed for armed in self._armed if not ends(armed)]

    def draw(self, unit: int) -> Trouble | None:
        """Return what is wrong with the next reply of this unit, None when nothing is; what was armed first comes first."""
        for armed in self._armed:
            if armed.unit not in (None, unit):
                continue
            if armed.left is None and self.random.random() >= armed.probability:
                continue
            if armed.left is not None:
                armed.left -= 1
                if armed.left <= 0:
                    self._armed.remove(armed)
            self.drawn[armed.trouble.kind] += 1
            return armed.trouble
        return None

    @property
    def is_quiet(self) -> bool:
        """True when nothing is armed."""
        return not self._armed


def spoiled(reply: bytes, trouble: Trouble, generator: random.Random) -> bytes:
    """Return the bytes of a reply gone wrong. Faults of time and connection (late, cut, pieces, silence, close, reset) leave it as it is.

    reply: a whole frame, MBAP header included. An exception reply has no data that could be short or long, and stays as it is for these.

    >>> spoiled(bytes.fromhex("000100000005010302022b"), Trouble(kind=ReplyFault.ID_ZERO), random.Random(0)).hex()
    '000000000005010302022b'
    """
    transaction = int.from_bytes(reply[0:2], "big")
    function = reply[7]
    match trouble.kind:
        case ReplyFault.WRONG_ID:
            return ((transaction + 0x5A5A) % 0x10000 or 1).to_bytes(2, "big") + reply[2:]
        case ReplyFault.PREVIOUS_ID:
            return ((transaction - 1) % 0x10000).to_bytes(2, "big") + reply[2:]
        case ReplyFault.ID_ZERO:
            return b"\0\0" + reply[2:]
        case ReplyFault.WRONG_UNIT:
            return reply[:6] + bytes([reply[6] % 247 + 1]) + reply[7:]
        case ReplyFault.WRONG_FUNCTION:
            return reply[:7] + bytes([function & 0x80 | {1: 2, 2: 1, 3: 4, 4: 3}.get(function & 0x7F, 3)]) + reply[8:]
        case ReplyFault.EXCEPTION:
            return reply[:4] + b"\0\3" + reply[6:7] + bytes([function | 0x80, trouble.exception_code])
        case ReplyFault.GARBAGE:
            return generator.randbytes(300)
        case ReplyFault.SHORT if function < 0x80:
            return _resized(reply, reply[9:-2])
        case ReplyFault.LONG if function < 0x80:
            return _resized(reply, reply[9:] + b"\x12\x34")
        case ReplyFault.ODD if function < 0x80:
            return _resized(reply, reply[9:-1] if len(reply) > 10 else reply[9:] + b"\x12\x34")
        case _:
            return reply


def _resized(reply: bytes, data: bytes) -> bytes:
    return reply[:4] + (3 + len(data)).to_bytes(2, "big") + reply[6:8] + bytes([len(data) & 0xFF]) + data
