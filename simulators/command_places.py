"""Where a PLC's commands are written: from the user's words, from the map's own command signals, and the map with those places added."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from gateway.registers.addresses import parse_span
from gateway.registers.model import ModbusPlace, OpcuaPlace, Protocol, RegisterMap, Signal, Table, WordType
from simulators.commands import CommandPlace, Order
from simulators.short_forms import refusal

OPTION = "--command"
_WRITTEN = re.compile(r"([a-z]+)\s*[=:]\s*(.+)")
_MODBUS = re.compile(r"(.+?)(?:\s+(bit|value)\s+([0-9]+|0[xX][0-9A-Fa-f]+))?")
_EXAMPLES = "start=coil 1, start=holding 100 bit 0, start=holding 100 value 5"
_NONE = f"the map has no signal that commands the starter: name one with {OPTION}"
_OPCUA_EXAMPLES = "start=s=Command.Start, start=nsu=urn:my:device;i=5001"


@dataclass(frozen=True, slots=True, kw_only=True)
class NodeOrder:
    """One order and the key of the OPC UA signal that carries it."""

    order: Order
    key: str
    written: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Commands:
    """Everything that can be written. map: the user's map with signals added for places that it does not have."""

    map: RegisterMap
    places: tuple[CommandPlace, ...] = ()
    nodes: tuple[NodeOrder, ...] = ()

    @property
    def lines(self) -> tuple[str, ...]:
        """Each command in words, for the user."""
        each = [(place.order, place.written) for place in self.places] + [(node.order, node.written) for node in self.nodes]
        return tuple(f"{order.value}: {written}" for order, written in each)

    @property
    def shown_by_device(self) -> frozenset[tuple[Table, int]]:
        """Addresses of the places at which the device shows a state of its own."""
        own = {
            (signal.place.span.table, address)
            for signal in self.map.signals
            if isinstance(signal.place, ModbusPlace) and signal.role is not None
            for address in range(signal.place.span.first, signal.place.span.last + 1)
        }
        return frozenset((place.table, place.address) for place in self.places if (place.table, place.address) in own)


def no_commands(register_map: RegisterMap) -> Commands:
    """Return that nothing can be written."""
    return Commands(map=register_map)


def read_commands(register_map: RegisterMap, written: Sequence[str]) -> Commands:
    """Return the places named, and those of the map's signals `command`, `run`, `start`, `stop`, `reset` and `trip` where writable.

    InputError when a place is wrong or there is none.
    """
    if register_map.protocol is Protocol.OPCUA:
        return _of_nodes(register_map, written)
    places = [_place(text, register_map) for text in written]
    named = {place.order for place in places}
    places += [place for place in map(_of_signal, register_map.signals) if place is not None and place.order not in named]
    if not places:
        raise refusal("--accept-commands", "none", _EXAMPLES, _NONE)
    return Commands(map=replace(register_map, signals=(*register_map.signals, *_added(register_map, places))), places=tuple(places))


def _split(text: str, examples: str) -> tuple[Order, str]:
    match = _WRITTEN.fullmatch(text.strip())
    if match is None:
        raise refusal(OPTION, text, examples, "write the command and its place")
    if match[1] not in [order.value for order in Order]:
        raise refusal(OPTION, match[1], ", ".join(Order), "there is no such command")
    return Order(match[1]), match[2].strip()


def _place(text: str, register_map: RegisterMap) -> CommandPlace:
    order, where = _split(text, _EXAMPLES)
    match = _MODBUS.fullmatch(where)
    try:
        if match is None:
            raise ValueError("not a place")
        span, _ = parse_span(match[1], register_map.first_address)
    except ValueError as error:
        raise refusal(OPTION, text, _EXAMPLES, str(error)) from error
    number = None if match[3] is None else int(match[3], 0)
    if span.count != 1 or span.table not in (Table.COIL, Table.HOLDING):
        raise refusal(OPTION, text, "one coil or one holding register", "only coils and holding registers can be written")
    is_bit = match[2] == "bit"
    if span.table is Table.COIL and number is not None:
        raise refusal(OPTION, text, "start=coil 1", "a coil is one bit already")
    if number is not None and number > (15 if is_bit else 65535):
        raise refusal(OPTION, text, "bit 0 to 15, value 0 to 65535", "the number is too large")
    return CommandPlace(
        order=order,
        table=span.table,
        address=span.first,
        bit=number if is_bit else None,
        value=None if is_bit else number,
        written=where,
    )


def _of_signal(signal: Signal) -> CommandPlace | None:
    """Return the place of a signal that is named as a command and can be written."""
    order = _order_of(signal)
    place = signal.place
    if order is None or not isinstance(place, ModbusPlace) or place.span.count != 1 or place.span.table not in (Table.COIL, Table.HOLDING):
        return None
    bit = signal.bit if place.span.table is Table.HOLDING and signal.type is WordType.BIT else None
    written = place.written if bit is None else f"{place.written} bit {bit}"
    return CommandPlace(order=order, table=place.span.table, address=place.span.first, bit=bit, written=f"{written} ({signal.name})")


def _order_of(signal: Signal) -> Order | None:
    if signal.role == "command":
        return Order.RUN
    return Order(signal.name) if signal.role is None and signal.name in [order.value for order in Order] else None


def _added(register_map: RegisterMap, places: Iterable[CommandPlace]) -> list[Signal]:
    """Return a signal for each written register that the map does not have, so that it can be read back."""
    spans = [signal.place.span for signal in register_map.signals if isinstance(signal.place, ModbusPlace)]
    added: dict[str, Signal] = {}
    for place in places:
        if any(span.table is place.table and span.first <= place.address <= span.last for span in spans):
            continue
        name = f"written_{place.table.value}_{place.address}"
        span = parse_span(f"{place.table.value} 0x{place.address:X}", 0)[0]
        kind = WordType.BIT if place.table.holds_bits else WordType.UINT16
        added[name] = Signal(name=name, key=name, role=None, place=ModbusPlace(span=span, written=place.written), type=kind)
    return list(added.values())


def _of_nodes(register_map: RegisterMap, written: Sequence[str]) -> Commands:
    space = next((signal.place.namespace_uri for signal in register_map.signals if isinstance(signal.place, OpcuaPlace)), "")
    added: list[Signal] = []
    nodes: list[NodeOrder] = []
    known = {
        (signal.place.namespace_uri, signal.place.identifier): signal
        for signal in register_map.signals
        if isinstance(signal.place, OpcuaPlace) and not signal.place.path
    }
    for text in written:
        order, where = _split(text, _OPCUA_EXAMPLES)
        uri, identifier = _node(text, where, space)
        signal = known.get((uri, identifier))
        if signal is None:
            name = f"command_{order.value}"
            place = OpcuaPlace(namespace_uri=uri, identifier=identifier, written=where)
            signal = Signal(name=name, key=name, role=None, place=place, type=WordType.BIT)
            added.append(signal)
        nodes.append(NodeOrder(order=order, key=signal.key, written=where))
    named = {node.order for node in nodes}
    for signal in register_map.signals:
        own = _order_of(signal)
        if own is not None and own not in named:
            nodes.append(NodeOrder(order=own, key=signal.key, written=f"node of {signal.name}"))
    if not nodes:
        raise refusal("--accept-commands", "none", _OPCUA_EXAMPLES, _NONE)
    return Commands(map=replace(register_map, signals=(*register_map.signals, *added)), nodes=tuple(nodes))


def _node(text: str, where: str, space: str) -> tuple[str, str]:
    match = re.fullmatch(r"(?:nsu=([^;]+);)?([isgb]=.+)", where)
    if match is None:
        raise refusal(OPTION, text, _OPCUA_EXAMPLES, "not a node")
    return match[1] or space, match[2]
