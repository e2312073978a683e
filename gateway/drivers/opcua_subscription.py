"""Changes of nodes notified by the server, in one subscription together with the server's own clock, which ticks as long as it lives.

Not every server can do it, and some do it so seldom that what they tell is old when it comes. Then there is no subscription, `refusal` says
why, and its nodes are left to be polled.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Callable, Mapping
from typing import Any

from asyncua import ua
from asyncua.client.ua_session import UaSession
from asyncua.ua.uaerrors import UaStatusCodeError

from gateway.clock import Clock
from gateway.drivers import opcua_nodes as nodes
from gateway.drivers.opcua_values import NodeValue
from gateway.instants import Instant

_log = logging.getLogger(__name__)

SLOWEST_PUBLISHING_S = 2.0
"""A server that makes more than this of a shorter interval is polled: what it tells would be older than a page may show as present."""
_FEWEST_QUEUED, _MOST_QUEUED = 20, 1000
_KEEPALIVE_EVERY = 10
_LIFETIME_S = 60.0
_CANNOT = frozenset({"BadServiceUnsupported", "BadNotSupported", "BadNotImplemented", "BadTooManySubscriptions"})


class Subscription:
    """One subscription of one session.

    publishing_interval_s: as the server revised it, None while there is no subscription.
    last_notified_s: monotonic moment of the last notification [s]; known_until: server time up to which all changes have arrived.
    is_stale: the server has given up the subscription.
    refusal: why there is none, in words; "" while nothing is amiss.
    """

    def __init__(self, session: UaSession, clock: Clock, server: str, on_change: Callable[[int, NodeValue], None]) -> None:
        self._session, self._clock, self._server, self._on_change = session, clock, server, on_change
        self._wanted: frozenset[int] = frozenset()
        self._held: set[int] = set()
        self.publishing_interval_s: float | None = None
        self.last_notified_s = clock.monotonic()
        self.known_until: Instant | None = None
        self.is_stale = False
        self.refusal = ""

    def holds(self, index: int) -> bool:
        """True when changes of this place are notified."""
        return index in self._held

    async def begin(self, wanted: Mapping[int, ua.NodeId], sampling_s: Mapping[int, float], chunk: int) -> None:
        """Subscribe to nodes by their index, so many in one request; one that cannot be subscribed is left to be polled.

        Raises what the library raises.
        """
        interval_s = min(sampling_s.values())
        parameters = ua.CreateSubscriptionParameters(
            RequestedPublishingInterval=1000 * interval_s,
            RequestedMaxKeepAliveCount=_KEEPALIVE_EVERY,
            RequestedLifetimeCount=max(3 * _KEEPALIVE_EVERY, round(_LIFETIME_S / interval_s)),
        )
        try:
            created = await self._session.create_subscription(parameters, self._on_publish)
        except UaStatusCodeError as error:
            name = ua.StatusCode(error.code).name
            if name not in _CANNOT:
                raise
            self._refuse(f"the server takes no subscription ({name})")
            return
        publishing_s = created.RevisedPublishingInterval / 1000
        if publishing_s > max(SLOWEST_PUBLISHING_S, 1.5 * interval_s):
            await self._session.delete_subscriptions([created.SubscriptionId])
            self._refuse(f"the server notifies only every {publishing_s:g} s, asked were {interval_s:g} s")
            return
        self.publishing_interval_s = publishing_s
        # The first notifications may come before the server's answer that says what it holds.
        self._wanted = frozenset(wanted)
        if publishing_s > interval_s:
            _log.info("%s publishes every %g s, asked were %g s", self._server, publishing_s, interval_s)
        await self._monitor(created.SubscriptionId, wanted, sampling_s, chunk)
        self.last_notified_s = self._clock.monotonic()

    def _refuse(self, reason: str) -> None:
        self.refusal = f"{reason}: what the map wants subscribed is polled instead; write `fetch: poll` to have it so from the start"
        _log.warning("%s: %s", self._server, self.refusal)

    async def _monitor(self, subscription: int, wanted: Mapping[int, ua.NodeId], sampling_s: Mapping[int, float], chunk: int) -> None:
        requests = [nodes.monitored(index, node, sampling_s[index], self._queue_size(sampling_s[index])) for index, node in wanted.items()]
        # The handle one past the places is the server's own clock.
        shortest_s = min(sampling_s.values())
        requests.append(nodes.monitored(max(sampling_s) + 1, nodes.CURRENT_TIME, shortest_s, self._queue_size(shortest_s)))
        for first in range(0, len(requests), chunk):
            part = requests[first : first + chunk]
            results = await self._session.create_monitored_items(
                ua.CreateMonitoredItemsParameters(
                    SubscriptionId=subscription, TimestampsToReturn=ua.TimestampsToReturn.Both, ItemsToCreate=part
                )
            )
            for request, result in zip(part, results, strict=True):
                if not result.StatusCode.is_good():
                    _log.info("%s does not let a node be subscribed (%s); it is polled", self._server, result.StatusCode.name)
                elif request.RequestedParameters.ClientHandle in wanted:
                    self._held.add(request.RequestedParameters.ClientHandle)

    def _queue_size(self, sampling_s: float) -> int:
        """Return how many changes the server should keep of a node: twice what it samples between two notifications."""
        samples = math.ceil(2 * (self.publishing_interval_s or 0.0) / sampling_s)
        return min(_MOST_QUEUED, max(_FEWEST_QUEUED, samples))

    def _on_publish(self, result: Any) -> None:
        message, now = result.NotificationMessage, self._clock.now()
        self.known_until = nodes.instant_of(message.PublishTime) or self.known_until
        for each in message.NotificationData or ():
            if isinstance(each, ua.StatusChangeNotification):
                self.is_stale = True
            elif isinstance(each, ua.DataChangeNotification):
                self.last_notified_s = self._clock.monotonic()
                for item in each.MonitoredItems:
                    if item.ClientHandle in self._wanted:
                        self._on_change(item.ClientHandle, nodes.node_value(item.Value, now))
