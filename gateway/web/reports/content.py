"""A report as data: everything that page, paper, table and JSON show. Pure: the same records give the same content to the last bit."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from gateway import __version__
from gateway.instants import HOUR, Instant
from gateway.motors.alerts import Alert
from gateway.motors.facts import Starter
from gateway.motors.records import LimitName, Outcome, Start
from gateway.motors.thermal import thermal_model
from gateway.web.plant_time import PlantTime
from gateway.web.reports.breaches import Breach, breaches_of, limits_in_force
from gateway.web.reports.coverage import Coverage, coverage_of
from gateway.web.reports.figures import Change, Figure, changes_of, figures_of
from gateway.web.reports.happenings import Happening
from gateway.web.reports.period import Period
from gateway.web.reports.records import MotorRecords, placed_at
from gateway.web.usual import Usual, abnormal, usual_before

BEFORE, WITHIN = "the last starts before the period", "the starts of the period itself"


@dataclass(frozen=True, slots=True, kw_only=True)
class Busiest:
    """The most starts within any 60 minutes, and when these minutes began; 0 and None without a start."""

    count: int
    from_at: Instant | None


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitLine:
    """One limit as the site file sets it at the issue of the report, and the starts that it did not permit yet."""

    limit: LimitName
    source: str
    breaches: tuple[Breach, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class MotorReport:
    """One motor in the period. usual_from says what the band of the usual was taken from; beyond: starts that were not as usual."""

    starter: Starter
    map_name: str
    coverage: Coverage
    counts: Counter[Outcome]
    busiest: Busiest
    starts: tuple[Start, ...]
    pictured: tuple[Start, ...]
    earlier: tuple[Start, ...]
    usual: Usual
    usual_from: str
    figures: tuple[Figure, ...]
    changes: tuple[Change, ...]
    beyond: tuple[Start, ...]
    limits: tuple[LimitLine, ...]
    alerts: tuple[Alert, ...]
    happenings: tuple[Happening, ...]

    @property
    def name(self) -> str:
        """Return the name of the motor."""
        return self.starter.name

    @property
    def breaches(self) -> tuple[Breach, ...]:
        """Return the starts that a limit did not permit yet, in order."""
        return tuple(sorted((b for line in self.limits for b in line.breaches), key=lambda b: (b.number, b.limit)))

    @property
    def unseen(self) -> int:
        """Return how many starts the starter counted that were not seen."""
        return self.counts[Outcome.UNSEEN]


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """A report; `id` follows from its content, the time of issue left out. chosen: the one motor it is on, "" for all."""

    id: str
    site: str
    zone: str
    period: Period
    issued_at: Instant
    version: str
    chosen: str
    motors: tuple[MotorReport, ...]

    @property
    def starts(self) -> int:
        """Return how many starts all motors made, the unseen ones included."""
        return sum(len(motor.starts) for motor in self.motors)

    @property
    def coverage(self) -> float:
        """Return the share of the period with readings, of 1, in the middle of all motors."""
        return sum(motor.coverage.share for motor in self.motors) / len(self.motors) if self.motors else 0.0


def make_report(
    site: str, time: PlantTime, period: Period, records: Sequence[MotorRecords], *, issued_at: Instant, chosen: str = ""
) -> Report:
    """Return the report of a period over the records of its motors, in the order of the site file; its id is given when it is issued."""
    motors = tuple(_motor_report(each, period) for each in records)
    return Report(
        id="",
        site=site,
        zone=time.zone.key,
        period=period,
        issued_at=issued_at,
        version=__version__,
        chosen=chosen,
        motors=motors,
    )


def _motor_report(records: MotorRecords, period: Period) -> MotorReport:
    starter, starts = records.starter, records.starts
    flc_a = starter.motor.flc_a
    usual, usual_from = usual_before(records.earlier, None, flc_a), BEFORE
    figures = figures_of(starter, starts, usual)
    if usual.duration_s is None:
        usual, usual_from = usual_before(starts, None, flc_a), WITHIN
    return MotorReport(
        starter=starter,
        map_name=records.map_name,
        coverage=coverage_of(period, records.gaps, records.first_known, records.last_good, starter.thresholds.gap_s),
        counts=Counter(start.outcome for start in starts),
        busiest=busiest_of([placed_at(start) for start in starts]),
        starts=starts,
        pictured=records.pictured,
        earlier=records.earlier,
        usual=usual,
        usual_from=usual_from,
        figures=figures,
        changes=changes_of(figures),
        beyond=tuple(start for start in starts if start.outcome is not Outcome.UNSEEN and _is_beyond(start, usual)),
        limits=_limits(records, period),
        alerts=records.alerts,
        happenings=records.happenings,
    )


def _is_beyond(start: Start, usual: Usual) -> bool:
    return start.outcome is not Outcome.AT_SPEED or abnormal(start, usual)


def busiest_of(begins: Sequence[Instant]) -> Busiest:
    """Return the most starts within any 60 minutes.

    >>> minute = 60_000_000
    >>> busiest_of([0, 50 * minute, 59 * minute, 60 * minute])
    Busiest(count=3, from_at=0)
    """
    ordered = sorted(begins)
    best, first = Busiest(count=0, from_at=None), 0
    for place, at in enumerate(ordered):
        while ordered[first] <= at - HOUR:
            first += 1
        if place - first + 1 > best.count:
            best = Busiest(count=place - first + 1, from_at=ordered[first])
    return best


def _limits(records: MotorRecords, period: Period) -> tuple[LimitLine, ...]:
    starter = records.starter
    breaches = breaches_of(starter, records.lately, records.stops, period.from_at)
    sources = {verdict.limit: verdict.source for verdict in limits_in_force(starter, period.to_at)}
    sources[LimitName.THERMAL_CAPACITY] = thermal_model(starter).source
    return tuple(
        LimitLine(limit=limit, source=source, breaches=tuple(b for b in breaches if b.limit is limit)) for limit, source in sources.items()
    )
