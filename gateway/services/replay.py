"""Replay: readings that were kept, folded through the same watch as live ones, and what comes out as one result."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from gateway.instants import Instant, to_iso
from gateway.motors.facts import Starter
from gateway.motors.history import History
from gateway.motors.reading import Reading
from gateway.motors.records import (
    Budget,
    CounterReset,
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
from gateway.services.record_json import Json, budget_json, drift_json, start_json, stop_json
from gateway.store.batch import Note


@dataclass(frozen=True, slots=True, kw_only=True)
class ReplayResult:
    """What a trace says of one starter. `starts` by number, each as known last; `budget` as of `as_of`, None without a reading."""

    starter: str
    readings: int
    as_of: Instant | None
    starts: tuple[Start, ...]
    total_starts: int
    stops: tuple[Stop, ...]
    gaps: tuple[GapEnded, ...]
    resets: tuple[CounterReset, ...]
    phase_losses: tuple[PhaseLost, ...]
    settings_changes: tuple[SettingsChanged, ...]
    live: Live
    history: History
    budget: Budget | None

    def as_json(self) -> Json:
        """Return the result in the published shape; instants are ISO 8601 UTC, ratios x FLC."""
        return {
            "starter": self.starter,
            "readings": self.readings,
            "state": self.live.state.value,
            "starts": [start_json(start) for start in self.starts],
            "stops": [stop_json(stop) for stop in self.stops],
            "gaps": [{"began_at": to_iso(gap.began_at), "ended_at": to_iso(gap.at), "reason": gap.reason} for gap in self.gaps],
            "counter_resets": [
                {"at": to_iso(reset.at), "before": reset.before, "after": reset.after, "reason": reset.reason} for reset in self.resets
            ],
            "phase_losses": [{"at": to_iso(lost.at), "phase": lost.phase, "number": lost.number} for lost in self.phase_losses],
            "settings_changes": [
                {"at": to_iso(event.at), "signal": change.key, "before": change.before, "after": change.after}
                for event in self.settings_changes
                for change in event.changes
            ],
            "drifts": [drift_json(drift) for drift in self.live.drifts],
            "total_starts": self.total_starts,
            "starts_last_hour": self.live.starts_last_hour,
            "thermal_used": self.live.heat,
            "budget": None if self.budget is None else budget_json(self.budget),
        }


def replay(starter: Starter, readings: Iterable[Reading], at: Instant | None = None, notes: Sequence[Note] = ()) -> ReplayResult:
    """Return what readings in time order say of a starter, the budget at `at` or as of the last reading.

    A start that the device counted shortly before the end of the readings and that was not seen is among the starts, as unseen. One that is
    still under way is not; it counts in the last hour and in the budget. notes: what was written of the machine meanwhile, oldest first.
    """
    watch, count, written = Watch(starter), 0, deque(notes)
    starts: dict[int, Start] = {}
    stops, gaps, resets = list[Stop](), list[GapEnded](), list[CounterReset]()
    losses, changes = list[PhaseLost](), list[SettingsChanged]()
    for reading in readings:
        count += 1
        while written and reading.at > written[0].reading_at:
            note = written.popleft()
            watch.note(note.at, note.text)
        for event in watch.take(reading):
            match event:
                case StartEnded():
                    starts[event.start.number] = event.start
                case UnseenStarts():
                    starts.update((start.number, start) for start in event.starts)
                case StopEnded():
                    stops.append(event.stop)
                case GapEnded():
                    gaps.append(event)
                case CounterReset():
                    resets.append(event)
                case PhaseLost():
                    losses.append(event)
                case SettingsChanged():
                    changes.append(event)
                case _:
                    pass
    starts.update((start.number, start) for start in watch.pending())
    live = watch.live()
    as_of = at if at is not None else live.at
    return ReplayResult(
        starter=starter.name,
        readings=count,
        as_of=as_of,
        starts=tuple(starts[number] for number in sorted(starts)),
        total_starts=live.total_starts + len(watch.pending()),
        stops=tuple(stops),
        gaps=tuple(gaps),
        resets=tuple(resets),
        phase_losses=tuple(losses),
        settings_changes=tuple(changes),
        live=live,
        history=watch.history(as_of),
        budget=None if as_of is None else watch.explained_budget(as_of),
    )
