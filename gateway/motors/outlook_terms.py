"""The limits by name, and what stands behind a budget: how it was decided, the heat to come, what a start would do."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from gateway.instants import Instant


class LimitName(StrEnum):
    """The rules on starting that the budget knows."""

    SITE_STARTS_PER_HOUR = "site_starts_per_hour"
    SITE_OFF_TIME = "site_off_time"
    STARTER_RATING = "starter_rating"
    MOTOR_DATA = "motor_data"
    NEMA_MG10 = "nema_mg10"
    COLD_HOT = "cold_hot"
    THERMAL_CAPACITY = "thermal_capacity"


@dataclass(frozen=True, slots=True, kw_only=True)
class IfStarted:
    """What a start at the budget's instant would do, permitted or not.

    heat_before, heat_after: thermal capacity used, of 1; over_by: how far the latter is above the limit. broken: limits it would break.
    next_start_at: of the budget after it, None when that permits none. estimated: the cost of a start is a guess from motor data.
    """

    heat_before: float
    heat_after: float
    over_by: float
    broken: tuple[LimitName, ...]
    next_start_at: Instant | None
    estimated: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Sustained:
    """Starts an hour that each limit permits for ever at one duty: runs of `run_s` at `run_ratio` x FLC after each start."""

    run_s: float
    run_ratio: float
    starts_per_hour: Mapping[LimitName, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """What stands behind a budget.

    runner_up: the limit that decides next; decides_by_s: how much later the deciding limit's next start is; decides_by_starts: how many
    starts fewer it leaves. heat: thermal capacity used from the budget's instant to the next permitted start (an hour when that is now),
    the motor standing. sustained: None when no run was seen yet.
    """

    runner_up: LimitName | None
    decides_by_s: float | None
    decides_by_starts: int | None
    heat: tuple[tuple[Instant, float], ...]
    if_started: IfStarted
    sustained: Sustained | None
