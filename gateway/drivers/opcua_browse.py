"""Looking through an OPC UA server's address space: which variables it has, by namespace URI, with type, unit and range.

Browse and Read only; bounded in nodes and depth, so that a large server is neither burdened nor read for ever.
"""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import cast

from asyncua import ua
from asyncua.ua.attribute_ids import AttributeIds
from asyncua.ua.object_ids import ObjectIdNames, ObjectIds

from gateway.drivers import opcua_nodes as nodes
from gateway.drivers.base import Fault
from gateway.drivers.opcua_session import BROKEN, OpcuaSession

_AT_ONCE = 50
_DEEPEST = 12
_PROPERTIES = ("EngineeringUnits", "EURange", "InstrumentRange")
_SERVER_OBJECT = nodes.standard_node(ObjectIds.Server)


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundVariable:
    """One variable. path: browse names from the Objects folder on, each with its namespace URI; data_type: the standard's name, or "".

    unit, low, high: from EngineeringUnits and EURange (OPC 10000-8, 5.3.2), where the server gives them.
    """

    namespace_uri: str
    identifier: str
    path: tuple[tuple[str, str], ...]
    data_type: str
    unit: str
    low: float | None
    high: float | None
    value: object
    status: str


@dataclass
class _Seen:
    """A variable on its way: its node and those of its properties."""

    node: ua.NodeId
    path: tuple[tuple[str, str], ...]
    properties: dict[str, ua.NodeId] = field(default_factory=dict)


class BrowsingSession(OpcuaSession):
    """A session that looks around instead of reading a map. requests: service calls made by `variables`; is_cut: there was more."""

    requests: int = 0
    is_cut: bool = False

    async def variables(self, most_nodes: int) -> list[FoundVariable] | Fault:
        """Return every variable below the Objects folder that is not the server's own, at most `most_nodes` nodes; a fault if it fails."""
        try:
            seen = await self._walk(most_nodes)
            return await self._described(seen)
        except BROKEN as error:
            return self._fault(error)

    async def _walk(self, most_nodes: int) -> list[_Seen]:
        root = nodes.standard_node(ObjectIds.ObjectsFolder)
        known = {root, _SERVER_OBJECT}
        level: list[tuple[ua.NodeId, tuple[tuple[str, str], ...], _Seen | None]] = [(root, (), None)]
        found: list[_Seen] = []
        for _ in range(_DEEPEST):
            below: list[tuple[ua.NodeId, tuple[tuple[str, str], ...], _Seen | None]] = []
            for first in range(0, len(level), _AT_ONCE):
                part = level[first : first + _AT_ONCE]
                for (_, path, parent), references in zip(part, await self._references([node for node, _, _ in part]), strict=True):
                    for each in references:
                        node = _local(each.NodeId)
                        if node is None or node in known:
                            continue
                        if len(known) >= most_nodes:
                            self.is_cut = True
                            return found
                        known.add(node)
                        name = each.BrowseName.Name or ""
                        if parent is not None and name in _PROPERTIES and each.BrowseName.NamespaceIndex == 0:
                            parent.properties[name] = node
                            continue
                        own_path = (*path, (self._uri(each.BrowseName.NamespaceIndex), name))
                        variable = None
                        if each.NodeClass == ua.NodeClass.Variable:
                            variable = _Seen(node, own_path)
                            found.append(variable)
                        below.append((node, own_path, variable))
            level = below
            if not level:
                break
        return found

    async def _references(self, parents: Sequence[ua.NodeId]) -> list[list[ua.ReferenceDescription]]:
        """Return the children of each node, continuation points followed to their end."""
        wanted = [
            ua.BrowseDescription(
                NodeId=node,
                BrowseDirection=ua.BrowseDirection.Forward,
                ReferenceTypeId=nodes.standard_node(ObjectIds.HierarchicalReferences),
                IncludeSubtypes=cast(ua.Boolean, True),
                NodeClassMask=cast(ua.UInt32, int(ua.NodeClass.Object | ua.NodeClass.Variable)),
                ResultMask=cast(ua.UInt32, int(ua.BrowseResultMask.All)),
            )
            for node in parents
        ]
        service = self._client.uaclient.session
        self.requests += 1
        results = await service.browse(ua.BrowseParameters(RequestedMaxReferencesPerNode=cast(ua.Counter, 1000), NodesToBrowse=wanted))
        children: list[list[ua.ReferenceDescription]] = []
        for result in results:
            own = list(result.References or ())
            while result.ContinuationPoint:
                self.requests += 1
                more = ua.BrowseNextParameters(
                    ReleaseContinuationPoints=cast(ua.Boolean, False), ContinuationPoints=[result.ContinuationPoint]
                )
                result = (await service.browse_next(more))[0]
                own += result.References or ()
            children.append(own)
        return children

    async def _described(self, seen: Sequence[_Seen]) -> list[FoundVariable]:
        values = await self._read_values([each.node for each in seen])
        types = await self._attributes([each.node for each in seen], AttributeIds.DataType)
        extra = [(index, name, node) for index, each in enumerate(seen) for name, node in each.properties.items()]
        properties = await self._read_values([node for _, _, node in extra])
        self.requests += 3
        told = {(index, name): value.raw for (index, name, _), value in zip(extra, properties, strict=True)}
        found = []
        for index, (each, value, kind) in enumerate(zip(seen, values, types, strict=True)):
            limits = told.get((index, "EURange")) or told.get((index, "InstrumentRange"))
            low, high = (float(limits.Low), float(limits.High)) if isinstance(limits, ua.Range) else (None, None)
            unit = told.get((index, "EngineeringUnits"))
            found.append(
                FoundVariable(
                    namespace_uri=self._uri(int(each.node.NamespaceIndex)),
                    identifier=identifier_text(each.node),
                    path=each.path,
                    data_type=_type_name(kind),
                    unit=(unit.DisplayName.Text or "") if isinstance(unit, ua.EUInformation) else "",
                    low=low,
                    high=high,
                    value=value.raw,
                    status=value.status_name,
                )
            )
        return found

    async def _attributes(self, wanted: Sequence[ua.NodeId], attribute: AttributeIds) -> list[object]:
        found: list[object] = []
        for first in range(0, len(wanted), _AT_ONCE):
            part = [ua.ReadValueId(NodeId=node, AttributeId=attribute) for node in wanted[first : first + _AT_ONCE]]
            results = await self._client.uaclient.session.read(ua.ReadParameters(NodesToRead=part))
            found += [None if each.Value is None else each.Value.Value for each in results]
        return found

    def _uri(self, index: int) -> str:
        return self.namespaces[index] if 0 <= index < len(self.namespaces) else ""


def _local(node: ua.NodeId) -> ua.NodeId | None:
    """Return the plain node identifier of a reference's target, None when it lies on another server."""
    if isinstance(node, ua.ExpandedNodeId) and (node.ServerIndex or node.NamespaceUri):
        return None
    return ua.NodeId(node.Identifier, node.NamespaceIndex, node.NodeIdType)


def identifier_text(node: ua.NodeId) -> str:
    """Return a node's identifier in its text form without the namespace (OPC 10000-6, 5.3.1.10).

    >>> identifier_text(ua.NodeId("Motor.Current", 2)), identifier_text(ua.NodeId(4101, 2))
    ('s=Motor.Current', 'i=4101')
    """
    if isinstance(node.Identifier, int):
        return f"i={node.Identifier}"
    if isinstance(node.Identifier, str):
        return f"s={node.Identifier}"
    if isinstance(node.Identifier, bytes):
        return f"b={base64.b64encode(node.Identifier).decode('ascii')}"
    return f"g={node.Identifier}"


def _type_name(kind: object) -> str:
    if isinstance(kind, ua.NodeId) and kind.NamespaceIndex == 0 and isinstance(kind.Identifier, int):
        return ObjectIdNames.get(kind.Identifier, "")
    return ""
