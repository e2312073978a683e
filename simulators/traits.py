"""What makes one simulated starter different from another: its device, its supply, and how its motor ages."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import cos, pi
from types import MappingProxyType

from gateway.machine.drive import Drive
from gateway.registers.model import RegisterMap
from simulators.protection import ProtectionSettings, Trip
from simulators.timetable import DAY_S, DailyRuns, Event
from simulators.words import Value


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceTraits:
    """How the device measures and counts.

    update_s: how often it renews what it shows; rounded up to whole 20 ms. noise: standard deviation of a measured value, of it.
    current_step_a: the device's own rounding of currents, besides that of the register. unbalance: phase L1 above the mean by this part,
    the others below it by half.
    temperature_sensor: the winding has one; without it that signal is not available.
    start_count, running_hours: what the device shows when the scenario begins.
    trip_codes: its codes for trips. auto_reset_s: how long after a trip somebody resets it, None for never.
    boot_s: how long it answers nothing after a restart.
    """

    update_s: float = 0.02
    noise: float = 0.0
    current_step_a: float = 0.0
    unbalance: float = 0.0
    temperature_sensor: bool = True
    start_count: int = 0
    running_hours: float = 0.0
    trip_codes: Mapping[Trip, int] = field(default_factory=lambda: MappingProxyType({}))
    auto_reset_s: float | None = None
    boot_s: float = 8.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Supply:
    """The supply at the starter's terminals. Voltage is a ratio of the rated voltage.

    dip_per_flc: how far the voltage falls for each x FLC of line current. swing: how far it moves over the day, lowest at noon.
    unequal: negative sequence of the voltages x the positive one.
    """

    voltage_ratio: float = 1.0
    dip_per_flc: float = 0.0
    swing: float = 0.0
    unequal: float = 0.0
    ambient_degc: float = 20.0
    ambient_swing_k: float = 0.0

    def open_ratio_at(self, at_s: float) -> float:
        """Return the voltage without load at a time."""
        return self.voltage_ratio + self.swing * cos(2 * pi * at_s / DAY_S)

    def ambient_at(self, at_s: float) -> float:
        """Return the ambient temperature at a time, highest in the afternoon [degC]."""
        return self.ambient_degc - self.ambient_swing_k * cos(2 * pi * (at_s / DAY_S - 0.125))


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """How load torque and inertia grow with every start, from start number `from_start` on, up to `most` times as much again."""

    load_per_start: float = 0.0
    inertia_per_start: float = 0.0
    from_start: int = 1
    most: float = 1.0

    def load_ratio(self, number: int) -> float:
        """Return load torque x its first value at start `number`."""
        return 1.0 + min(self.load_per_start * max(number - self.from_start, 0), self.most)

    def inertia_ratio(self, number: int) -> float:
        """Return inertia x its first value at start `number`."""
        return 1.0 + min(self.inertia_per_start * max(number - self.from_start, 0), self.most)


@dataclass(frozen=True, slots=True, kw_only=True)
class Make:
    """Everything a simulated starter is made from.

    settings: the device's settings as readable signals, by role. constants: what signals without a role hold, by name.
    """

    name: str
    map: RegisterMap
    drive: Drive
    device: DeviceTraits = DeviceTraits()
    supply: Supply = Supply()
    protection: ProtectionSettings = ProtectionSettings()
    drift: Drift = Drift()
    settings: Mapping[str, Value] = field(default_factory=lambda: MappingProxyType({}))
    constants: Mapping[str, Value] = field(default_factory=lambda: MappingProxyType({}))
    daily: tuple[DailyRuns, ...] = ()
    events: tuple[Event, ...] = ()
    seed: int = 0
