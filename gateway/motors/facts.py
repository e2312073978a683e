"""What is known of a starter and its motor before the first reading: the pure part of the site file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType


class Method(StrEnum):
    """How the starter brings the motor up to speed."""

    DIRECT_ON_LINE = "direct_on_line"
    STAR_DELTA = "star_delta"
    AUTOTRANSFORMER = "autotransformer"
    PRIMARY_RESISTOR = "primary_resistor"
    SOFT_STARTER = "soft_starter"
    FREQUENCY_DRIVE = "frequency_drive"


class LoadKind(StrEnum):
    """Shape of the load torque over speed."""

    FAN = "fan"
    PUMP = "pump"
    CONVEYOR = "conveyor"
    COMPRESSOR = "compressor"
    TABLE = "table"


@dataclass(frozen=True, slots=True, kw_only=True)
class MotorData:
    """Nameplate and data sheet of one motor. None means not given; nothing is guessed from it silently.

    Ratios are multiples of the rated figure (x FLC, x rated torque). Stall times are at locked-rotor current, full voltage.
    """

    rated_power_kw: float
    rated_voltage_v: float
    flc_a: float
    frequency_hz: float = 50.0
    poles: int | None = None
    rated_speed_rpm: float | None = None
    power_factor: float | None = None
    efficiency: float | None = None
    locked_rotor_ratio: float | None = None
    locked_rotor_torque_ratio: float | None = None
    breakdown_torque_ratio: float | None = None
    inertia_kg_m2: float | None = None
    service_factor: float = 1.0
    cold_stall_s: float | None = None
    hot_stall_s: float | None = None
    heating_time_constant_s: float | None = None
    cooling_time_constant_s: float | None = None
    winding_time_constant_s: float | None = None
    """Fast time constant of the winding itself; with `heating_time_constant_s` as the slow one the thermal model has two."""
    winding_weight: float | None = None
    """Share of the fast time constant in the rise at full load, of 1."""
    trip_class: str | None = None
    design: str | None = None
    starts_per_hour: float | None = None
    cold_starts: int | None = None
    hot_starts: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadData:
    """The driven machine. `torque_ratio` is load torque at rated speed x rated motor torque; `torque_points` are (speed x rated, torque x
    rated) pairs of a user's table."""

    kind: LoadKind
    inertia_kg_m2: float | None = None
    torque_ratio: float | None = None
    static_head_ratio: float | None = None
    breakaway_ratio: float | None = None
    torque_points: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class StarterData:
    """The starting device: its method, its rating index text (IEC 60947-4-2) and its settings, None where not given."""

    method: Method = Method.SOFT_STARTER
    rating: str | None = None
    rated_current_a: float | None = None
    initial_voltage_ratio: float | None = None
    ramp_time_s: float | None = None
    current_limit_ratio: float | None = None
    kick_voltage_ratio: float | None = None
    kick_time_s: float | None = None
    star_time_s: float | None = None
    tap_ratio: float | None = None
    tap_time_s: float | None = None
    resistor_ratio: float | None = None
    resistor_time_s: float | None = None
    stop_time_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitSettings:
    """Site rules on starting; None means the rule is not set. `*_source` is the text shown as the rule's source."""

    starts_per_hour: int | None = None
    starts_per_hour_source: str = "site rule"
    off_time_s: float | None = None
    off_time_source: str = "site rule"
    heat_margin: float = 1.0
    """Factor on the learned heat of one start before it is held against the thermal capacity, >= 1."""
    cold_hot: bool = False
    """Hold starts against two cold / one hot (NEMA MG 1 12.54, IEC 60034-12)."""
    nema_mg10: bool = False
    """Hold starts against the NEMA MG 10 table (60 Hz, Design A or B motors only)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Thresholds:
    """Where the recogniser draws its lines; currents x FLC. Defaults are common practice, no source."""

    on_ratio: float = 0.15
    off_ratio: float = 0.08
    high_ratio: float = 1.25
    end_hold_s: float = 0.5
    off_confirm_s: float = 0.6
    reopen_s: float = 15.0
    min_start_s: float = 0.1
    max_start_s: float = 60.0
    gap_s: float = 5.0
    """No usable reading for longer than this is a gap: what happened in it is unknown."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalFacts:
    """What the core must know of the map: which keys exist, how the start counter wraps, texts of codes and units."""

    keys: frozenset[str] = frozenset()
    start_count_wraps_at: int | None = None
    units: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    texts: Mapping[str, Mapping[int, str]] = field(default_factory=lambda: MappingProxyType({}))
    update_time_s: float = 0.0
    """How often the device renews its measured values; 0 when unknown."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertSettings:
    """Changes to the built-in alert rules by the kind's name; see `gateway.motors.alerts` for the kinds and defaults."""

    off: frozenset[str] = frozenset()
    priority: Mapping[str, int] = field(default_factory=lambda: MappingProxyType({}))
    on_delay_s: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    off_delay_s: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    heat_warning: float = 0.85
    """Thermal capacity used at which the heat alert is raised, of 1."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Starter:
    """Everything the core needs to know of one starter."""

    name: str
    title: str = ""
    motor: MotorData
    load: LoadData | None = None
    device: StarterData = StarterData()
    limits: LimitSettings = LimitSettings()
    thresholds: Thresholds = Thresholds()
    signals: SignalFacts = SignalFacts()
    alerts: AlertSettings = AlertSettings()
