"""One OPC UA session on asyncua.

A session is made for one connection and thrown away with it: the library's own reconnecting can end with reads that work and a subscription
that is dead, and it re-subscribes by namespace numbers that may have changed meaning. Here all nodes are looked up again each time.
"""

from __future__ import annotations

import asyncio
import logging
import struct
from collections.abc import Callable, Mapping, Sequence
from urllib.parse import urlparse

from asyncua import ua
from asyncua.client.client import Client
from asyncua.client.ua_client import UaClientState
from asyncua.ua.uaerrors import BadTooManyOperations, UaError, UaStatusCodeError
from cryptography.exceptions import InvalidSignature

from gateway.clock import Clock
from gateway.drivers import opcua_nodes as nodes
from gateway.drivers.base import Fault, FaultKind
from gateway.drivers.opcua_faults import fault_of_status, unreadable
from gateway.drivers.opcua_requests import BlockedServiceError, Requests
from gateway.drivers.opcua_security import SecurityRefusalError, secure
from gateway.drivers.opcua_subscription import Subscription
from gateway.drivers.opcua_values import NodeValue
from gateway.drivers.request_rate import RequestRate
from gateway.drivers.sockets import connect_fault
from gateway.instants import Instant
from gateway.registers.model import OpcuaPlace
from gateway.site import OpcuaSecurity

# The library logs every lost connection with its traceback; this program reports each fault itself, once and in its own words.
logging.getLogger("asyncua").setLevel(logging.CRITICAL + 1)
_log = logging.getLogger(__name__)

SESSION_TIMEOUT_MS = 60_000
"""A lost session is freed by the server after this, so that reconnecting does not run into its limit of sessions."""
CHANNEL_LIFETIME_MS = 600_000
"""Short enough that renewal is at work many times a day, not first after an hour in the field."""
CLOSE_TIMEOUT_S = 2.0
STEPS_TO_OPEN = 4
"""Connecting takes several round trips; each may take its timeout, all together this many."""
_FIRST_CHUNK = 100
_PORT = 4840


# What a broken or hostile server can make the library raise while it takes a reply apart.
BROKEN = (
    OSError,
    UaError,
    ValueError,
    TypeError,
    LookupError,
    AttributeError,
    struct.error,
    InvalidSignature,
    BlockedServiceError,
    SecurityRefusalError,
)


class OpcuaSession:
    """A connected session over a list of places, which are then named by their index.

    missing: why a place has no node, by index.
    start_time, namespaces: of the server, as found at connect.
    subscription: None while nothing is subscribed.
    rate: of requests, where the server wants no more in a second.
    expiries: when the certificates in use expire, and whose they are.
    """

    def __init__(
        self,
        endpoint: str,
        places: Sequence[OpcuaPlace],
        timeout_s: float,
        clock: Clock,
        security: OpcuaSecurity | None = None,
        rate: RequestRate | None = None,
    ) -> None:
        self._client = Client(endpoint, timeout=timeout_s, watchdog_intervall=max(5.0, 2 * timeout_s), auto_reconnect=False)
        self._client.session_timeout = SESSION_TIMEOUT_MS
        self._client.secure_channel_timeout = CHANNEL_LIFETIME_MS
        self._requests = Requests(self._client.uaclient, rate or RequestRate(None), clock)
        self._endpoint, self._timeout_s, self._clock = urlparse(endpoint), timeout_s, clock
        self._security = security
        self._has_user = security is not None and bool(security.user or security.user_certificate)
        self.expiries: tuple[tuple[str, Instant], ...] = ()
        self._places = list(places)
        self._nodes: list[ua.NodeId | None] = [None] * len(self._places)
        self._chunks = dict.fromkeys((nodes.MOST_READ, nodes.MOST_MONITORED, nodes.MOST_TRANSLATED), _FIRST_CHUNK)
        self._abandoned = False
        self.missing: dict[int, str] = {}
        self.start_time: Instant | None = None
        self.namespaces: tuple[str, ...] = ()
        self.subscription: Subscription | None = None

    @property
    def is_open(self) -> bool:
        """True while the session can be read."""
        return not self._abandoned and self._client.state is UaClientState.CONNECTED

    @property
    def waited_s(self) -> float:
        """How long requests were held back so that the server gets no more in a second than its map allows [s]."""
        return self._requests.waited_s

    def abandon(self) -> None:
        """Mark the session as unusable; `close` does the rest."""
        self._abandoned = True

    async def open(self) -> Fault | None:
        """Connect, learn the server's limits and namespaces, find every node; return why it failed."""
        try:
            # A protected channel takes two connections: one to learn what the server offers, one to use it.
            async with self._requests.within(STEPS_TO_OPEN * self._timeout_s * (1 if self._security is None else 2)):
                if self._security is not None:
                    await self._requests.turn()
                    self.expiries = await secure(self._client, self._security, self._endpoint.hostname or "", self._clock.now())
                await self._requests.turn()
                await self._client.connect()
                fault = await self._learn()
                await self._resolve()
        except BROKEN as error:
            await self.close()
            return self._fault(error, connecting=True)
        except asyncio.CancelledError:
            await self.close()
            raise
        if fault is not None:
            await self.close()
        return fault

    async def close(self) -> None:
        """Close in bounded time and leave no task of the library behind; never raises."""
        self._abandoned = True
        protocol = self._client.uaclient.protocol
        try:
            async with self._requests.within(CLOSE_TIMEOUT_S):
                if self._client.state is UaClientState.CONNECTED:
                    # To end the session is a request that the library makes without asking.
                    await self._requests.turn()
                await self._client.disconnect()
        except BROKEN as error:
            _log.debug("closing %s: %s", self._endpoint.netloc, error)
        finally:
            self._client.disconnect_socket()
            if protocol is not None and protocol.transport is not None:
                protocol.transport.abort()
        # The library's cancelled tasks and the socket end on the next turns of the loop.
        for _ in range(3):
            await asyncio.sleep(0)

    async def _learn(self) -> Fault | None:
        namespaces, started, *limits = await self._read_values([nodes.NAMESPACE_ARRAY, nodes.START_TIME, *self._chunks])
        if not isinstance(namespaces.raw, list):
            return fault_of_status(namespaces.status_name)
        self.namespaces = tuple(str(uri) for uri in namespaces.raw)
        self.start_time = nodes.instant_of(started.raw)
        for node, limit in zip(self._chunks, limits, strict=True):
            # 0 stands for no limit; then the first guess is large enough to be cheap and small enough for any buffer.
            # One that already had to be lowered tells more than the server's own word.
            if isinstance(limit.raw, int) and limit.raw > 0 and self._chunks[node] == _FIRST_CHUNK:
                self._chunks[node] = min(limit.raw, 10 * _FIRST_CHUNK)
        return None

    async def _resolve(self) -> None:
        """Find the node of every place that has none yet; `missing` says why one is not there."""
        paths: list[tuple[int, ua.BrowsePath]] = []
        for index, place in enumerate(self._places):
            if self._nodes[index] is None:
                try:
                    if place.path:
                        paths.append((index, nodes.browse_path(place, self.namespaces)))
                    else:
                        self._nodes[index] = nodes.node_id(place, self.namespaces)
                except LookupError as error:
                    self.missing[index] = str(error.args[0])
        chunk = self._chunks[nodes.MOST_TRANSLATED]
        for first in range(0, len(paths), chunk):
            part = paths[first : first + chunk]
            results = await self._client.uaclient.session.translate_browsepaths_to_nodeids([path for _, path in part])
            for (index, _), result in zip(part, results, strict=True):
                try:
                    self._nodes[index] = nodes.target_of(self._places[index], result)
                    self.missing.pop(index, None)
                except LookupError as error:
                    self.missing[index] = str(error.args[0])

    async def read(self, indices: Sequence[int]) -> tuple[dict[int, NodeValue], int] | Fault:
        """Return the values of the places that have a node, and how many requests it took; a fault when the service failed."""
        known = [(index, node) for index in indices if (node := self._nodes[index]) is not None]
        try:
            values = await self._read_values([node for _, node in known])
        except BROKEN as error:
            return self._fault(error)
        except asyncio.CancelledError:
            self.abandon()
            raise
        return {index: value for (index, _), value in zip(known, values, strict=True)}, -(-len(known) // self._chunks[nodes.MOST_READ])

    async def look_again(self) -> Fault | None:
        """Return a fault when the server's namespaces or its start are no longer those of this session; look for nodes still missing."""
        try:
            namespaces, started = await self._read_values([nodes.NAMESPACE_ARRAY, nodes.START_TIME])
            same_names = isinstance(namespaces.raw, list) and tuple(namespaces.raw) == self.namespaces
            if same_names and nodes.instant_of(started.raw) == self.start_time:
                await self._resolve()
                return None
        except BROKEN as error:
            return self._fault(error)
        except asyncio.CancelledError:
            self.abandon()
            raise
        self.abandon()
        return Fault(
            kind=FaultKind.NO_NODE, text="the server restarted or changed its namespaces: all nodes are looked up again", breaks_link=True
        )

    async def _read_values(self, wanted: Sequence[ua.NodeId]) -> list[NodeValue]:
        values: list[NodeValue] = []
        while len(values) < len(wanted):
            chunk = self._chunks[nodes.MOST_READ]
            part = wanted[len(values) : len(values) + chunk]
            try:
                results = await self._client.uaclient.session.read(nodes.read_parameters(part))
            except BadTooManyOperations:
                if len(part) == 1:
                    raise
                self._chunks[nodes.MOST_READ] = len(part) // 2
                continue
            if len(results) != len(part):
                raise ValueError(f"{len(results)} values for {len(part)} nodes")
            now = self._clock.now()
            values += [nodes.node_value(each, now) for each in results]
        return values

    def is_subscribed(self, index: int) -> bool:
        """True when changes of this place are notified."""
        return self.subscription is not None and self.subscription.holds(index)

    async def subscribe(self, sampling_s: Mapping[int, float], on_change: Callable[[int, NodeValue], None]) -> Fault | None:
        """Subscribe to places by index; one that cannot be subscribed is left to be polled.

        on_change: called with index and value for each notification; must return at once.
        """
        wanted = {index: node for index in sampling_s if (node := self._nodes[index]) is not None}
        subscription = Subscription(self._client.uaclient.session, self._clock, self._endpoint.netloc, on_change)
        try:
            async with self._requests.within(STEPS_TO_OPEN * self._timeout_s):
                await subscription.begin(wanted, sampling_s, self._chunks[nodes.MOST_MONITORED])
        except BROKEN as error:
            await self.close()
            return self._fault(error)
        except asyncio.CancelledError:
            await self.close()
            raise
        self.subscription = subscription
        return None

    def _fault(self, error: BaseException, connecting: bool = False) -> Fault:
        """Return what went wrong in words; whatever it is, the session is of no more use."""
        self.abandon()
        if isinstance(error, SecurityRefusalError):
            return Fault(kind=FaultKind.SECURITY, text=str(error), breaks_link=True)
        if isinstance(error, UaStatusCodeError):
            return fault_of_status(ua.StatusCode(error.code).name, has_user=self._has_user, is_secured=self._security is not None)
        if isinstance(error, BlockedServiceError):
            text = f"a request was stopped before it left: {error}; this is a mistake in the program, report it"
            return Fault(kind=FaultKind.BLOCKED, text=text, breaks_link=True)
        if connecting and isinstance(error, OSError):
            return connect_fault(error, self._endpoint.hostname or "", self._endpoint.port or _PORT, self._timeout_s)
        if isinstance(error, TimeoutError):
            text = f"no answer within {self._timeout_s:g} s: the server is stuck or gone"
            return Fault(kind=FaultKind.NO_ANSWER, text=text, breaks_link=True)
        if isinstance(error, OSError):
            text = "the server closed the connection: it restarted or the network broke"
            return Fault(kind=FaultKind.CLOSED, text=text, breaks_link=True)
        return unreadable(error, is_secured=self._security is not None)
