"""Changes to one line of a map that undo one of the usual mistakes, and what they look like in the map."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from gateway.registers.addresses import HIGHEST_ADDRESS
from gateway.registers.model import ModbusPlace, OpcuaPlace, Order, Signal, Span, Table, WordType
from gateway.registers.roles import ROLES, RoleKind

_OTHER_TABLE = {
    Table.HOLDING: Table.INPUT,
    Table.INPUT: Table.HOLDING,
    Table.COIL: Table.DISCRETE,
    Table.DISCRETE: Table.COIL,
}
_OTHER_SIGN = {
    WordType.INT16: WordType.UINT16,
    WordType.UINT16: WordType.INT16,
    WordType.INT32: WordType.UINT32,
    WordType.UINT32: WordType.INT32,
    WordType.INT64: WordType.UINT64,
    WordType.UINT64: WordType.INT64,
}
_OTHER_KIND = {
    WordType.FLOAT32: (WordType.UINT32, WordType.INT32),
    WordType.UINT32: (WordType.FLOAT32,),
    WordType.INT32: (WordType.FLOAT32,),
    WordType.FLOAT64: (WordType.UINT64,),
    WordType.UINT64: (WordType.FLOAT64,),
    WordType.INT64: (WordType.FLOAT64,),
    WordType.SIGN_MAGNITUDE16: (WordType.INT16,),
    WordType.SIGN_MAGNITUDE32: (WordType.INT32,),
    WordType.BCD16: (WordType.UINT16,),
    WordType.BCD32: (WordType.UINT32,),
}
_FLOATS = (WordType.FLOAT32, WordType.FLOAT64)
_SIGNED = (WordType.INT16, WordType.INT32, WordType.INT64)
_PAIR_COST = 0.2


@dataclass(frozen=True, slots=True)
class Correction:
    """A change to a signal's line.

    shift: addresses up or down. bit_shift: bits up or down. turn_words, turn_bytes: the other order. other_table: holding for input,
    coil for discrete, and back. type: read as this type. power: scale x 10**power.
    node: another OPC UA node, by namespace URI and identifier.
    """

    shift: int = 0
    bit_shift: int = 0
    turn_words: bool = False
    turn_bytes: bool = False
    other_table: bool = False
    type: WordType | None = None
    power: int = 0
    node: str = ""

    @property
    def is_none(self) -> bool:
        """True when nothing changes."""
        return self == Correction()

    @property
    def cost(self) -> float:
        """How unlikely the mistake is, in the same measure as the findings it must explain. Our judgement: common practice, no source."""
        parts = [0.6 * abs(self.shift)] if self.shift else []
        parts += [0.9 * abs(self.bit_shift)] if self.bit_shift else []
        parts += [0.4] if self.turn_words else []
        parts += [0.9] if self.turn_bytes else []
        parts += [0.7] if self.other_table else []
        parts += [0.5 if self.type in _SIGNED else 0.6] if self.type is not None else []
        parts += [0.7 + 0.1 * abs(self.power)] if self.power else []
        parts += [0.8] if self.node else []
        return sum(parts) + _PAIR_COST * max(0, len(parts) - 1)

    @property
    def kinds(self) -> frozenset[str]:
        """What is changed, without how."""
        parts = {
            "address": self.shift,
            "bit": self.bit_shift,
            "words": self.turn_words,
            "bytes": self.turn_bytes,
            "table": self.other_table,
            "type": self.type,
            "scale": self.power,
            "node": self.node,
        }
        return frozenset(name for name, part in parts.items() if part)

    def joined(self, other: Correction) -> Correction:
        """Return this change and then another one; what is turned twice is as before."""
        return Correction(
            shift=self.shift + other.shift,
            bit_shift=self.bit_shift + other.bit_shift,
            turn_words=self.turn_words != other.turn_words,
            turn_bytes=self.turn_bytes != other.turn_bytes,
            other_table=self.other_table != other.other_table,
            type=other.type or self.type,
            power=self.power + other.power,
            node=other.node or self.node,
        )

    def applied(self, signal: Signal) -> Signal | None:
        """Return the signal with the change, None when the change makes no sense for it."""
        if not isinstance(signal.place, ModbusPlace):
            return self._applied_to_node(signal)
        span = signal.place.span
        table = _OTHER_TABLE[span.table] if self.other_table else span.table
        moved = Span(table, span.first + self.shift, span.last + self.shift)
        bit = None if signal.bit is None else signal.bit + self.bit_shift
        if moved.first < 0 or moved.last > HIGHEST_ADDRESS:
            return None
        if self.bit_shift and (bit is None or span.table.holds_bits or not 0 <= bit <= 16 * span.count - signal.bit_count):
            return None
        return replace(
            signal,
            place=replace(signal.place, span=moved),
            bit=bit,
            type=self.type or signal.type,
            word_order=_turned(signal.word_order) if self.turn_words else signal.word_order,
            byte_order=_turned(signal.byte_order) if self.turn_bytes else signal.byte_order,
            scale=_scaled(signal.scale, self.power),
        )

    def _applied_to_node(self, signal: Signal) -> Signal | None:
        if not isinstance(signal.place, OpcuaPlace) or self != Correction(power=self.power, node=self.node):
            return None
        uri, _, identifier = self.node.removeprefix("nsu=").rpartition(";") if self.node else ("", "", "")
        place = replace(signal.place, namespace_uri=uri, identifier=identifier, path=()) if self.node else signal.place
        return replace(signal, place=place, scale=_scaled(signal.scale, self.power))

    def entries(self, signal: Signal) -> str:
        """Return what to write into the signal's line.

        >>> place = ModbusPlace(span=Span(Table.HOLDING, 12, 13), written="holding 13")
        >>> Correction(turn_words=True).entries(Signal(name="a", key="a", role=None, place=place, type=WordType.FLOAT32))
        'word_order: low_first'
        """
        after = self.applied(signal)
        if after is None or not isinstance(after.place, ModbusPlace):
            if after is None:
                return ""
            named = [f'node: "{self.node}"'] if self.node else []
            return ", ".join(named + ([f"scale: {after.scale:.12g}"] if self.power else []))
        parts = [f"at: {wire_place(after.place.span.table, after.place.span)}"] if self.shift or self.other_table else []
        parts += [f"bit: {after.bit}"] if self.bit_shift else []
        parts += [f"type: {after.type.value}"] if self.type is not None and after.type is not None else []
        parts += [f"word_order: {after.word_order.value}"] if self.turn_words else []
        parts += [f"byte_order: {after.byte_order.value}"] if self.turn_bytes else []
        parts += [f"scale: {after.scale:.12g}"] if self.power else []
        return ", ".join(parts)


def wire_place(table: Table, span: Span) -> str:
    """Return an address for a map that reads the same whatever `first_address` says: bits as a range, a number by its first register."""
    first = f"{table.value} 0x{span.first:04X}"
    return f"{first}-0x{span.last:04X}" if table.holds_bits and span.count > 1 else first


def candidates(signal: Signal) -> Iterator[Correction]:
    """Return no change, every usual mistake alone, and the pairs that occur together."""
    singles = _singles(signal)
    yield Correction()
    yield from singles
    for index, one in enumerate(singles):
        for other in singles[index + 1 :]:
            if _may_meet(one, other):
                yield one.joined(other)


def _singles(signal: Signal) -> list[Correction]:
    if not isinstance(signal.place, ModbusPlace):
        return [Correction(power=power) for power in _powers(signal)] if _may_scale(signal) else []
    singles = [Correction(shift=-1), Correction(shift=1), Correction(other_table=True)]
    if signal.place.span.table.holds_bits:
        return singles
    singles.append(Correction(turn_bytes=True))
    if signal.type in (WordType.BIT, WordType.BITS):
        return singles + [Correction(bit_shift=-1), Correction(bit_shift=1)] if signal.type is WordType.BIT else singles
    if signal.type is None or signal.type is WordType.TEXT:
        return singles
    if signal.place.span.count > 1:
        singles.append(Correction(turn_words=True))
    if signal.type in _OTHER_SIGN:
        singles.append(Correction(type=_OTHER_SIGN[signal.type]))
    singles += [Correction(type=kind) for kind in _OTHER_KIND.get(signal.type, ()) if not (_counts(signal) and kind in _FLOATS)]
    if _may_scale(signal):
        singles += [Correction(power=power) for power in _powers(signal)]
    return singles


def _powers(signal: Signal) -> list[int]:
    """Return the powers of ten that lead to a scale which devices have."""
    return [power for power in (-3, -2, -1, 1, 2, 3) if 1e-5 < abs(signal.scale * 10.0**power) < 1e5]


def _may_meet(one: Correction, other: Correction) -> bool:
    """Pairs that make one change twice, or that nobody makes at once, are left out."""
    joined = one.joined(other)
    both_shift = one.shift != 0 and other.shift != 0
    both_bits = one.bit_shift != 0 and other.bit_shift != 0
    both_types = one.type is not None and other.type is not None
    both_powers = one.power != 0 and other.power != 0
    bytes_and_more = joined.turn_bytes and not (joined.turn_words or joined.shift)
    return not (both_shift or both_bits or both_types or both_powers or bytes_and_more)


def _may_scale(signal: Signal) -> bool:
    if signal.type in (WordType.BIT, WordType.TEXT, WordType.BITS) or signal.texts or signal.scale_from is not None:
        return False
    return signal.role is None or ROLES[signal.role].kind is RoleKind.NUMBER


def _counts(signal: Signal) -> bool:
    return signal.role is not None and ROLES[signal.role].kind is RoleKind.COUNTER


def _turned(order: Order) -> Order:
    return Order.LOW_FIRST if order is Order.HIGH_FIRST else Order.HIGH_FIRST


def _scaled(scale: float, power: int) -> float:
    # The decimal nearest to the product: 0.1 x 10 is 1, not 1.0000000000000002.
    return scale if power == 0 else float(f"{scale * 10.0**power:.12g}")
