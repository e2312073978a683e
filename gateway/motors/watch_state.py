"""The whole state of one watch: what a snapshot holds."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from gateway.instants import Instant
from gateway.motors.course import Course
from gateway.motors.device_settings import DeviceSettings
from gateway.motors.drift import DriftWatch
from gateway.motors.heat_account import HeatAccount
from gateway.motors.ledger import Ledger
from gateway.motors.phase_loss import PhaseWatch
from gateway.motors.reading import Reading
from gateway.motors.recogniser import Recogniser
from gateway.motors.records import MotorState, Start
from gateway.motors.signs import Kept


@dataclass(slots=True)
class WatchState:
    """State of one watch.

    last: last accepted reading; `usable`: the last that told whether the motor is on, where that is an earlier one.
    kept, flawed: last known values, and what was bad or doubtful when last read, of keys that readings leave out.
    told: state of the motor as told in events, since `told_at`; `blind` while no usable reading comes.
    first_at: first reading of all.
    command_until: a start command that came a moment ago keeps the pace fast until then.
    command_edge: the readings between which the command came that still stands: (last without, first with).
    late: instants of readings older than the last one, in a row: three of them mean that the clock was set back.
    last_start: without its curve.
    """

    recogniser: Recogniser = field(default_factory=Recogniser)
    course: Course = field(default_factory=Course)
    ledger: Ledger = field(default_factory=Ledger)
    heat: HeatAccount = field(default_factory=HeatAccount)
    last: Reading | None = None
    usable: Reading | None = None
    kept: Kept = field(default_factory=dict)
    flawed: dict[str, tuple[Instant, str]] = field(default_factory=dict)
    told: MotorState = MotorState.UNKNOWN
    told_at: Instant | None = None
    blind: bool = False
    first_at: Instant | None = None
    command: bool = False
    command_until: Instant | None = None
    command_edge: tuple[Instant, Instant] | None = None
    phases: PhaseWatch = field(default_factory=PhaseWatch)
    settings: DeviceSettings = field(default_factory=DeviceSettings)
    drift: DriftWatch = field(default_factory=DriftWatch)
    late: list[Instant] = field(default_factory=list)
    last_start: Start | None = None

    def keep(self, reading: Reading) -> None:
        """Remember a reading's values and flaws for readings that leave them out; a bad value drives out the last good one."""
        for key, value in reading.values.items():
            self.kept[key] = (reading.at, value)
            self.flawed.pop(key, None)
        for key, flaw in reading.flaws.items():
            self.flawed[key] = (reading.at, flaw.reason)
            if key not in reading.values:
                self.kept.pop(key, None)

    def shift(self, by_us: int) -> None:
        """Move every instant, after the wall clock was set."""
        for part in (self.recogniser, self.course, self.ledger, self.heat, self.phases, self.settings, self.drift):
            part.shift(by_us)
        self.last = None if self.last is None else replace(self.last, at=self.last.at + by_us)
        self.usable = None if self.usable is None else replace(self.usable, at=self.usable.at + by_us)
        self.kept = {key: (at + by_us, value) for key, (at, value) in self.kept.items()}
        self.flawed = {key: (at + by_us, reason) for key, (at, reason) in self.flawed.items()}
        self.told_at = None if self.told_at is None else self.told_at + by_us
        self.first_at = None if self.first_at is None else self.first_at + by_us
        self.command_until = None if self.command_until is None else self.command_until + by_us
        if self.command_edge is not None:
            self.command_edge = (self.command_edge[0] + by_us, self.command_edge[1] + by_us)
