"""The OPC UA link: one session to one endpoint, the starters behind it read by node, polled or subscribed.

Read only: Read, Browse, Subscribe. Each open makes a new session and looks every node up again by namespace URI, so that a server that
comes back with other namespace numbers never gives another variable's value. Where signals are subscribed, the server's own clock is
subscribed with them; when that stops ticking the server is frozen, however well the connection looks, and the link is broken off.
In one map, either poll or subscribe the signals that make a start: a polled reading may overtake a notification on its way.
"""

from __future__ import annotations

import logging
from collections import deque
from collections.abc import Mapping, Sequence

from gateway.clock import Clock
from gateway.drivers.base import Attached, Fault, FaultKind, Poll
from gateway.drivers.certificates import expiry_note
from gateway.drivers.flawed import flaws_for
from gateway.drivers.opcua_session import OpcuaSession
from gateway.drivers.opcua_values import TRUST_PAST, Image, NodeValue, moment_of, value_of
from gateway.drivers.request_rate import RequestRate
from gateway.instants import SECOND, Instant
from gateway.motors.reading import Flaw, Quality, Reading, Scalar, TimeSource
from gateway.motors.records import Pace
from gateway.registers.model import DEFAULT_SAMPLING_S, Fetch, OpcuaPlace, Signal, SignalPace
from gateway.site import OpcuaSecurity

_log = logging.getLogger(__name__)

LEAST_SILENCE_S = 5.0
"""A server is frozen when nothing was notified for three publishing intervals, and at least for this long."""
QUEUE_LENGTH = 10_000
"""Notifications kept for one starter between two polls; the oldest are dropped and counted beyond it."""


class _Node:
    """One signal behind the link and its index in the session."""

    def __init__(self, index: int, signal: Signal, place: OpcuaPlace) -> None:
        self.index, self.signal, self.place = index, signal, place
        self.is_slow = signal.pace is SignalPace.SLOW
        self.is_watched = signal.pace is SignalPace.WATCH
        self.wants_subscription = place.fetch is Fetch.SUBSCRIBE


class _Starter:
    """One starter behind the link: its nodes, its notifications on the way, the state they add up to."""

    def __init__(self, nodes: list[_Node]) -> None:
        self.nodes = nodes
        self.queue: deque[tuple[Signal, NodeValue]] = deque(maxlen=QUEUE_LENGTH)
        self.image = Image()
        self.is_fresh = True
        self.watched: dict[int, object] = {}
        self.seen: dict[str, NodeValue] = {}

    def is_due(self, node: _Node, session: OpcuaSession, pace: Pace) -> bool:
        """True when a poll reads this node: all once in a session, then those not notified, slow ones at the slow pace."""
        if self.is_fresh:
            return True
        fits = node.is_watched if pace is Pace.WATCH else pace is Pace.SLOW or not node.is_slow
        return fits and not session.is_subscribed(node.index)

    def sees_change(self, found: Mapping[int, NodeValue]) -> bool:
        """Remember what the watched nodes hold; return whether it is not what they held."""
        before = self.watched
        self.watched = {node.index: found[node.index].raw for node in self.nodes if node.is_watched and node.index in found}
        return before != self.watched

    def drained(self) -> list[tuple[Signal, NodeValue]]:
        """Take the notifications that have come in."""
        taken = list(self.queue)
        self.queue.clear()
        return taken

    def renew(self) -> None:
        """Forget the state of the last session, but not the time of the last reading."""
        last_at = self.image.last_at
        self.queue.clear()
        self.image = Image()
        self.image.last_at = last_at
        self.seen = {}
        self.is_fresh = True


class OpcuaLink:
    """One session to an OPC UA server, owned by one worker (see `base.Link`).

    security: None leaves the channel neither signed nor encrypted: for a network that nobody else reaches.
    """

    def __init__(self, endpoint: str, attached: Sequence[Attached], clock: Clock, security: OpcuaSecurity | None = None) -> None:
        self.address = f"opcua {endpoint}"
        self._security = security
        self.dropped = 0
        """Notifications lost since the start, here or in the server's queue."""
        self._endpoint, self._clock = endpoint, clock
        self._timeout_s = max((each.map.timeout_s for each in attached), default=1.0)
        self._rate = RequestRate(min((each.map.requests_per_s for each in attached if each.map.requests_per_s), default=None))
        self._places: list[OpcuaPlace] = []
        self._starters = {each.starter: _Starter(self._nodes_of(each)) for each in attached}
        self._by_index = {node.index: (starter, node) for starter in self._starters.values() for node in starter.nodes}
        self._session: OpcuaSession | None = None
        self._fault: Fault | None = None
        self._server: tuple[Instant | None, tuple[str, ...]] | None = None
        self._expiries: tuple[tuple[str, Instant], ...] = ()

    def _nodes_of(self, attached: Attached) -> list[_Node]:
        nodes = []
        for signal in attached.map.signals:
            if isinstance(signal.place, OpcuaPlace):
                nodes.append(_Node(len(self._places), signal, signal.place))
                self._places.append(signal.place)
        return nodes

    @property
    def is_open(self) -> bool:
        """True while the session is usable."""
        return self._session is not None and self._session.is_open

    @property
    def notes(self) -> tuple[str, ...]:
        """What people should know though it is no fault now: certificates that expire soon, notifications lost or not sent."""
        now = self._clock.now()
        told = None if self._session is None else self._session.subscription
        refused = (told.refusal,) if told is not None and told.refusal else ()
        lost = (f"{self.dropped} notifications were lost since the start: poll more often or sample less",) if self.dropped else ()
        return refused + lost + tuple(note for whose, at in self._expiries if (note := expiry_note(whose, at, now)))

    async def open(self) -> Fault | None:
        """Make a new session, find all nodes, subscribe; return why it failed.

        Connecting has several steps and takes four times the link's timeout at most, subscribing as much again.
        """
        if self.is_open:
            return None
        await self.close()
        session = OpcuaSession(self._endpoint, self._places, self._timeout_s, self._clock, self._security, self._rate)
        fault = await session.open()
        self._expiries = session.expiries
        sampling_s = {
            node.index: node.place.sampling_interval_s or DEFAULT_SAMPLING_S
            for _, node in self._by_index.values()
            if fault is None and node.wants_subscription and node.index not in session.missing
        }
        if fault is None and sampling_s:
            fault = await session.subscribe(sampling_s, self._on_change)
        if fault is not None:
            self._fault = fault
            _log.info("%s: %s", self.address, fault.text)
            return fault
        self._note_server(session)
        for starter in self._starters.values():
            starter.renew()
        self._session, self._fault = session, None
        return None

    def _note_server(self, session: OpcuaSession) -> None:
        found = session.start_time, session.namespaces
        if self._server is not None and self._server != found:
            changed = "with other namespaces" if self._server[1] != found[1] else "with the same namespaces"
            _log.info("%s: the server restarted %s; all nodes are looked up anew", self.address, changed)
        self._server = found

    async def close(self) -> None:
        """Close in bounded time; safe to call twice, never raises."""
        session, self._session = self._session, None
        if session is not None:
            await session.close()

    def _on_change(self, index: int, value: NodeValue) -> None:
        starter, node = self._by_index[index]
        full = len(starter.queue) == QUEUE_LENGTH
        if full or value.lost_changes:
            self.dropped += 1
            if self.dropped == 1 or self.dropped % 1000 == 0:
                _log.warning("%s: %d notifications were lost: poll more often or sample less", self.address, self.dropped)
        starter.seen[node.signal.key] = value
        starter.queue.append((node.signal, value))

    async def poll(self, starter: str, pace: Pace) -> Poll:
        """Return what was notified since the last poll as earlier readings, then the state now with the polled signals read.

        The first poll of a session reads every node once, also subscribed and slow ones. `Pace.WATCH` reads the nodes marked so, and when
        one of them is not as the last poll saw it, or something was notified, the others at once as well.
        """
        state, slow, session = self._starters[starter], pace is Pace.SLOW, self._session
        earlier = state.image.take(state.drained())
        fault = await self._check(session, slow)
        if session is None or fault is not None:
            return self._broken(state, earlier, fault or self._closed_fault(), slow)
        due = [node for node in state.nodes if state.is_due(node, session, pace)]
        began_s = self._clock.monotonic() - session.waited_s
        result = await session.read([node.index for node in due])
        if isinstance(result, Fault):
            return self._broken(state, earlier, result, slow)
        found, requests = result
        has_changed = state.sees_change(found)
        is_unchanged = pace is Pace.WATCH and not has_changed and not earlier and not state.is_fresh
        if pace is Pace.WATCH and not is_unchanged:
            due = [node for node in state.nodes if state.is_due(node, session, Pace.STANDBY)]
            more = await session.read([node.index for node in due if node.index not in found])
            if isinstance(more, Fault):
                return self._broken(state, earlier, more, slow)
            found, requests = {**found, **more[0]}, requests + more[1]
        readings = earlier
        if due or not earlier:
            readings = [*earlier, self._reading_now(state, session, due, found)]
        state.is_fresh = False
        return Poll(
            readings=tuple(readings),
            faults=_missing_faults(state, session, found),
            requests=requests,
            round_trip_s=self._clock.monotonic() - session.waited_s - began_s,
            is_unchanged=is_unchanged,
            nodes=dict(state.seen),
        )

    async def _check(self, session: OpcuaSession | None, slow: bool) -> Fault | None:
        if session is None or not session.is_open:
            return self._closed_fault()
        told = session.subscription
        if told is not None and told.publishing_interval_s is not None:
            silent_s = self._clock.monotonic() - told.last_notified_s
            if told.is_stale or silent_s > max(3 * told.publishing_interval_s, LEAST_SILENCE_S):
                session.abandon()
                text = (
                    f"the server is connected but notified nothing for {silent_s:.0f} s, not even its own clock: it is frozen or restarting"
                )
                return Fault(kind=FaultKind.FROZEN, text=text, breaks_link=True)
        return await session.look_again() if slow else None

    def _reading_now(self, state: _Starter, session: OpcuaSession, due: list[_Node], found: dict[int, NodeValue]) -> Reading:
        values: dict[str, Scalar] = {}
        flaws: dict[str, Flaw] = {}
        for node in due:
            if node.index in found:
                state.seen[node.signal.key] = found[node.index]
            if node.index not in found:
                flaws[node.signal.key] = Flaw(Quality.BAD, session.missing.get(node.index, "the node was not found"))
            elif session.is_subscribed(node.index):
                state.image.put(node.signal, found[node.index])
            else:
                value, flaw = value_of(node.signal, found[node.index])
                if value is not None:
                    values[node.signal.key] = value
                if flaw is not None:
                    flaws[node.signal.key] = flaw
        at, rank = moment_of(list(found.values()), state.image.last_at) if found else self._confirmed(state, session)
        return state.image.reading(at, rank, values, flaws)

    def _confirmed(self, state: _Starter, session: OpcuaSession) -> tuple[Instant, TimeSource]:
        """Return the time up to which the notifications are known to be complete, so that none on its way is overtaken."""
        now, told = self._clock.now(), session.subscription
        if told is None or told.known_until is None or told.publishing_interval_s is None or abs(told.known_until - now) > TRUST_PAST:
            return max(now, state.image.last_at + 1), TimeSource.RECEIVED
        complete = told.known_until - round(told.publishing_interval_s * SECOND)
        return max(complete, state.image.last_at + 1), TimeSource.SERVER

    def _broken(self, state: _Starter, earlier: list[Reading], fault: Fault, slow: bool) -> Poll:
        if fault.breaks_link and self._fault is None:
            self._fault = fault
            _log.info("%s: %s", self.address, fault.text)
        due = [node.signal for node in state.nodes if slow or not node.is_slow]
        bad = state.image.bad_reading(self._clock.now(), flaws_for(due, fault.text))
        return Poll(readings=(*earlier, bad), faults=(fault,))

    def _closed_fault(self) -> Fault:
        gone = "the link is not open" if self._session is None else "the server closed the connection: it restarted or the network broke"
        return self._fault or Fault(kind=FaultKind.CLOSED, text=gone, breaks_link=True)


_NO_NODE = frozenset({"BadNodeIdUnknown", "BadNodeIdInvalid"})


def _missing_faults(state: _Starter, session: OpcuaSession, found: dict[int, NodeValue]) -> tuple[Fault, ...]:
    lost: list[str] = []
    for node in state.nodes:
        value = found.get(node.index)
        if node.index in session.missing:
            lost.append(f"{node.signal.name}: {session.missing[node.index]}")
        elif value is not None and value.status_name in _NO_NODE:
            lost.append(f"{node.signal.name}: {value.status_name}")
    if not lost:
        return ()
    more = f" and {len(lost) - 3} more" if len(lost) > 3 else ""
    return (Fault(kind=FaultKind.NO_NODE, text=f"not on the server: {'; '.join(lost[:3])}{more}; check the map against the server"),)
