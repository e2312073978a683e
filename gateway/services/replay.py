"""Replay: readings that were kept, folded through the same watch as live ones, and what comes out as one result."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from gateway.instants import Instant, seconds_between, to_iso
from gateway.motors.facts import Starter
from gateway.motors.history import History
from gateway.motors.reading import Reading
from gateway.motors.records import Budget, CounterReset, GapEnded, LimitVerdict, Live, Start, StartEnded, Stop, StopEnded, UnseenStarts
from gateway.motors.watch import Watch

Json = dict[str, Any]


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
    live: Live
    history: History
    budget: Budget | None

    def as_json(self) -> Json:
        """Return the result in the published shape; instants are ISO 8601 UTC, ratios x FLC."""
        return {
            "starter": self.starter,
            "readings": self.readings,
            "state": self.live.state.value,
            "starts": [_start(start) for start in self.starts],
            "stops": [
                {
                    "began_at": to_iso(stop.began_at),
                    "ended_at": to_iso(stop.ended_at),
                    "kind": stop.kind.value,
                    "run_began_at": _iso(stop.run_began_at),
                    "trip_code": stop.trip_code,
                }
                for stop in self.stops
            ],
            "gaps": [{"began_at": to_iso(gap.began_at), "ended_at": to_iso(gap.at), "reason": gap.reason} for gap in self.gaps],
            "counter_resets": [
                {"at": to_iso(reset.at), "before": reset.before, "after": reset.after, "reason": reset.reason} for reset in self.resets
            ],
            "total_starts": self.total_starts,
            "starts_last_hour": self.live.starts_last_hour,
            "thermal_used": self.live.heat,
            "budget": None if self.budget is None else _budget(self.budget),
        }


def replay(starter: Starter, readings: Iterable[Reading], at: Instant | None = None) -> ReplayResult:
    """Return what readings in time order say of a starter, the budget at `at` or as of the last reading.

    A start that the device counted shortly before the end of the readings and that was not seen is among the starts, as unseen. One that is
    still under way is not; it counts in the last hour and in the budget.
    """
    watch, count = Watch(starter), 0
    starts: dict[int, Start] = {}
    stops, gaps, resets = list[Stop](), list[GapEnded](), list[CounterReset]()
    for reading in readings:
        count += 1
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
        live=live,
        history=watch.history(as_of),
        budget=None if as_of is None else watch.budget(as_of),
    )


def _start(start: Start) -> Json:
    rating = start.equivalent_rating
    return {
        "number": start.number,
        "began_at": to_iso(start.began_at),
        "ended_at": to_iso(start.ended_at),
        "outcome": start.outcome.value,
        "began_error_s": start.began_error_s,
        "duration_s": start.duration_s,
        "duration_error_s": start.duration_error_s,
        "peak_current_a": start.peak_current_a,
        "peak_ratio": start.peak_ratio,
        "steady_peak_current_a": start.steady_peak_current_a,
        "i2t_a2s": start.i2t_a2s,
        "i2t_flc2s": start.i2t_flc2s,
        "i2t_error_pct": start.i2t_error_pct,
        "winding_i2t_flc2s": start.winding_i2t_flc2s,
        "mean_current_a": start.mean_current_a,
        "equivalent_rating": None if rating is None else {"x": rating.x, "t_s": rating.t_s},
        "at_speed_current_a": start.at_speed_current_a,
        "unbalance_pct": start.unbalance_pct,
        "thermal_before": start.heat_before,
        "thermal_after": start.heat_after,
        "trip_code": start.trip_code,
        "samples": start.samples,
        "quality": start.quality.name.lower(),
        "remark": start.remark,
    }


def _budget(budget: Budget) -> Json:
    return {
        "as_of": to_iso(budget.as_of),
        "starts_left": budget.starts_left,
        "next_start_at": _iso(budget.next_start_at),
        "wait_s": None if budget.next_start_at is None else max(0.0, seconds_between(budget.as_of, budget.next_start_at)),
        "deciding_limit": None if budget.deciding_limit is None else budget.deciding_limit.value,
        "quality": budget.quality.name.lower(),
        "reason": budget.reason,
        "limits": [_limit(verdict) for verdict in budget.limits],
    }


def _limit(verdict: LimitVerdict) -> Json:
    return {
        "limit": verdict.limit.value,
        "source": verdict.source,
        "starts_left": verdict.starts_left,
        "next_start_at": _iso(verdict.next_start_at),
        "wait_s": verdict.wait_s,
        "reason": verdict.reason,
        "allowed": verdict.allowed,
        "used": verdict.used,
        "certain": verdict.certain,
    }


def _iso(at: Instant | None) -> str | None:
    return None if at is None else to_iso(at)
