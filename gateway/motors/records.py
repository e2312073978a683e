"""What the core says: records of starts and stops, events, the budget. Frozen data, no behaviour beyond unit-free ratios."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType

from gateway.instants import Instant
from gateway.motors.drift_terms import Drift
from gateway.motors.outlook_terms import LimitName as LimitName
from gateway.motors.outlook_terms import Outlook
from gateway.motors.reading import Quality, Scalar
from gateway.motors.start_terms import DirectEstimate, RampShape


class MotorState(StrEnum):
    """State of the motor as the recogniser sees it."""

    UNKNOWN = "unknown"
    """No usable reading yet, or a gap with nothing to tell what happened in it."""
    STOPPED = "stopped"
    """Current off; the motor may still coast."""
    STARTING = "starting"
    """A start is under way."""
    RUNNING = "running"
    """At speed."""
    STOPPING = "stopping"
    """A soft stop is under way."""
    TRIPPED = "tripped"
    """Stopped by a protection; a reset is needed."""


class Outcome(StrEnum):
    """How a start ended."""

    AT_SPEED = "at_speed"
    ABORTED = "aborted"
    STALLED = "stalled"
    TRIPPED = "tripped"
    UNSEEN = "unseen"
    """Known only from the device's own counter."""


class StopKind(StrEnum):
    """How a run ended."""

    COAST = "coast"
    SOFT_STOP = "soft_stop"
    TRIP = "trip"
    UNSEEN = "unseen"


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """Samples of one start at full resolution: `at_s` counts from the start's begin, `columns` holds one tuple a signal key, None for no
    value.

    The curve begins up to one sample before the begin (negative time) and runs a few seconds past the end.
    """

    at_s: tuple[float, ...]
    columns: Mapping[str, tuple[float | None, ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class EquivalentRating:
    """A start written as X-Tx: `x` x FLC for `t_s` seconds carries the same I2t."""

    x: float
    t_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """One entry of the ledger. Figures that could not be measured are None (always so for an unseen start).

    number: place in this starter's ledger, from 1; with the starter's name it is the key in the store.
    began_at, ended_at: for an unseen start the bounds of the gap it lies in.
    began_error_s: half width of the band in which the begin lies.
    duration_error_s: half width of the band of the duration.
    i2t_flc2s: line I2t on the base of FLC [s]; `winding_i2t_flc2s` the same for the winding current.
    peak_current_a: largest sample; `steady_peak_current_a` the largest median of three samples in a row, free of the bias of noise.
    at_speed_current_a: mean current in the seconds after the end.
    heat_before, heat_after: thermal capacity used, of 1.
    peak_error_pct: the true peak was higher than the largest sample by this much at most.
    rms_current_a: the constant current that carries the same I2t in the same time.
    lowest_voltage_v: lowest supply voltage of the start; `voltage_dip_pct` its fall below the voltage before the start.
    command_to_begin_s, command_to_speed_s: from the start command, within `command_error_s`.
    shape: of the current; `direct`: the same start direct on line, an estimate.
    quality: of the record as a whole, with the reason in `remark`.
    """

    number: int
    began_at: Instant
    ended_at: Instant
    outcome: Outcome
    began_error_s: float = 0.0
    duration_s: float | None = None
    duration_error_s: float | None = None
    peak_current_a: float | None = None
    peak_ratio: float | None = None
    steady_peak_current_a: float | None = None
    i2t_a2s: float | None = None
    i2t_flc2s: float | None = None
    winding_i2t_flc2s: float | None = None
    i2t_error_pct: float | None = None
    mean_current_a: float | None = None
    equivalent_rating: EquivalentRating | None = None
    at_speed_current_a: float | None = None
    unbalance_pct: float | None = None
    heat_before: float | None = None
    heat_after: float | None = None
    trip_code: int | None = None
    samples: int = 0
    quality: Quality = Quality.GOOD
    remark: str = ""
    curve: Curve | None = None
    peak_error_pct: float | None = None
    rms_current_a: float | None = None
    lowest_voltage_v: float | None = None
    voltage_dip_pct: float | None = None
    voltage_dip_error_pct: float | None = None
    command_to_begin_s: float | None = None
    command_to_speed_s: float | None = None
    command_error_s: float | None = None
    shape: RampShape | None = None
    direct: DirectEstimate | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """How one run ended.

    began_at: begin of the soft stop, or the instant at which the motor was switched off.
    ended_at: current off.
    run_began_at: begin of the run that ended, None when it was not seen.
    """

    began_at: Instant
    ended_at: Instant
    kind: StopKind
    run_began_at: Instant | None = None
    trip_code: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StateChanged:
    at: Instant
    before: MotorState
    after: MotorState


@dataclass(frozen=True, slots=True, kw_only=True)
class StartBegan:
    at: Instant
    number: int


@dataclass(frozen=True, slots=True, kw_only=True)
class StartEnded:
    """A start is complete. It may come again under the same number with better figures (a reopened start, the seconds after the end): the
    last one stands."""

    at: Instant
    start: Start


@dataclass(frozen=True, slots=True, kw_only=True)
class StopEnded:
    at: Instant
    stop: Stop


@dataclass(frozen=True, slots=True, kw_only=True)
class UnseenStarts:
    """The device counted starts that were not seen; each is also in `starts`."""

    at: Instant
    starts: tuple[Start, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CounterReset:
    """The device's counter went where no counting explains: it was reset, or the device was replaced."""

    at: Instant
    before: int
    after: int
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class GapEnded:
    """Readings are back after a gap."""

    began_at: Instant
    at: Instant
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseLost:
    """A phase carried no current while the others did, or the device said so. number: of the start under way, None in a run."""

    at: Instant
    phase: str
    number: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingChange:
    """One setting of the device, by signal key, before and after."""

    key: str
    before: Scalar
    after: Scalar


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingsChanged:
    """Settings of the device are not what they were."""

    at: Instant
    changes: tuple[SettingChange, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftFound:
    """Figures of the starts have left what was learned."""

    at: Instant
    drifts: tuple[Drift, ...]


Event = (
    StateChanged
    | StartBegan
    | StartEnded
    | StopEnded
    | UnseenStarts
    | CounterReset
    | GapEnded
    | PhaseLost
    | SettingsChanged
    | DriftFound
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitVerdict:
    """What one limit says at one instant.

    source: standard, clause or table, "site rule ...", or "... from memory - confirm".
    starts_left: starts permitted now, one after another; None when the limit does not count starts.
    allowed, used: of the counting window, None when the limit does not count.
    next_start_at: earliest permitted start, `as_of` when that is now; None when the limit can never permit one or cannot be told.
    wait_s: time until then, 0 when now, None as above.
    holds: (from, until) spans, each one start or off time that counts until it lets go: what the pages draw.
    certain: False when bad or missing data may hide a start or heat; the verdict then is the pessimistic one.
    """

    limit: LimitName
    source: str
    starts_left: int | None
    next_start_at: Instant | None
    wait_s: float | None
    reason: str
    allowed: float | None = None
    used: int | None = None
    holds: tuple[tuple[Instant, Instant], ...] = ()
    certain: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """The verdict of all limits together. Advice: it replaces no protection.

    limits: deciding one first, then by next permitted start.
    next_start_at None with quality BAD: cannot be told (`reason`); None with quality GOOD: never under the deciding limit's present
    settings.
    outlook: only where it was asked for, and never while nothing can be told.
    """

    as_of: Instant
    starts_left: int | None
    next_start_at: Instant | None
    deciding_limit: LimitName | None
    limits: tuple[LimitVerdict, ...]
    quality: Quality = Quality.GOOD
    reason: str = ""
    outlook: Outlook | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Live:
    """What a watch knows at its last reading: the row of the motors page.

    heat: thermal capacity used, of 1; heat_quality says how far to trust it.
    state_since: instant of the last change of state, None while unknown.
    flaws: reasons of what is not good, by signal key.
    lost_phase: the phase that carries no current, "" for none. drifts: figures of the starts that have left what was learned.
    """

    starter: str
    at: Instant | None
    state: MotorState
    state_since: Instant | None
    current_a: float | None
    current_ratio: float | None
    starts_last_hour: int
    unseen_last_hour: int
    heat: float | None
    heat_quality: Quality
    quality: Quality
    reason: str
    last_good_at: Instant | None
    last_start: Start | None
    total_starts: int
    values: Mapping[str, float | int | bool | str] = field(default_factory=lambda: MappingProxyType({}))
    flaws: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    lost_phase: str = ""
    drifts: tuple[Drift, ...] = ()


class Pace(StrEnum):
    """How often a starter is read."""

    STANDBY = "standby"
    STARTING = "starting"
    RUNNING = "running"
    SLOW = "slow"
    """For signals that the map marks `pace: slow`, read besides the others at their own interval."""
    WATCH = "watch"
    """A look at the signals that the map marks `pace: watch` alone, between two readings of a motor that stands still."""
