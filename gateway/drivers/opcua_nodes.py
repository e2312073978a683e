"""Nodes of an OPC UA server in the library's terms: looked up by namespace URI, asked for, monitored, and their values as plain data."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import cast

from asyncua import ua
from asyncua.ua.attribute_ids import AttributeIds
from asyncua.ua.object_ids import ObjectIds
from asyncua.ua.uaerrors import UaError

from gateway.drivers.opcua_values import NodeValue
from gateway.instants import Instant, from_datetime
from gateway.registers.model import OpcuaPlace

# The library annotates flags with a class of its own that no bool is an instance of.
_NO, _YES = cast(ua.Boolean, False), cast(ua.Boolean, True)


def standard_node(number: int) -> ua.NodeId:
    """Return a node of the standard's own namespace."""
    return ua.NodeId(ua.Int32(number), ua.Int16(0))


NAMESPACE_ARRAY = standard_node(ObjectIds.Server_NamespaceArray)
START_TIME = standard_node(ObjectIds.Server_ServerStatus_StartTime)
CURRENT_TIME = standard_node(ObjectIds.Server_ServerStatus_CurrentTime)
MOST_READ = standard_node(ObjectIds.Server_ServerCapabilities_OperationLimits_MaxNodesPerRead)
MOST_MONITORED = standard_node(ObjectIds.Server_ServerCapabilities_OperationLimits_MaxMonitoredItemsPerCall)
MOST_TRANSLATED = standard_node(ObjectIds.Server_ServerCapabilities_OperationLimits_MaxNodesPerTranslateBrowsePathsToNodeIds)


def node_id(place: OpcuaPlace, namespaces: Sequence[str]) -> ua.NodeId:
    """Return the node that a place names; LookupError says why there is none."""
    try:
        return ua.NodeId.from_string(f"ns={_index_of(place.namespace_uri, namespaces)};{place.identifier}")
    except UaError:
        raise LookupError(f"{place.identifier!r} is no node identifier") from None


def browse_path(place: OpcuaPlace, namespaces: Sequence[str]) -> ua.BrowsePath:
    """Return a place's path from the Objects folder; LookupError says which namespace is missing."""
    steps = [
        ua.RelativePathElement(
            ReferenceTypeId=standard_node(ObjectIds.HierarchicalReferences),
            IsInverse=_NO,
            IncludeSubtypes=_YES,
            TargetName=ua.QualifiedName(name, _index_of(uri, namespaces)),
        )
        for uri, name in place.path
    ]
    return ua.BrowsePath(StartingNode=standard_node(ObjectIds.ObjectsFolder), RelativePath=ua.RelativePath(Elements=steps))


def target_of(place: OpcuaPlace, result: ua.BrowsePathResult) -> ua.NodeId:
    """Return the one node at the end of a path; LookupError says why there is none."""
    shown = place.written or "/".join(name for _, name in place.path)
    if not result.StatusCode.is_good():
        raise LookupError(f"the path {shown} leads nowhere ({result.StatusCode.name})")
    if len(result.Targets) != 1:
        raise LookupError(f"the path {shown} leads to {len(result.Targets)} nodes")
    target: ua.NodeId = result.Targets[0].TargetId
    return target


def _index_of(uri: str, namespaces: Sequence[str]) -> int:
    if not uri:
        return 0
    try:
        return namespaces.index(uri)
    except ValueError:
        raise LookupError(f"the server has no namespace {uri}; it has {', '.join(namespaces)}") from None


def read_parameters(nodes: Sequence[ua.NodeId]) -> ua.ReadParameters:
    """Return a request for the values of nodes with both of their times."""
    wanted = [ua.ReadValueId(NodeId=node, AttributeId=AttributeIds.Value) for node in nodes]
    return ua.ReadParameters(TimestampsToReturn=ua.TimestampsToReturn.Both, NodesToRead=wanted)


def monitored(handle: int, node: ua.NodeId, sampling_s: float, queue_size: int) -> ua.MonitoredItemCreateRequest:
    """Return a request to be notified of a node's changes under this handle, of which the server keeps so many between notifications."""
    return ua.MonitoredItemCreateRequest(
        ItemToMonitor=ua.ReadValueId(NodeId=node, AttributeId=AttributeIds.Value),
        MonitoringMode=ua.MonitoringMode.Reporting,
        RequestedParameters=ua.MonitoringParameters(
            ClientHandle=handle, SamplingInterval=1000 * sampling_s, QueueSize=queue_size, DiscardOldest=_YES
        ),
    )


def node_value(value: ua.DataValue, received_at: Instant) -> NodeValue:
    """Return a value as plain data; a server that sends no status means good (OPC 10000-6, 5.2.2.17)."""
    status = 0 if value.StatusCode is None else int(value.StatusCode.value)
    name = "Good" if value.StatusCode is None or status == 0 else value.StatusCode.name
    raw = None if value.Value is None else value.Value.Value
    kind = "" if value.Value is None else value.Value.VariantType.name
    return NodeValue(raw, status, name, instant_of(value.SourceTimestamp), instant_of(value.ServerTimestamp), received_at, kind)


def instant_of(moment: object) -> Instant | None:
    """Return a stamp as an instant; servers without a clock send none, or their epoch 1601."""
    if not isinstance(moment, datetime) or moment.tzinfo is None or moment.year < 1980:
        return None
    return from_datetime(moment)
