"""The raw words of one starter as its polls brought them: the newest of each request, those of the last minutes, those of the last start.

Nothing here asks a device: it keeps what was read anyway, so that a map can be looked at without a second connection. Memory is bounded by
bytes: the ring drops its oldest sweeps, and a start holds at most what the ring held when it was over. Kept flat (an instant, the number of
a layout, bytes), because the collector then passes over it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from gateway.drivers.base import Fault, Poll
from gateway.drivers.opcua_values import NodeValue
from gateway.instants import MINUTE, SECOND, Instant
from gateway.motors.records import Pace
from gateway.registers.plan import Block
from gateway.registers.raw_block import RawBlock

SITE_BYTES = 128 * 2**20
STARTER_BYTES = 2 * 2**20
"""At most for one starter, ring and start together; of a large site each has its share of `SITE_BYTES`."""
RING = 4 * MINUTE
BEFORE_START = 10 * SECOND
AFTER_START = 30 * SECOND
"""A start is kept with what was read around it: standing still before it, and the counter, which some devices raise late, after it."""
MOST_LAYOUTS = 64
MOST_FAULTS = 20
_SWEEP_BYTES = 160
"""What Python needs for one sweep beside its data (measured: 149 on CPython 3.11)."""
_NODE_BYTES = 320
_LONGEST_RAW = 200

Sweep = tuple[Instant, int, bytes]
"""One poll: its instant, the number of its layout (which blocks it holds), and their data one after the other."""
NodeSweep = tuple[Instant, Mapping[str, NodeValue]]


@dataclass(frozen=True, slots=True, kw_only=True)
class NotedFault:
    """A fault of a poll. count: how often it came in a row; first_at, at: the first and the last time of these."""

    kind: str
    text: str
    count: int
    first_at: Instant
    at: Instant


@dataclass(frozen=True, slots=True, kw_only=True)
class RawView:
    """What is kept of one starter, at one moment; never changed again.

    latest: the newest of each request, the newest last. sweeps: the polls of the last minutes, oldest first. start: those through the
    newest start that was seen to its end, with the time before and after it; before_start: what each request had brought by then.
    start_at: when the fast polling of that start began. is_recording: a start is under way and not kept yet.
    nodes, node_sweeps: the same of an OPC UA starter; no start is set aside there.
    """

    latest: tuple[RawBlock, ...] = ()
    layouts: tuple[tuple[Block, ...], ...] = ()
    sweeps: tuple[Sweep, ...] = ()
    before_start: tuple[RawBlock, ...] = ()
    start: tuple[Sweep, ...] = ()
    start_at: Instant | None = None
    is_recording: bool = False
    nodes: Mapping[str, NodeValue] | None = None
    node_sweeps: tuple[NodeSweep, ...] = ()
    faults: tuple[NotedFault, ...] = ()

    @property
    def at(self) -> Instant | None:
        """When anything was last read, None before that."""
        if self.node_sweeps:
            return self.node_sweeps[-1][0]
        answered = [each.at for each in self.latest if each.data]
        return max(answered, default=None)


NOTHING_KEPT = RawView()


class KeptWords:
    """Keeps the words of one starter. Called in the event loop only; a poll costs a microsecond or two.

    most_bytes: for the ring; a start that is set aside needs at most as much again.
    """

    def __init__(self, most_bytes: int = STARTER_BYTES // 2) -> None:
        self._most_bytes = most_bytes
        self._latest: dict[Block, RawBlock] = {}
        self._layouts: dict[tuple[Block, ...], int] = {}
        self._ring: deque[Sweep] = deque()
        self._bytes = 0
        self._began_at: Instant | None = None
        self._ends_at: Instant | None = None
        self._before: tuple[RawBlock, ...] = ()
        self._pinned: tuple[tuple[RawBlock, ...], tuple[Sweep, ...], Instant] | None = None
        self._nodes: Mapping[str, NodeValue] | None = None
        self._node_ring: deque[NodeSweep] = deque()
        self._faults: deque[NotedFault] = deque(maxlen=MOST_FAULTS)

    def take(self, poll: Poll, pace: Pace) -> None:
        """Keep what a poll brought. pace: at which the starter is read from now on, by which a start is known."""
        at = poll.readings[-1].at
        if poll.raw:
            self._take_words(poll.raw, at)
            if pace is Pace.STARTING or self._began_at is not None:
                self._follow_start(at, pace)
        if poll.nodes:
            self._take_nodes(poll.nodes, at)
        if poll.faults:
            for fault in poll.faults:
                self._note(fault, at)

    def _take_words(self, raw: Sequence[RawBlock], at: Instant) -> None:
        latest = self._latest
        if len(raw) == 1:
            # Most polls are one request: they must cost next to nothing.
            block, _, data, _, _ = only = raw[0]
            latest[block] = only
            blocks: tuple[Block, ...] = (block,)
        else:
            for each in raw:
                latest[each.block] = each
            blocks = tuple([each.block for each in raw if each.data])
            data = b"".join([each.data for each in raw])
        if not data:
            return
        layout = self._layouts.get(blocks)
        if layout is None:
            layout = self._new_layout(blocks)
        ring = self._ring
        if ring and at < ring[-1][0]:
            # The clock was set back: what is kept has no order with what comes now.
            ring.clear()
            self._bytes = 0
        ring.append((at, layout, data))
        self._bytes += len(data) + _SWEEP_BYTES
        while self._bytes > self._most_bytes or at - ring[0][0] > RING:
            self._bytes -= len(ring.popleft()[2]) + _SWEEP_BYTES

    def _new_layout(self, blocks: tuple[Block, ...]) -> int:
        if len(self._layouts) >= MOST_LAYOUTS:
            # Only a device that refuses other requests in every poll comes here: begin anew rather than grow.
            self._layouts, self._latest, self._pinned = {}, {block: self._latest[block] for block in blocks}, None
            self._ring.clear()
            self._bytes = 0
        return self._layouts.setdefault(blocks, len(self._layouts))

    def _follow_start(self, at: Instant, pace: Pace) -> None:
        if pace is Pace.STARTING:
            if self._ends_at is not None:
                self._set_aside()
            if self._began_at is None:
                self._began_at, self._before = at, tuple(self._latest.values())
        elif self._began_at is not None:
            if self._ends_at is None:
                self._ends_at = at + AFTER_START
            if at >= self._ends_at:
                self._set_aside()

    def _set_aside(self) -> None:
        if self._began_at is not None:
            since = self._began_at - BEFORE_START
            self._pinned = self._before, tuple(each for each in self._ring if each[0] >= since), self._began_at
        self._began_at = self._ends_at = None

    def _take_nodes(self, nodes: Mapping[str, NodeValue], at: Instant) -> None:
        self._nodes = {key: _short(value) for key, value in nodes.items()}
        ring = self._node_ring
        if not ring or at - ring[-1][0] >= SECOND // 2:
            ring.append((at, self._nodes))
            most = max(2, self._most_bytes // (_NODE_BYTES * len(nodes)))
            while len(ring) > most or at - ring[0][0] > RING:
                ring.popleft()

    def _note(self, fault: Fault, at: Instant) -> None:
        last = self._faults[-1] if self._faults else None
        if last is not None and last.kind == fault.kind.value:
            self._faults[-1] = replace(last, text=fault.text, count=last.count + 1, at=at)
        else:
            self._faults.append(NotedFault(kind=fault.kind.value, text=fault.text, count=1, first_at=at, at=at))

    def view(self) -> RawView:
        """Return what is kept now."""
        before, start, start_at = self._pinned if self._pinned is not None else ((), (), None)
        return RawView(
            latest=tuple(sorted(self._latest.values(), key=lambda each: each.at)),
            layouts=tuple(self._layouts),
            sweeps=tuple(self._ring),
            before_start=before,
            start=start,
            start_at=start_at,
            is_recording=self._began_at is not None,
            nodes=self._nodes,
            node_sweeps=tuple(self._node_ring),
            faults=tuple(self._faults),
        )


def share_bytes(starters: int) -> int:
    """Return the bytes of each starter's ring at a site of so many.

    >>> share_bytes(10), share_bytes(200)
    (1048576, 335544)
    """
    return min(STARTER_BYTES, SITE_BYTES // max(1, starters)) // 2


def _short(value: NodeValue) -> NodeValue:
    """Return a value without what nobody reads: a server may send a text or an array of any length."""
    raw = value.raw
    if isinstance(raw, bool | int | float) or raw is None:
        return value
    text = str(raw[:_LONGEST_RAW]) if isinstance(raw, str | bytes | list | tuple) else str(raw)[:_LONGEST_RAW]
    return value if isinstance(raw, str) and raw == text else replace(value, raw=text)
