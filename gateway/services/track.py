"""One starter's state: its watch and its alerts, folded over readings. Live run, recovery, replay and history all fold through here."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import orjson
import zstandard

from gateway.errors import StoreError
from gateway.instants import SECOND, Instant
from gateway.motors.alerts import Alert, AlertBoard
from gateway.motors.facts import Starter
from gateway.motors.reading import Reading
from gateway.motors.records import (
    CounterReset,
    DriftFound,
    Event,
    GapEnded,
    Live,
    PhaseLost,
    SettingsChanged,
    Start,
    StartEnded,
    Stop,
    StopEnded,
    UnseenStarts,
)
from gateway.motors.watch import Watch
from gateway.store.batch import Batch, KeptEvent, Note, Snapshot

ALERT_INTERVAL = SECOND
CALM_INTERVAL = 5 * SECOND
"""The same while the motor goes on as before, no alert stands and none is on its way: it costs as much as everything else together."""
SNAPSHOT_FORMAT = 2
READ_FORMATS = (1, SNAPSHOT_FORMAT)
"""An older state is read as it is; what it does not have yet begins as at a first reading. Making it anew from stored readings is no way:
they are kept for a month, and the starts of the ledger go further back."""


@dataclass(slots=True)
class Outcomes:
    """What followed from some readings of one starter, in the order in which it came."""

    starts: list[Start]
    stops: list[Stop]
    alerts: list[Alert]
    events: list[KeptEvent]
    happened: bool
    """There is something to keep."""
    live: Live | None
    """What is known now, when the board was asked."""

    def take(self, events: Sequence[Event]) -> None:
        """Sort events by where they are kept."""
        for event in events:
            self.happened = True
            match event:
                case StartEnded():
                    self.starts.append(event.start)
                case StopEnded():
                    self.stops.append(event.stop)
                case UnseenStarts():
                    self.starts.extend(event.starts)
                    self.events.append(event)
                case CounterReset() | GapEnded() | PhaseLost() | SettingsChanged() | DriftFound():
                    self.events.append(event)

    def batch(self, starter: str, readings: tuple[Reading, ...] = (), snapshot: Snapshot | None = None) -> Batch:
        """Return it all as it is written together, with the readings that it followed from."""
        if not self.happened:
            return Batch(starter, readings, snapshot=snapshot)
        return Batch(
            starter=starter,
            readings=readings,
            starts=tuple(self.starts),
            stops=tuple(self.stops),
            alerts=tuple(self.alerts),
            events=tuple(self.events),
            snapshot=snapshot,
        )


NOTHING = Outcomes([], [], [], [], False, None)
"""What nearly every reading brings; never changed."""


class Track:
    """A watch and an alert board that go together.

    The board is asked whenever something happened, and once a second by the time of the readings, more seldom while nothing changes; all
    this is a function of the readings alone.
    """

    def __init__(
        self, starter: Starter, watch: Watch | None = None, board: AlertBoard | None = None, board_at: Instant | None = None
    ) -> None:
        self.starter = starter
        self.watch = watch or Watch(starter)
        self.board = board or AlertBoard(starter)
        self._board_at = board_at
        self.at: Instant | None = board_at

    def fold(self, readings: Sequence[Reading]) -> Outcomes:
        """Take readings in the order in which they came; return what followed."""
        outcomes: Outcomes | None = None
        for reading in readings:
            events = self.watch.take(reading)
            if events or self._is_board_due(reading.at):
                outcomes = outcomes or Outcomes([], [], [], [], False, None)
                outcomes.take(events)
                self._board_at = reading.at
                self._ask_board(events, outcomes)
        if readings:
            self.at = readings[-1].at
        return outcomes or NOTHING

    def _is_board_due(self, at: Instant) -> bool:
        asked_at = self._board_at
        # A clock set back asks at once, rather than not for an hour.
        if asked_at is None or at < asked_at:
            return True
        return at - asked_at >= ALERT_INTERVAL and (
            at - asked_at >= CALM_INTERVAL or not (self.watch.is_steady and self.board.is_idle)
        )

    def acknowledge(self, alert_id: str, at: Instant, by: str) -> Alert | None:
        """Acknowledge an alert; return it as it then is, None when no such alert stands."""
        change = self.board.acknowledge(alert_id, at, by)
        return change.alert if change else None

    def note(self, at: Instant, text: str, by: str) -> Note:
        """Take in what somebody wrote of the machine; return the note as it is to be kept."""
        self.watch.note(at, text)
        return Note(at=at, text=text, by=by, reading_at=at if self.at is None else self.at)

    def live(self) -> Live:
        """Return the row of the motors page."""
        return self.watch.live()

    def snapshot(self) -> bytes:
        """Return the whole state as compressed JSON; floats come back to the last bit."""
        state = {
            "format": SNAPSHOT_FORMAT,
            "at": self.at,
            "board_at": self._board_at,
            "watch": self.watch.snapshot(),
            "board": self.board.snapshot(),
        }
        return zstandard.ZstdCompressor(level=3).compress(orjson.dumps(state))

    @classmethod
    def restored(cls, starter: Starter, body: bytes) -> Track:
        """Return a track as it was when the snapshot was taken; StoreError when this version cannot read it."""
        try:
            state = orjson.loads(zstandard.ZstdDecompressor().decompress(body))
            if state["format"] not in READ_FORMATS:
                raise ValueError(f"format {state['format']}, this version knows {SNAPSHOT_FORMAT} and earlier")
            board = AlertBoard(starter)
            board.restore(state["board"])
            track = cls(starter, Watch.restored(starter, state["watch"]), board, state["board_at"])
            track.at = state["at"]
        except (ValueError, KeyError, TypeError, zstandard.ZstdError) as error:
            raise StoreError(f"the stored state of {starter.name} cannot be read ({error}): run the version that wrote it") from error
        return track

    def _ask_board(self, events: Sequence[Event], outcomes: Outcomes) -> None:
        outcomes.live = live = self.watch.live()
        for change in self.board.take(live, events):
            outcomes.happened = True
            outcomes.alerts.append(change.alert)
