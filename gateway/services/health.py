"""Health: how each link, the store and the jobs are doing, as plain values, in memory that does not grow with run time."""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Mapping
from dataclasses import dataclass, field

from gateway.drivers.base import Fault, FaultKind, Poll
from gateway.instants import HOUR, SECOND, Instant, seconds_between
from gateway.services.spread import DaySpread

RATE_WINDOW_S = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkHealth:
    """One link as the health page shows it.

    is_open: connected now.
    fault: what is wrong now in plain words, of the link or of the first starter behind it, "" while all is well; fault_kind its class.
    faults: faults of every class since start. failures: attempts in a row without a good poll.
    polls, missed: turns taken, and deadlines skipped because a turn came too late. restarts: times the worker had to be started again.
    round_trip_*, lateness_*: of the last day [s], upper edge of the band in which the percentile lies; None before the first poll.
    requests_per_s: over the last minute.
    notes: what should be known though it is no fault now, in sentences: gaps that a device refused, certificates that expire soon.
    """

    address: str
    starters: tuple[str, ...]
    is_open: bool
    fault: str = ""
    fault_kind: str = ""
    failures: int = 0
    last_good_at: Instant | None = None
    polls: int = 0
    missed: int = 0
    restarts: int = 0
    faults: Mapping[str, int] = field(default_factory=dict)
    requests_per_s: float = 0.0
    round_trip_p50_s: float | None = None
    round_trip_p99_s: float | None = None
    lateness_p50_s: float | None = None
    lateness_p99_s: float | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class StoreHealth:
    """The store as the health page shows it.

    fault: why nothing is being stored, "" while it is. queued_*: what waits for the next commit. dropped_readings: raw readings given up
    since start because too much waited; `lost_records` the same for anything else (a record that the store refuses for its content).
    """

    url: str
    is_storing: bool
    fault: str = ""
    queued_readings: int = 0
    queued_bytes: int = 0
    queued_records: int = 0
    dropped_readings: int = 0
    lost_records: int = 0
    commits: int = 0
    last_commit_at: Instant | None = None
    size_bytes: int = 0
    log_bytes: int = 0
    engine: str = ""
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class JobHealth:
    """One housekeeping job: when it last ended, how, and how often its turn was skipped."""

    name: str
    last_run_at: Instant | None = None
    last_result: str = ""
    failed: bool = False
    skipped: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Health:
    """Everything the health page shows, at one instant. `warnings` are sentences fit to be shown."""

    at: Instant
    started_at: Instant
    version: str
    links: tuple[LinkHealth, ...]
    store: StoreHealth
    jobs: tuple[JobHealth, ...] = ()
    warnings: tuple[str, ...] = ()

    @property
    def is_well(self) -> bool:
        """True when every link is open and without fault and the store is storing."""
        return self.store.is_storing and all(link.is_open and not link.fault for link in self.links)


class LinkLog:
    """What one worker notes about its link. Bounded: two day-long spreads, one counter a fault class, a minute of request counts."""

    def __init__(self, address: str, starters: tuple[str, ...]) -> None:
        self.address = address
        self.starters = starters
        self.is_open = False
        self.failures = 0
        self.missed = 0
        self.restarts = 0
        self.notes: tuple[str, ...] = ()
        self._polls = 0
        self._opening: Fault | None = None
        self._standing: dict[str, Fault] = {}
        self._faults: Counter[str] = Counter()
        self._last_good_at: Instant | None = None
        self._round_trip = DaySpread()
        self._lateness = DaySpread()
        self._requests: deque[list[int]] = deque()

    def note_poll(self, starter: str, poll: Poll, lateness_s: float, at: Instant, *, was_open: bool = True) -> None:
        """Note a turn. What a poll says without having asked the device anything (the link is closed, the unit rests) is no new fault."""
        hour = at // HOUR
        self._polls += 1
        self._lateness.add(lateness_s, hour)
        if poll.requests:
            self._round_trip.add(poll.round_trip_s, hour)
            self._note_requests(poll.requests, at // SECOND)
        for fault in poll.faults:
            if poll.requests or (fault.breaks_link and was_open):
                self._faults[fault.kind] += 1
        if poll.faults:
            self._standing[starter] = poll.faults[-1]
        else:
            self._standing.pop(starter, None)
        if poll.readings[-1].has_data:
            self._last_good_at = at

    def note_loss(self) -> None:
        """Note that the other side closed the connection while nothing was asked."""
        self._faults[FaultKind.CLOSED] += 1

    def note_opening(self, fault: Fault | None) -> None:
        """Note an attempt to open the link: why it failed, None when it did not."""
        self._opening = fault
        if fault is not None:
            self._faults[fault.kind] += 1

    def health(self, at: Instant) -> LinkHealth:
        """Return the link's health now."""
        self._forget_requests(at // SECOND)
        fault = self._opening or next(iter(self._standing.values()), None)
        return LinkHealth(
            address=self.address,
            starters=self.starters,
            is_open=self.is_open,
            fault=fault.text if fault else "",
            fault_kind=fault.kind.value if fault else "",
            failures=self.failures,
            last_good_at=self._last_good_at,
            polls=self._polls,
            missed=self.missed,
            restarts=self.restarts,
            faults=dict(self._faults),
            requests_per_s=sum(count for _, count in self._requests) / RATE_WINDOW_S,
            round_trip_p50_s=self._round_trip.quantile(0.50),
            round_trip_p99_s=self._round_trip.quantile(0.99),
            lateness_p50_s=self._lateness.quantile(0.50),
            lateness_p99_s=self._lateness.quantile(0.99),
            notes=self.notes,
        )

    def _note_requests(self, count: int, second: int) -> None:
        if self._requests and self._requests[-1][0] == second:
            self._requests[-1][1] += count
        else:
            self._requests.append([second, count])
            self._forget_requests(second)

    def _forget_requests(self, second: int) -> None:
        # A wall clock set back leaves seconds of the future behind: they go too, so that the minute never grows.
        while self._requests and not second - RATE_WINDOW_S < self._requests[0][0] <= second:
            self._requests.popleft()


def silence_s(link: LinkHealth, at: Instant) -> float | None:
    """Return how long a link has brought no usable value [s], None when it never has."""
    return None if link.last_good_at is None else max(0.0, seconds_between(link.last_good_at, at))
