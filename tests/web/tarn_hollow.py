"""The invented plant Tarn Hollow as a fixed picture for the pages: motors with pasts made from plain formulas, held in memory.

The figures are invented; the budgets are the real rules' verdicts on them.
"""

from __future__ import annotations

import asyncio
import math
import random
import time
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from gateway.clock import Clock, HandClock
from gateway.instants import HOUR, MINUTE, SECOND, Instant, from_iso
from gateway.motors.alerts import Alert, AlertKind
from gateway.motors.budget import budget
from gateway.motors.drift_terms import DriftBreak
from gateway.motors.facts import LimitSettings, LoadData, LoadKind, Method, MotorData, SignalFacts, Starter, StarterData
from gateway.motors.history import History, StartMark
from gateway.motors.reading import Quality
from gateway.motors.records import Budget, Curve, GapEnded, Live, MotorState, Outcome, Start, Stop
from gateway.motors.thermal import learned_from, thermal_model
from gateway.registers.load import load_map
from gateway.registers.model import RegisterMap
from gateway.services.health import Health, LinkHealth, StoreHealth
from gateway.services.kept_words import NOTHING_KEPT, RawView
from gateway.site.model import ReportSettings
from gateway.store.batch import Note
from gateway.store.readers import StoredEvent

NOW: Instant = from_iso("2026-03-12T14:12:00Z")
ZONE = ZoneInfo("Europe/London")
KEYS = (
    "current",
    "current_l1",
    "current_l2",
    "current_l3",
    "voltage",
    "power",
    "running",
    "at_speed",
    "tripped",
    "trip_code",
    "start_count",
)
UNITS = {"current": "A", "current_l1": "A", "current_l2": "A", "current_l3": "A", "voltage": "V", "power": "kW"}


def motor_data(power_kw: float, flc_a: float, **more: Any) -> MotorData:
    """Return a data sheet with every field that a limit may want."""
    sheet = MotorData(
        rated_power_kw=power_kw,
        rated_voltage_v=400.0,
        flc_a=flc_a,
        poles=4,
        locked_rotor_ratio=6.8,
        cold_stall_s=28.0,
        hot_stall_s=18.0,
        heating_time_constant_s=1800.0,
        cooling_time_constant_s=3600.0,
    )
    return replace(sheet, **more)


def curve(
    flc_a: float, duration_s: float, plateau: float, at_speed: float, *, method: Method, step_s: float = 0.1, end_s: float | None = None
) -> Curve:
    """Return a start's curve: a ramp to the limit, the plateau, the fall to running current; or a spike for direct on line."""
    noise = random.Random(round(duration_s * 1000))
    last = (duration_s + 5.0) if end_s is None else end_s
    at = [round(place * step_s - step_s, 3) for place in range(int(last / step_s) + 2)]
    return Curve(
        at_s=tuple(at), columns={"current": tuple(_amps(t, flc_a, duration_s, plateau, at_speed, method, noise, end_s) for t in at)}
    )


def _amps(
    t: float, flc_a: float, duration_s: float, plateau: float, at_speed: float, method: Method, noise: random.Random, end_s: float | None
) -> float:
    if t < 0.0 or (end_s is not None and t > end_s - 0.2):
        return 0.0
    wobble = 1.0 + noise.uniform(-0.008, 0.008)
    fall = 1.0 / (1.0 + math.exp((t - duration_s * 0.93) / (duration_s * 0.03)))
    if method is Method.DIRECT_ON_LINE:
        return flc_a * (at_speed + (6.6 - at_speed) * fall) * wobble
    if method is Method.STAR_DELTA:
        spike = 4.6 * math.exp(-(((t - duration_s * 0.9) / 0.25) ** 2))
        return flc_a * (at_speed + (2.1 - at_speed) * (1.0 - (t / duration_s) ** 2 * 0.7 if t < duration_s * 0.9 else 0.0) + spike) * wobble
    rise = min(1.0, 0.5 + 0.5 * t / 2.2)
    return flc_a * (at_speed * (1.0 - fall) + plateau * rise * fall) * wobble


@dataclass
class Motor:
    """One motor of the fake plant; `starts` newest first."""

    starter: Starter
    starts: list[Start]
    live: Live
    history: History
    trail: tuple[tuple[Instant, float], ...]


def seen_start(
    starter: Starter, number: int, began_at: Instant, duration_s: float, *, outcome: Outcome = Outcome.AT_SPEED, **more: Any
) -> Start:
    """Return a start with every figure, measured at 0.1 s, as the core would write it."""
    flc_a, method = starter.motor.flc_a, starter.device.method
    plateau = 6.6 if method is Method.DIRECT_ON_LINE else 4.6 if method is Method.STAR_DELTA else 3.43
    at_speed = 0.86
    reached = outcome is Outcome.AT_SPEED
    shape = curve(
        flc_a,
        duration_s if reached else duration_s * 4.0,
        plateau,
        at_speed,
        method=method,
        end_s=None if reached else duration_s,
    )
    figures: dict[str, Any] = {
        "peak_current_a": plateau * flc_a,
        "peak_ratio": plateau + (number % 5) * 0.01,
        "i2t_flc2s": duration_s * 10.2,
        "i2t_a2s": duration_s * 10.2 * flc_a**2,
        "winding_i2t_flc2s": duration_s * 10.2,
        "i2t_error_pct": 1.2,
        "mean_current_a": 3.2 * flc_a,
        "at_speed_current_a": at_speed * flc_a if reached else None,
        "heat_before": 0.04 + (number % 7) * 0.09,
        "heat_after": 0.16 + (number % 7) * 0.09,
        "duration_error_s": 0.1,
        "samples": int(duration_s * 10),
        "curve": shape,
    }
    figures.update(more)
    return Start(
        number=number,
        began_at=began_at,
        ended_at=began_at + round(duration_s * SECOND),
        outcome=outcome,
        duration_s=duration_s,
        **figures,
    )


def unseen_start(number: int, from_at: Instant, to_at: Instant) -> Start:
    """Return a start known from the device's counter alone."""
    return Start(number=number, began_at=from_at, ended_at=to_at, outcome=Outcome.UNSEEN, quality=Quality.BAD, remark="no link")


def history_of(
    starter: Starter, starts: Sequence[Start], state: MotorState, off_since: Instant | None, *, blind_since: Instant | None = None
) -> History:
    """Return the history that the limits are told, with the heat folded from the starts themselves."""
    model = thermal_model(starter)
    marks = tuple(
        StartMark(
            began_at=start.ended_at if start.outcome is Outcome.UNSEEN else start.began_at,
            ended_at=start.ended_at,
            outcome=start.outcome,
            duration_s=start.duration_s,
            peak_ratio=start.peak_ratio,
            winding_i2t_flc2s=start.winding_i2t_flc2s,
        )
        for start in reversed(starts)
        if start.ended_at > NOW - 25 * HOUR
    )
    learned = learned_from(starter, marks)
    heat = model.cold(NOW - 25 * HOUR)
    for mark in marks:
        heat = model.charged(
            model.after(heat, mark.began_at, 0.3, True), model.start_heat(mark.winding_i2t_flc2s or learned.winding_i2t_flc2s)
        )
        heat = replace(heat, certain=True, nodes=(*heat.nodes[:-1], 0.0))
    heat = model.after(heat, off_since, 0.86, True) if off_since is not None else heat
    heat = model.after(heat, NOW, 0.0 if off_since is not None else 0.86, off_since is None)
    return History(at=NOW, state=state, marks=marks, off_since=off_since, heat=heat, learned=learned, blind_since=blind_since)


def heat_trail_of(starter: Starter, starts: Sequence[Start], now_used: float) -> tuple[tuple[Instant, float], ...]:
    """Return a trail that ends at the present heat: falling between starts, up at each."""
    points: list[tuple[Instant, float]] = []
    inside = [start for start in reversed(starts) if start.began_at > NOW - 3 * HOUR and start.outcome is not Outcome.UNSEEN]
    used = max(0.05, now_used - 0.14 * len(inside))
    begins = {start.began_at // MINUTE for start in inside}
    for minute in range((NOW - 3 * HOUR) // MINUTE, NOW // MINUTE + 1):
        if minute in begins:
            points.append((minute * MINUTE, used))
            used += 0.16
        used *= 0.9985
        points.append((minute * MINUTE, used))
    shift = now_used - points[-1][1]
    return tuple((at, max(0.0, value + shift * (place / len(points)))) for place, (at, value) in enumerate(points))


def live_of(
    starter: Starter,
    starts: Sequence[Start],
    history: History,
    since: Instant,
    *,
    last_good_at: Instant = NOW - 2 * SECOND,
    reason: str = "",
) -> Live:
    """Return the row of the motors page."""
    on = history.state in (MotorState.RUNNING, MotorState.STARTING)
    ratio = (0.6 + (len(starter.name) * 7 + starter.motor.rated_power_kw) % 30 / 100) if on else 0.0
    flc_a = starter.motor.flc_a
    bad = bool(reason)
    lately = [mark for mark in history.marks if mark.began_at > NOW - HOUR]
    values: dict[str, float | int | bool | str] = {}
    if not bad:
        values = {
            "current": ratio * flc_a,
            "current_l1": ratio * flc_a * 1.01,
            "current_l2": ratio * flc_a,
            "current_l3": ratio * flc_a * 0.99,
        }
        values |= {"voltage": 401.3, "power": ratio * starter.motor.rated_power_kw, "running": on, "at_speed": on, "tripped": False}
        values |= {"trip_code": 0, "start_count": 7777}
    return Live(
        starter=starter.name,
        at=NOW,
        state=history.state,
        state_since=since,
        current_a=None if bad else ratio * flc_a,
        current_ratio=None if bad else ratio,
        starts_last_hour=len(lately),
        unseen_last_hour=sum(1 for mark in lately if mark.outcome is Outcome.UNSEEN),
        heat=thermal_model(starter).used(history.heat),
        heat_quality=Quality.UNCERTAIN if bad else Quality.GOOD,
        quality=Quality.BAD if bad else Quality.GOOD,
        reason=reason,
        last_good_at=last_good_at,
        last_start=starts[0] if starts else None,
        total_starts=starts[0].number if starts else 0,
        values=values,
        flaws=dict.fromkeys(KEYS, reason) if bad else {},
    )


def starter_of(
    name: str, title: str, power_kw: float, flc_a: float, kind: LoadKind, method: Method = Method.SOFT_STARTER, **more: Any
) -> Starter:
    """Return a starter with site rule, rating and motor data."""
    fields: dict[str, Any] = {
        "limits": LimitSettings(starts_per_hour=3, starts_per_hour_source="site rule SR-4"),
        "device": StarterData(method=method, rating="AC-53b 3.5-19 : 1781" if method is Method.SOFT_STARTER else None),
    }
    fields.update(more)
    signals = SignalFacts(keys=frozenset(KEYS), units=UNITS, texts={"trip_code": {0: "none", 3: "phase loss"}})
    return Starter(name=name, title=title, motor=motor_data(power_kw, flc_a), load=LoadData(kind=kind), signals=signals, **fields)


def motor_of(
    starter: Starter,
    latest_minutes_ago: Sequence[float],
    duration_s: float,
    *,
    state: MotorState = MotorState.RUNNING,
    stopped_minutes_ago: float | None = None,
    older: int = 40,
    drift_s: float = 0.0,
    tail: Sequence[Start] = (),
    **live: Any,
) -> Motor:
    """Return a motor with `older` starts before the named latest ones; `tail` replaces the newest."""
    begins = [NOW - round(minutes * MINUTE) for minutes in latest_minutes_ago]
    begins += [begins[-1] - (place + 1) * 5 * HOUR - (place % 3) * 37 * MINUTE for place in range(older)] if begins else []
    total = len(begins)
    spread = random.Random(starter.name)
    starts = [
        seen_start(
            starter, total - place, at, round(duration_s + drift_s * (total - place) / total + spread.gauss(0, 0.03) * duration_s, 2)
        )
        for place, at in enumerate(begins)
    ]
    for start in tail:
        starts = [start, *(known for known in starts if known.number < start.number)]
    off_since = None if stopped_minutes_ago is None else NOW - round(stopped_minutes_ago * MINUTE)
    last_good_at = live.get("last_good_at")
    blind = last_good_at if isinstance(last_good_at, int) else None
    history = history_of(starter, starts, state, off_since, blind_since=blind)
    since = off_since if off_since is not None else (starts[0].ended_at if starts else NOW - HOUR)
    row = live_of(starter, starts, history, since, **live)
    return Motor(starter, starts, row, history, heat_trail_of(starter, starts, row.heat or 0.0))


class ShiftedClock:
    """A clock that starts at a given instant and then runs as the real one does."""

    def __init__(self, start: Instant = NOW) -> None:
        self._start = start
        self._began = time.monotonic()

    def now(self) -> Instant:
        return self._start + round((time.monotonic() - self._began) * SECOND)

    def monotonic(self) -> float:
        return time.monotonic()

    async def sleep(self, duration_s: float) -> None:
        await asyncio.sleep(duration_s)


@dataclass(frozen=True)
class Address:
    text: str
    framing: str = "tcp"


@cache
def example_map() -> RegisterMap:
    """Return the map of every starter of the fake plant: the first example."""
    return load_map(Path(__file__).parents[2] / "config" / "maps" / "ramp-pro-metered.yaml")


@dataclass(frozen=True)
class Entry:
    starter: Starter
    address: Address
    map: RegisterMap
    unit: int = 1


@dataclass(frozen=True)
class Place:
    """The site file."""

    name: str
    time_zone: ZoneInfo
    starters: tuple[Entry, ...]
    reports: ReportSettings | None = None


@dataclass(frozen=True)
class FakePeriods:
    """The records of the fake plant in a span of time; the invented motors have run since a month before NOW."""

    plant: FakePlant

    def latest_starts(self, name: str, *, before_number: int, limit: int) -> list[Start]:
        return self.plant.starts(name, before_number=before_number, limit=limit, curves=True)

    def starts_touching(self, name: str, from_at: Instant, to_at: Instant) -> list[Start]:
        found = [start for start in self.plant.motors[name].starts if start.began_at < to_at and start.ended_at >= from_at]
        return [replace(start, curve=None) for start in reversed(found)]

    def stops_between(self, name: str, from_at: Instant, to_at: Instant) -> list[Stop]:
        return []

    def alerts_touching(self, name: str, from_at: Instant, to_at: Instant) -> list[Alert]:
        found = [alert for alert in self.plant.alerts() if alert.starter == name and alert.raised_at < to_at]
        return [alert for alert in found if alert.returned_at is None or alert.returned_at >= from_at]

    def gaps_touching(self, name: str, from_at: Instant, to_at: Instant) -> list[GapEnded]:
        gap = GapEnded(began_at=NOW - 30 * HOUR, at=NOW - 29 * HOUR, reason="no answer")
        return [gap] if name == "SC-01" and gap.began_at < to_at and gap.at >= from_at else []

    def settings_noted(self, name: str, from_at: Instant, to_at: Instant) -> list[Instant]:
        return [NOW - 50 * HOUR] if name == "RW-02" else []

    def happenings(self, name: str, from_at: Instant, to_at: Instant) -> list[StoredEvent]:
        drift = {"text": "Starts grow longer: 8.9 to 10.8 s", "hint": "look at the delivery valve"}
        return [StoredEvent(at=NOW - 5 * HOUR, kind="drift_found", body={"drifts": [drift]})] if name == "RW-02" else []

    def notes_between(self, name: str, from_at: Instant, to_at: Instant) -> list[Note]:
        return [Note(at=NOW - 20 * HOUR, text="gland packed", by="AB", reading_at=NOW - 20 * HOUR)] if name == "RW-02" else []

    def first_known(self, name: str) -> Instant | None:
        return NOW - 30 * 24 * HOUR


@dataclass(frozen=True)
class Trace:
    at: list[Instant]
    values: list[float | None]


@dataclass
class FakePlant:
    """Holds what the web layer asks for; tests change `motors`, `standing` and `past_alerts` by hand."""

    motors: dict[str, Motor]
    standing: list[Alert] = field(default_factory=list)
    past_alerts: list[Alert] = field(default_factory=list)
    connections: list[LinkHealth] = field(default_factory=list)
    written: dict[str, list[Note]] = field(default_factory=dict)
    breaks: dict[str, list[DriftBreak]] = field(default_factory=dict)
    happened: dict[str, list[StoredEvent]] = field(default_factory=dict)
    site_name: str = "Tarn Hollow"
    revision: int = 0
    clock: Clock = field(default_factory=lambda: HandClock(NOW))
    report_settings: ReportSettings | None = None
    kept: dict[str, RawView] = field(default_factory=dict)
    maps: dict[str, RegisterMap] = field(default_factory=dict)

    @property
    def periods(self) -> FakePeriods:
        return FakePeriods(self)

    @property
    def now(self) -> Instant:
        return self.clock.now()

    @property
    def site(self) -> Place:
        address = Address("modbus 127.0.0.1:5020")
        entries = tuple(Entry(motor.starter, address, self.maps.get(name, example_map())) for name, motor in self.motors.items())
        return Place(self.site_name, ZONE, entries, self.report_settings)

    def live(self, name: str) -> Live:
        live = self.motors[name].live
        fresh = live.quality is not Quality.BAD and live.last_good_at is not None
        return replace(live, last_good_at=self.now - 2 * SECOND) if fresh else live

    def budget(self, name: str) -> Budget:
        motor = self.motors[name]
        return budget(motor.starter, motor.history, self.now)

    def history(self, name: str) -> History:
        return self.motors[name].history

    def heat_trail(self, name: str) -> tuple[tuple[Instant, float], ...]:
        return self.motors[name].trail

    def standing_alerts(self) -> tuple[Alert, ...]:
        return tuple(self.standing)

    def acknowledge(self, alert_id: str, by: str) -> Alert | None:
        for place, alert in enumerate(self.standing):
            if alert.id == alert_id and alert.acknowledged_at is None:
                self.standing[place] = replace(alert, acknowledged_at=self.now, acknowledged_by=by)
                return self.standing[place]
        return None

    def raw(self, name: str) -> RawView:
        return self.kept.get(name, NOTHING_KEPT)

    def links(self) -> tuple[LinkHealth, ...]:
        return tuple(self.connections)

    def health(self) -> Health:
        store = StoreHealth(
            url="sqlite:///tarn-hollow.db", is_storing=True, commits=4711, last_commit_at=self.now - SECOND, size_bytes=31_400_000
        )
        return Health(at=self.now, started_at=self.now - 26 * HOUR, version="0.1.0", links=self.links(), store=store)

    def starts(self, name: str, *, before_number: int | None = None, limit: int = 50, curves: bool = False) -> list[Start]:
        found = [start for start in self.motors[name].starts if before_number is None or start.number < before_number][:limit]
        return found if curves else [replace(start, curve=None) for start in found]

    def start(self, name: str, number: int) -> Start | None:
        return next((start for start in self.motors[name].starts if start.number == number), None)

    def samples(self, name: str, key: str, from_at: Instant, to_at: Instant, *, points: int | None = None) -> Trace:
        at = list(range(from_at, to_at, 5 * MINUTE))
        return Trace(at, [None if place == 1 else float(place) for place in range(len(at))])

    def note(self, name: str, text: str, by: str) -> Note:
        made = Note(at=self.now, text=text, by=by, reading_at=self.now)
        self.written.setdefault(name, []).insert(0, made)
        self.breaks.setdefault(name, []).append(DriftBreak(at=self.now, reason=text))
        return made

    def notes(self, name: str, *, limit: int = 100) -> list[Note]:
        return self.written.get(name, [])[:limit]

    def drift_breaks(self, name: str) -> tuple[DriftBreak, ...]:
        return tuple(self.breaks.get(name, ()))

    def events(self, name: str, *, limit: int = 100) -> list[StoredEvent]:
        return self.happened.get(name, [])[:limit]

    def alerts(self, *, limit: int = 100) -> list[Alert]:
        return [*self.standing, *self.past_alerts][:limit]


def alert_of(starter: str, kind: AlertKind, priority: int, text: str, advice: str, minutes_ago: float, **more: Any) -> Alert:
    """Return an alert raised so many minutes ago."""
    raised_at = NOW - round(minutes_ago * MINUTE)
    return Alert(starter=starter, kind=kind, priority=priority, text=text, advice=advice, raised_at=raised_at, **more)


def tarn_hollow(clock: Clock | None = None) -> FakePlant:
    """Return the plant at 14:12: two motors need action, two need a look, eight are as usual."""
    motors = [_dust_collector(), _feed_conveyor(), _compressor(), _raw_water_2(), _booster(), *_calm()]
    alerts = [
        alert_of(
            "CM-01",
            AlertKind.STALLED,
            1,
            "Stalled: 3.4 × FLC for 25 s, then cut off",
            "check that the unloader valve opens before the next start",
            21,
        ),
        replace(
            alert_of("DC-01", AlertKind.STARTS_AT_LIMIT, 1, "Last start took 19.6 s, usual 12 s", "check the inlet damper", 5),
            acknowledged_at=NOW - 3 * MINUTE,
            acknowledged_by="shift lead",
        ),
        alert_of("BP-01", AlertKind.NO_DATA, 2, "No data for 14 min; 2 starts counted, not seen", "check the link to gateway port 2", 14),
        replace(
            alert_of(
                "RW-02",
                AlertKind.HEAT,
                2,
                "Starts grow longer: 8.9 to 10.8 s in 30 days",
                "plan an inspection within 2 weeks",
                292,
            ),
            acknowledged_at=NOW - 267 * MINUTE,
            acknowledged_by="maintenance",
        ),
        alert_of(
            "CV-02",
            AlertKind.NO_DATA,
            3,
            "Peak 3.8 × FLC, usual 3.4 to 3.6",
            "the next start was as usual again",
            84,
            returned_at=NOW - 37 * MINUTE,
        ),
    ]
    past = [
        alert_of(
            "CV-01",
            AlertKind.HEAT,
            2,
            "4 starts in 60 min, 5 permitted",
            "ask why it is started so often",
            1500,
            returned_at=NOW - 1440 * MINUTE,
            acknowledged_at=NOW - 1470 * MINUTE,
            acknowledged_by="shift lead",
        )
    ]
    links = [
        LinkHealth(
            address="modbus 127.0.0.1:5020",
            starters=("DC-01", "CV-02"),
            is_open=True,
            last_good_at=NOW - SECOND,
            polls=93210,
            missed=3,
            faults={"no_answer": 2},
            requests_per_s=2.4,
            round_trip_p50_s=0.004,
            round_trip_p99_s=0.021,
            lateness_p99_s=0.012,
        ),
        LinkHealth(
            address="modbus 127.0.0.1:5022",
            starters=("BP-01",),
            is_open=False,
            fault="no answer from the device within 1 s; check its cable and power",
            fault_kind="no_answer",
            failures=84,
            last_good_at=NOW - 14 * MINUTE,
            polls=88000,
            missed=12,
            faults={"no_answer": 84, "closed": 1},
            requests_per_s=0.1,
            round_trip_p50_s=0.005,
            round_trip_p99_s=0.31,
            lateness_p99_s=0.4,
        ),
        LinkHealth(
            address="opc.tcp://127.0.0.1:4840",
            starters=("RW-01", "RW-02"),
            is_open=True,
            last_good_at=NOW - SECOND,
            polls=90000,
            requests_per_s=1.1,
            round_trip_p50_s=0.007,
            round_trip_p99_s=0.03,
            lateness_p99_s=0.008,
        ),
    ]
    return FakePlant({motor.starter.name: motor for motor in motors}, alerts, past, links, clock=clock or HandClock(NOW))


def _dust_collector() -> Motor:
    starter = starter_of("DC-01", "dust-collector fan", 45, 81, LoadKind.FAN)
    motor = motor_of(starter, (50, 490), 12.0, older=124)
    long_one = seen_start(starter, motor.starts[0].number + 1, NOW - 5 * MINUTE + SECOND, 19.6)
    return motor_of(
        starter,
        (5, 50, 490),
        12.0,
        older=123,
        tail=[replace(long_one, number=motor.starts[0].number)],
        state=MotorState.STOPPED,
        stopped_minutes_ago=3,
    )


def _compressor() -> Motor:
    starter = starter_of("CM-01", "compressor", 55, 98, LoadKind.COMPRESSOR)
    base = motor_of(starter, (21, 55, 58), 9.5)
    stall = seen_start(starter, base.starts[0].number, NOW - 22 * MINUTE, 25.0, outcome=Outcome.STALLED)
    return motor_of(starter, (21, 55, 58), 9.5, tail=[stall], state=MotorState.TRIPPED, stopped_minutes_ago=21)


def _raw_water_2() -> Motor:
    starter = starter_of("RW-02", "raw-water pump", 75, 134, LoadKind.PUMP)
    return motor_of(starter, (40, 400), 8.9, drift_s=1.9)


def _booster() -> Motor:
    starter = starter_of("BP-01", "booster pump", 22, 41, LoadKind.PUMP)
    base = motor_of(starter, (200, 300), 6.0)
    first = base.starts[0].number + 1
    missed = [unseen_start(first, NOW - 14 * MINUTE, NOW - MINUTE), unseen_start(first + 1, NOW - 14 * MINUTE, NOW - MINUTE)]
    rough = seen_start(
        starter,
        first - 1,
        NOW - 200 * MINUTE,
        6.3,
        quality=Quality.UNCERTAIN,
        remark="7 samples",
        samples=7,
        curve=curve(41, 6.3, 3.4, 0.8, method=Method.SOFT_STARTER, step_s=1.0),
    )
    return motor_of(starter, (200, 300), 6.0, tail=[rough, *missed], last_good_at=NOW - 14 * MINUTE, reason="no link")


def _feed_conveyor() -> Motor:
    rule = LimitSettings(starts_per_hour=5, starts_per_hour_source="site rule SR-2")
    return motor_of(starter_of("CV-02", "feed conveyor", 30, 56, LoadKind.CONVEYOR, limits=rule), (3, 17, 31, 44), 6.4)


def _calm() -> list[Motor]:
    rule = LimitSettings(starts_per_hour=5, starts_per_hour_source="site rule SR-2")
    dol = StarterData(method=Method.DIRECT_ON_LINE)
    return [
        motor_of(starter_of("RW-01", "raw-water pump", 75, 134, LoadKind.PUMP), (41, 520), 10.4),
        motor_of(
            starter_of("SC-01", "screen", 15, 28, LoadKind.CONVEYOR, device=dol, limits=LimitSettings(starts_per_hour=4)), (200,), 1.4
        ),
        motor_of(starter_of("CV-01", "hopper conveyor", 22, 41, LoadKind.CONVEYOR, limits=rule), (12, 48), 6.6),
        motor_of(
            starter_of("CV-03", "pile conveyor", 22, 41, LoadKind.CONVEYOR, limits=rule),
            (119,),
            7.1,
            state=MotorState.STOPPED,
            stopped_minutes_ago=112,
        ),
        motor_of(
            starter_of("FN-02", "drying fan", 18.5, 35, LoadKind.FAN, device=dol, limits=LimitSettings(starts_per_hour=6)), (52,), 2.1
        ),
        motor_of(starter_of("SW-01", "sand wheel", 11, 21, LoadKind.CONVEYOR, device=StarterData(method=Method.STAR_DELTA)), (300,), 9.0),
        motor_of(
            starter_of("TH-01", "thickener rake", 4, 8.6, LoadKind.CONVEYOR, device=dol, limits=LimitSettings(starts_per_hour=12)),
            (1500,),
            0.7,
            older=4,
        ),
    ]
