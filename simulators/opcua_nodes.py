"""The address space of a simulated OPC UA device: one variable for each signal of a map, and its values as variants."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from asyncua import ua
from asyncua.common.node import Node
from asyncua.server.server import Server

from gateway.registers.model import OpcuaPlace, RegisterMap, Signal, WordType
from gateway.registers.roles import ROLES, RoleKind
from simulators.words import Value, raw_number

_STANDARD_URI = "http://opcfoundation.org/UA/"
_VARIANTS = {
    WordType.BIT: ua.VariantType.Boolean,
    WordType.INT16: ua.VariantType.Int16,
    WordType.UINT16: ua.VariantType.UInt16,
    WordType.INT32: ua.VariantType.Int32,
    WordType.UINT32: ua.VariantType.UInt32,
    WordType.INT64: ua.VariantType.Int64,
    WordType.UINT64: ua.VariantType.UInt64,
    WordType.FLOAT32: ua.VariantType.Float,
    WordType.FLOAT64: ua.VariantType.Double,
    WordType.TEXT: ua.VariantType.String,
}
_BY_ROLE = {
    RoleKind.FLAG: ua.VariantType.Boolean,
    RoleKind.COUNTER: ua.VariantType.UInt32,
    RoleKind.CODE: ua.VariantType.Int32,
    RoleKind.NUMBER: ua.VariantType.Double,
}
_WHOLE = {
    ua.VariantType.Int16: (-(2**15), 2**15 - 1),
    ua.VariantType.UInt16: (0, 2**16 - 1),
    ua.VariantType.Int32: (-(2**31), 2**31 - 1),
    ua.VariantType.UInt32: (0, 2**32 - 1),
    ua.VariantType.Int64: (-(2**63), 2**63 - 1),
    ua.VariantType.UInt64: (0, 2**64 - 1),
}


@dataclass(slots=True)
class Variable:
    """A signal's node, the type of its value, and what was last written: content, status, time."""

    signal: Signal
    node: Node
    variant: ua.VariantType
    last: tuple[ua.Variant | None, int, ua.DateTime] | None = None


def check_nodes(maps: Sequence[RegisterMap]) -> None:
    """Raise ValueError when two signals name one node."""
    first: dict[object, tuple[int, str]] = {}
    for number, register_map in enumerate(maps):
        for signal in register_map.signals:
            place = signal.place
            if isinstance(place, OpcuaPlace):
                named = place.path or (place.namespace_uri, place.identifier)
                mine = (number, f"{register_map.name}.{signal.name}")
                other = first.setdefault(named, mine)
                if other != mine:
                    raise ValueError(f"{other[1]} and {mine[1]} name one node: {named}")


async def build_variables(server: Server, signals: Sequence[Signal], folder_name: str, values: Mapping[str, Value]) -> list[Variable]:
    """Build the variables of one device under the Objects folder; `values` are what it holds now, by signal key."""
    variables = []
    folder: Node | None = None
    for signal in signals:
        place = signal.place
        if not isinstance(place, OpcuaPlace):
            continue
        variant = _variant_type(signal, values.get(signal.key))
        if place.path:
            node = await _by_path(server, place, variant)
        else:
            space = await _namespace(server, place.namespace_uri)
            if folder is None:
                folder = await _child(server, server.nodes.objects, space, folder_name)
            node = await _add(folder, ua.NodeId.from_string(f"ns={space};{place.identifier}"), signal.name, space, variant)
        variables.append(Variable(signal, node, variant))
    return variables


async def _by_path(server: Server, place: OpcuaPlace, variant: ua.VariantType) -> Node:
    node = server.nodes.objects
    for uri, name in place.path[:-1]:
        node = await _child(server, node, await _namespace(server, uri), name)
    uri, name = place.path[-1]
    space = await _namespace(server, uri)
    return await _add(node, _any_id(space), name, space, variant)


def _any_id(space: int) -> ua.NodeId:
    """Return the identifier by which the server is asked to choose one of its own."""
    return ua.NodeId(ua.Int32(0), ua.Int16(space))


async def _namespace(server: Server, uri: str) -> int:
    return 0 if uri in ("", _STANDARD_URI) else await server.register_namespace(uri)


async def _child(server: Server, parent: Node, space: int, name: str) -> Node:
    for child in await parent.get_children():
        if await child.read_browse_name() == ua.QualifiedName(name, space):
            return child
    return await parent.add_object(_any_id(space), ua.QualifiedName(name, space))


async def _add(parent: Node, node_id: ua.NodeId, name: str, space: int, variant: ua.VariantType) -> Node:
    initial = {ua.VariantType.Boolean: False, ua.VariantType.String: ""}.get(variant, 0)
    return await parent.add_variable(node_id, ua.QualifiedName(name, space), initial, variant)


def _variant_type(signal: Signal, value: Value) -> ua.VariantType:
    if signal.type is not None:
        return _VARIANTS.get(signal.type, ua.VariantType.UInt32)
    if signal.role is not None:
        return _BY_ROLE[ROLES[signal.role].kind]
    # A signal without role or type is what the device holds in it.
    return ua.VariantType.String if isinstance(value, str) and not signal.texts else ua.VariantType.Double


def variant_of(variable: Variable, value: Value) -> ua.Variant | None:
    """Return a value as the variant of its node, None when it is not available."""
    signal, variant = variable.signal, variable.variant
    if variant is ua.VariantType.String:
        return None if value is None else ua.Variant(str(value), variant)
    number = raw_number(signal, value)
    if number is None:
        if not signal.no_value:
            return None
        number = signal.no_value[0]
    if variant is ua.VariantType.Boolean:
        return ua.Variant(bool(number), variant)
    if variant in _WHOLE:
        low, high = _WHOLE[variant]
        return ua.Variant(min(max(round(number), low), high), variant)
    return ua.Variant(float(number), variant)
