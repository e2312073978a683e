"""The sections `limits`, `thresholds`, `pace` and `alerts` of one starter."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import TypeVar

from gateway.motors.alert_rules import AlertKind
from gateway.motors.facts import AlertSettings, LimitSettings, MotorData, Thresholds
from gateway.registers.findings import nearest
from gateway.registers.sections import Section
from gateway.site.model import Paces

Value = TypeVar("Value", int, float)

_LIMITS = ("starts_per_hour", "off_time", "heat_margin", "cold_hot", "nema_mg10", "sources")
_SOURCES = ("starts_per_hour", "off_time")
_THRESHOLDS = ("on", "off", "high", "end_hold", "off_confirm", "reopen", "min_start", "max_start", "gap")
_PACE = ("standby", "starting", "running", "slow", "watch")
_ALERTS = ("off", "priority", "on_delay", "off_delay", "heat_warning")


def read_limits(section: Section, motor: MotorData | None) -> LimitSettings:
    """Return the site rules; a table that cannot apply to `motor` is a mistake, not a rule that never speaks."""
    section.allow(_LIMITS)
    sources = section.section("sources")
    if sources is not None:
        sources.allow(_SOURCES)
    default = LimitSettings()
    starts_per_hour = section.whole("starts_per_hour", 1, 1000)
    off_time_s = section.quantity("off_time", "s", 0, 86400)
    nema_mg10 = section.flag("nema_mg10") or False
    if nema_mg10 and motor is not None:
        _check_nema_mg10(section, motor)
    return LimitSettings(
        starts_per_hour=starts_per_hour,
        starts_per_hour_source=(sources and sources.text("starts_per_hour")) or default.starts_per_hour_source,
        off_time_s=off_time_s,
        off_time_source=(sources and sources.text("off_time")) or default.off_time_source,
        heat_margin=section.ratio("heat_margin", 1, 5, "1.2 or 120 %") or default.heat_margin,
        cold_hot=section.flag("cold_hot") or False,
        nema_mg10=nema_mg10,
    )


def read_thresholds(section: Section) -> Thresholds:
    """Return where the start recogniser draws its lines."""
    section.allow(_THRESHOLDS)
    default = Thresholds()
    read = Thresholds(
        on_ratio=section.ratio("on", 0.01, 1, "0.15 or 15 %") or default.on_ratio,
        off_ratio=section.ratio("off", 0.005, 1, "0.08 or 8 %") or default.off_ratio,
        high_ratio=section.ratio("high", 1, 5, "1.25 or 125 %") or default.high_ratio,
        end_hold_s=_or(section.quantity("end_hold", "s", 0, 60), default.end_hold_s),
        off_confirm_s=_or(section.quantity("off_confirm", "s", 0, 60), default.off_confirm_s),
        reopen_s=_or(section.quantity("reopen", "s", 0, 600), default.reopen_s),
        min_start_s=_or(section.quantity("min_start", "s", 0, 60), default.min_start_s),
        max_start_s=_or(section.quantity("max_start", "s", 1, 3600), default.max_start_s),
        gap_s=_or(section.quantity("gap", "s", 0.2, 3600), default.gap_s),
    )
    if read.off_ratio >= read.on_ratio:
        message = f"the current that means off must lie below the one that means on ({read.on_ratio:g} x FLC)"
        section.refuse("off" if "off" in section else "on", message)
    if read.min_start_s >= read.max_start_s:
        section.refuse("min_start" if "min_start" in section else "max_start", "the shortest start must be shorter than the longest")
    return read


def read_paces(section: Section) -> Paces:
    """Return how often a starter is read."""
    section.allow(_PACE)
    default = Paces()
    return Paces(
        standby_s=section.quantity("standby", "s", 0.02, 3600) or default.standby_s,
        starting_s=section.quantity("starting", "s", 0.02, 60) or default.starting_s,
        running_s=section.quantity("running", "s", 0.02, 3600) or default.running_s,
        slow_s=section.quantity("slow", "s", 1, 86400) or default.slow_s,
        watch_s=section.quantity("watch", "s", 0.02, 60) or default.watch_s,
    )


def read_alerts(section: Section) -> AlertSettings:
    """Return the changes to the built-in alert rules."""
    section.allow(_ALERTS)
    off = frozenset(item.text.strip() for item in section.texts("off") or ())
    for name in sorted(off.difference(AlertKind)):
        _refuse_kind(section, "off", name)
    return AlertSettings(
        off=off,
        priority=_by_kind(section, "priority", lambda inner, kind: inner.whole(kind, 1, 3)),
        on_delay_s=_by_kind(section, "on_delay", lambda inner, kind: inner.quantity(kind, "s", 0, 86400)),
        off_delay_s=_by_kind(section, "off_delay", lambda inner, kind: inner.quantity(kind, "s", 0, 86400)),
        heat_warning=section.ratio("heat_warning", 0.1, 1, "0.85 or 85 %") or AlertSettings().heat_warning,
    )


def _by_kind(section: Section, key: str, read: Callable[[Section, str], Value | None]) -> Mapping[str, Value]:
    """Return a value for each kind of alert that the section names."""
    inner = section.section(key)
    by_kind: dict[str, Value] = {}
    for kind in inner.names() if inner is not None else ():
        if inner is not None and kind not in set(AlertKind):
            _refuse_kind(inner, kind, kind)
        elif inner is not None and (value := read(inner, kind)) is not None:
            by_kind[kind] = value
    return MappingProxyType(by_kind)


def _refuse_kind(section: Section, key: str, kind: str) -> None:
    hint = nearest(kind, AlertKind)
    message = "there is no such alert" + (f": {hint}" if hint else "")
    section.refuse(key, message, found=kind, allowed=", ".join(AlertKind))


def _check_nema_mg10(section: Section, motor: MotorData) -> None:
    if motor.frequency_hz != 60:
        message = "the NEMA MG 10 table holds for 60 Hz motors only: remove it, and use the motor maker's starts per hour"
        section.refuse("nema_mg10", message, found=f"a motor of {motor.frequency_hz:g} Hz")


def _or(value: float | None, default: float) -> float:
    return default if value is None else value
