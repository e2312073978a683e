"""Commands that a PLC writes to the simulated starter: which bits and registers mean what, and the Modbus writes that carry them.

The simulator is a device, and a device takes writes. It takes them only where the user said so; every other address refuses them as
before, and the gateway has no part in it.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from gateway.registers.model import Table

ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE = 1, 2, 3
WRITES = frozenset({5, 6, 15, 16})
"""Function codes that write coils and registers (Modbus Application Protocol V1.1b3, 6.5, 6.6, 6.11, 6.12)."""


class Order(StrEnum):
    """What a written bit or value orders."""

    RUN = "run"
    """While on the motor runs: switching on starts it, switching off stops it."""
    START = "start"
    STOP = "stop"
    RESET = "reset"
    TRIP = "trip"


@dataclass(frozen=True, slots=True, kw_only=True)
class CommandPlace:
    """One order and where it is written: a coil; a bit of a register; or a register that holds exactly `value`."""

    order: Order
    table: Table
    address: int
    bit: int | None = None
    value: int | None = None
    written: str

    def is_on(self, word: int) -> bool:
        """Return whether a coil or register with this content gives the order."""
        if self.bit is not None:
            return bool(word >> self.bit & 1)
        if self.value is not None:
            return word == self.value
        return word != 0


class CommandDesk:
    """The places that a device can be written at, and what they hold.

    shown_by_device: addresses where a read gives the device's own state, not what was written.
    give: takes the orders. An order is given when its place goes from off to on, so that a PLC may write the same word every second; a
    place of `stop` that stays on gives it once. `run` gives a start when it goes on and a stop when it goes off.

    >>> given = []
    >>> place = CommandPlace(order=Order.RUN, table=Table.COIL, address=5, written="coil 5")
    >>> desk = CommandDesk([place], given.append)
    >>> desk.write(Table.COIL, 5, [1]), desk.write(Table.COIL, 5, [1]), desk.write(Table.COIL, 6, [1])
    (True, True, False)
    >>> [order.value for order in given]
    ['start']
    """

    def __init__(
        self, places: Sequence[CommandPlace], give: Callable[[Order], None], shown_by_device: Iterable[tuple[Table, int]] = ()
    ) -> None:
        self.places = tuple(places)
        self._give = give
        self._held: dict[tuple[Table, int], int] = {(place.table, place.address): 0 for place in places}
        self._shown_by_device = frozenset(shown_by_device)

    @property
    def kept(self) -> dict[tuple[Table, int], int]:
        """Return what was last written where the device shows nothing of its own."""
        return {cell: word for cell, word in self._held.items() if cell not in self._shown_by_device}

    def write(self, table: Table, first: int, words: Sequence[int]) -> bool:
        """Take words in; False, and nothing is done, when any of their addresses takes no writes."""
        cells = [(table, first + index) for index in range(len(words))]
        if any(cell not in self._held for cell in cells):
            return False
        for cell, word in zip(cells, words, strict=True):
            before, self._held[cell] = self._held[cell], word
            for place in self.places:
                if (place.table, place.address) == cell:
                    self._follow(place, place.is_on(before), place.is_on(word))
        return True

    def _follow(self, place: CommandPlace, before: bool, after: bool) -> None:
        order = order_given(place.order, before, after)
        if order is not None:
            self._give(order)


def order_given(order: Order, before: bool, after: bool) -> Order | None:
    """Return what a place orders when it goes from one state to another; `run` orders a start or a stop.

    >>> order_given(Order.RUN, True, False).value, order_given(Order.STOP, True, False)
    ('stop', None)
    """
    if before == after:
        return None
    if order is Order.RUN:
        return Order.START if after else Order.STOP
    return order if after else None


def answer_write(desk: CommandDesk, pdu: bytes) -> bytes:
    """Return the reply to a write request; exceptions in the order of the specification's state diagrams."""
    function = pdu[0]
    table = Table.COIL if function in (5, 15) else Table.HOLDING
    words = _single(pdu) if function in (5, 6) else _several(pdu, bits=table is Table.COIL)
    if words is None:
        return bytes((function | 0x80, ILLEGAL_VALUE))
    first = int.from_bytes(pdu[1:3], "big")
    if not desk.write(table, first, words):
        return bytes((function | 0x80, ILLEGAL_ADDRESS))
    return pdu[:5]


def _single(pdu: bytes) -> list[int] | None:
    if len(pdu) != 5:
        return None
    word = int.from_bytes(pdu[3:5], "big")
    if pdu[0] == 6:
        return [word]
    return [word >> 15] if word in (0x0000, 0xFF00) else None


def _several(pdu: bytes, *, bits: bool) -> list[int] | None:
    if len(pdu) < 6:
        return None
    count, size = struct.unpack_from(">HB", pdu, 3)
    data = pdu[6:]
    if size != len(data) or size != ((count + 7) // 8 if bits else 2 * count) or not 0 < count <= (1968 if bits else 123):
        return None
    if bits:
        return [data[index // 8] >> index % 8 & 1 for index in range(count)]
    return list(struct.unpack(f">{count}H", data))
