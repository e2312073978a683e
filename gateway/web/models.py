"""Typed answers of the API. Units stand in the field names; instants are ISO 8601 UTC; a ratio is x FLC; a share is of 1."""

from __future__ import annotations

from typing import Self

from pydantic import BaseModel, ConfigDict, Field

from gateway.instants import to_iso
from gateway.motors.alerts import Alert
from gateway.motors.records import Budget, LimitVerdict, Start
from gateway.services.health import Health, LinkHealth
from gateway.web.snapshot import MotorNow, Snapshot
from gateway.web.values import live_values


class Answer(BaseModel):
    """Base of every answer: frozen, nothing beside the named fields."""

    model_config = ConfigDict(frozen=True, extra="forbid")


def _iso(at: int | None) -> str | None:
    return None if at is None else to_iso(at)


class LimitAnswer(Answer):
    """What one limit says."""

    limit: str
    source: str
    starts_left: int | None
    next_start_at: str | None
    wait_s: float | None
    reason: str
    allowed_starts: float | None
    used_starts: int | None
    certain: bool

    @classmethod
    def of(cls, verdict: LimitVerdict) -> LimitAnswer:
        """Return the answer for a verdict."""
        return cls(
            limit=verdict.limit.value,
            source=verdict.source,
            starts_left=verdict.starts_left,
            next_start_at=_iso(verdict.next_start_at),
            wait_s=verdict.wait_s,
            reason=verdict.reason,
            allowed_starts=verdict.allowed,
            used_starts=verdict.used,
            certain=verdict.certain,
        )


class BudgetAnswer(Answer):
    """The verdict of all limits together. Advice: it replaces no protection."""

    as_of: str
    starts_left: int | None
    next_start_at: str | None
    deciding_limit: str | None
    quality: str
    reason: str
    limits: list[LimitAnswer]
    caution: str = "The budget is advice. It replaces no protection."

    @classmethod
    def of(cls, budget: Budget) -> BudgetAnswer:
        """Return the answer for a budget."""
        return cls(
            as_of=to_iso(budget.as_of),
            starts_left=budget.starts_left,
            next_start_at=_iso(budget.next_start_at),
            deciding_limit=None if budget.deciding_limit is None else budget.deciding_limit.value,
            quality=budget.quality.name.lower(),
            reason=budget.reason,
            limits=[LimitAnswer.of(verdict) for verdict in budget.limits],
        )


class StartAnswer(Answer):
    """One entry of the ledger; figures that were not measured are null."""

    number: int
    began_at: str
    ended_at: str
    outcome: str
    duration_s: float | None
    duration_error_s: float | None
    peak_current_a: float | None
    peak_ratio: float | None
    i2t_a2s: float | None
    i2t_flc2s: float | None
    i2t_error_pct: float | None
    heat_before: float | None
    heat_after: float | None
    at_speed_current_a: float | None
    unbalance_pct: float | None
    trip_code: int | None
    samples: int
    quality: str
    remark: str

    @classmethod
    def of(cls, start: Start) -> StartAnswer:
        """Return the answer for a start."""
        return cls(
            number=start.number,
            began_at=to_iso(start.began_at),
            ended_at=to_iso(start.ended_at),
            outcome=start.outcome.value,
            duration_s=start.duration_s,
            duration_error_s=start.duration_error_s,
            peak_current_a=start.peak_current_a,
            peak_ratio=start.peak_ratio,
            i2t_a2s=start.i2t_a2s,
            i2t_flc2s=start.i2t_flc2s,
            i2t_error_pct=start.i2t_error_pct,
            heat_before=start.heat_before,
            heat_after=start.heat_after,
            at_speed_current_a=start.at_speed_current_a,
            unbalance_pct=start.unbalance_pct,
            trip_code=start.trip_code,
            samples=start.samples,
            quality=start.quality.name.lower(),
            remark=start.remark,
        )


class AlertAnswer(Answer):
    """One alert and how far it has travelled."""

    id: str
    motor: str
    kind: str
    priority: int
    text: str
    advice: str
    raised_at: str
    acknowledged_at: str | None
    acknowledged_by: str
    returned_at: str | None

    @classmethod
    def of(cls, alert: Alert) -> AlertAnswer:
        """Return the answer for an alert."""
        return cls(
            id=alert.id,
            motor=alert.starter,
            kind=str(alert.kind),
            priority=alert.priority,
            text=alert.text,
            advice=alert.advice,
            raised_at=to_iso(alert.raised_at),
            acknowledged_at=_iso(alert.acknowledged_at),
            acknowledged_by=alert.acknowledged_by or "",
            returned_at=_iso(alert.returned_at),
        )


class ValueAnswer(Answer):
    """One signal now; `value` null means not read or bad, and `flaw` says why."""

    signal: str
    value: float | int | bool | str | None
    unit: str
    flaw: str


class MotorAnswer(Answer):
    """One motor now."""

    name: str
    title: str
    state: str
    state_since: str | None
    current_a: float | None
    current_ratio: float | None
    flc_a: float
    rated_power_kw: float
    heat: float | None
    starts_last_hour: int
    unseen_last_hour: int
    total_starts: int
    quality: str
    reason: str
    last_good_at: str | None
    last_start: StartAnswer | None
    budget: BudgetAnswer

    @classmethod
    def of(cls, motor: MotorNow) -> Self:
        """Return the answer for a motor."""
        return cls.model_validate(cls.fields_of(motor))

    @classmethod
    def fields_of(cls, motor: MotorNow) -> dict[str, object]:
        """Return the fields of the answer by name."""
        live, starter = motor.live, motor.starter
        return {
            "name": starter.name,
            "title": starter.title,
            "state": live.state.value,
            "state_since": _iso(live.state_since),
            "current_a": live.current_a,
            "current_ratio": live.current_ratio,
            "flc_a": starter.motor.flc_a,
            "rated_power_kw": starter.motor.rated_power_kw,
            "heat": live.heat,
            "starts_last_hour": live.starts_last_hour,
            "unseen_last_hour": live.unseen_last_hour,
            "total_starts": live.total_starts,
            "quality": live.quality.name.lower(),
            "reason": live.reason,
            "last_good_at": _iso(live.last_good_at),
            "last_start": None if live.last_start is None else StartAnswer.of(live.last_start),
            "budget": BudgetAnswer.of(motor.budget),
        }


class MotorDetailAnswer(MotorAnswer):
    """One motor now, with every signal and its standing alerts."""

    values: list[ValueAnswer]
    alerts: list[AlertAnswer]

    @classmethod
    def fields_of(cls, motor: MotorNow) -> dict[str, object]:
        """Return the fields of the answer by name."""
        held = motor.live.values
        values = [ValueAnswer(signal=v.key, value=held.get(v.key), unit=v.unit, flaw=v.flaw) for v in live_values(motor)]
        return {**super().fields_of(motor), "values": values, "alerts": [AlertAnswer.of(alert) for alert in motor.alerts]}


class MotorsAnswer(Answer):
    """Every motor now."""

    as_of: str
    site: str
    motors: list[MotorAnswer]

    @classmethod
    def of(cls, snapshot: Snapshot) -> MotorsAnswer:
        """Return the answer for a moment."""
        return cls(as_of=to_iso(snapshot.at), site=snapshot.site_name, motors=[MotorAnswer.of(motor) for motor in snapshot.motors])


class StartsAnswer(Answer):
    """A page of the ledger, newest first; `next_before` asks for the page after it, null at the end."""

    motor: str
    starts: list[StartAnswer]
    next_before: int | None


class CurveAnswer(Answer):
    """The samples of one start; `columns` holds one list a signal, null where there was no value."""

    motor: str
    number: int
    at_s: list[float]
    columns: dict[str, list[float | None]]
    units: dict[str, str]


class SamplesAnswer(Answer):
    """Samples of one signal; a null breaks the line."""

    motor: str
    signal: str
    unit: str
    at: list[str]
    values: list[float | None]


class AlertsAnswer(Answer):
    """Alerts: standing ones in the order of the alert list, and those of the past."""

    as_of: str
    standing: list[AlertAnswer]
    past: list[AlertAnswer]


_LINE = r"^[^\x00-\x1f\x7f]*[^\s\x00-\x1f\x7f][^\x00-\x1f\x7f]*$"
"""Something to read, in one line, without control characters."""


class Acknowledgement(BaseModel):
    """A person has seen an alert."""

    model_config = ConfigDict(extra="forbid")

    alert: str = Field(min_length=1, max_length=300)
    by: str = Field(min_length=1, max_length=60, pattern=_LINE)


class NewNote(BaseModel):
    """What somebody did to a machine, in a line."""

    model_config = ConfigDict(extra="forbid")

    text: str = Field(min_length=1, max_length=200, pattern=_LINE)
    by: str = Field(min_length=1, max_length=60, pattern=_LINE)


class NoteAnswer(Answer):
    """One note."""

    at: str
    text: str
    by: str


class NotesAnswer(Answer):
    """The notes of a motor, latest first."""

    motor: str
    notes: list[NoteAnswer]


class LinkAnswer(Answer):
    """One connection."""

    address: str
    motors: list[str]
    is_open: bool
    fault: str
    last_good_at: str | None
    polls: int
    missed: int
    faults: dict[str, int]
    requests_per_s: float
    round_trip_p50_s: float | None
    round_trip_p99_s: float | None
    lateness_p99_s: float | None

    @classmethod
    def of(cls, link: LinkHealth) -> LinkAnswer:
        """Return the answer for a link."""
        return cls(
            address=link.address,
            motors=list(link.starters),
            is_open=link.is_open,
            fault=link.fault,
            last_good_at=_iso(link.last_good_at),
            polls=link.polls,
            missed=link.missed,
            faults={str(kind): count for kind, count in link.faults.items()},
            requests_per_s=link.requests_per_s,
            round_trip_p50_s=link.round_trip_p50_s,
            round_trip_p99_s=link.round_trip_p99_s,
            lateness_p99_s=link.lateness_p99_s,
        )


class HealthAnswer(Answer):
    """The gateway itself."""

    at: str
    started_at: str
    is_well: bool
    is_storing: bool
    store_fault: str
    links: list[LinkAnswer]
    warnings: list[str]

    @classmethod
    def of(cls, health: Health) -> HealthAnswer:
        """Return the answer for the gateway's health."""
        return cls(
            at=to_iso(health.at),
            started_at=to_iso(health.started_at),
            is_well=health.is_well,
            is_storing=health.store.is_storing,
            store_fault=health.store.fault,
            links=[LinkAnswer.of(link) for link in health.links],
            warnings=list(health.warnings),
        )
