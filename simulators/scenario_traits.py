"""Device, supply, protection and drift of a scenario's starter."""

from __future__ import annotations

from gateway.registers.sections import Section
from simulators.protection import ProtectionSettings, Trip
from simulators.traits import DeviceTraits, Drift, Supply

_DEVICE = (
    "update",
    "noise",
    "current_step",
    "unbalance",
    "temperature_sensor",
    "start_count",
    "running_hours",
    "trip_codes",
    "reset_after",
    "boot_time",
)

_PROTECTION = (
    "overload",
    "start_time",
    "stall_time",
    "phase_loss_time",
    "unbalance",
    "unbalance_time",
    "undervoltage",
    "undervoltage_time",
    "hot_winding",
    "fast_time_constant",
    "slow_time_constant",
    "reset_below",
)


def _or(value: float | None, default: float) -> float:
    return default if value is None else value


def read_device(own: Section) -> DeviceTraits:
    """Return how the device measures and counts."""
    section = own.section("device")
    if section is None:
        return DeviceTraits()
    section.allow(_DEVICE)
    sensor = section.flag("temperature_sensor")
    return DeviceTraits(
        update_s=_or(section.quantity("update", "s", 0.02, 10.0), 0.02),
        noise=_or(section.ratio("noise", 0.0, 0.2, "0.5 %"), 0.0),
        current_step_a=_or(section.quantity("current_step", "A", 0.0, 1000.0), 0.0),
        unbalance=_or(section.ratio("unbalance", 0.0, 0.5, "2 %"), 0.0),
        temperature_sensor=True if sensor is None else sensor,
        start_count=section.whole("start_count", 0, 2**32 - 1) or 0,
        running_hours=_or(section.quantity("running_hours", "hour", 0.0, 1e6), 0.0),
        trip_codes=_trip_codes(section),
        auto_reset_s=section.quantity("reset_after", "s", 0.0, 1e7),
        boot_s=_or(section.quantity("boot_time", "s", 0.0, 3600.0), 8.0),
    )


def _trip_codes(section: Section) -> dict[Trip, int]:
    listed = section.section("trip_codes")
    if listed is None:
        return {}
    listed.allow([trip.value for trip in Trip])
    codes = {trip: listed.whole(trip.value, 0, 65535) for trip in Trip}
    return {trip: code for trip, code in codes.items() if code is not None}


def read_supply(own: Section) -> Supply:
    """Return the supply at the starter's terminals."""
    section = own.section("supply")
    if section is None:
        return Supply()
    section.allow(("voltage", "dip", "swing", "unbalance", "ambient", "ambient_swing"))
    return Supply(
        voltage_ratio=_or(section.ratio("voltage", 0.5, 1.5, "100 %"), 1.0),
        dip_per_flc=_or(section.ratio("dip", 0.0, 0.1, "0.5 % for each x FLC"), 0.0),
        swing=_or(section.ratio("swing", 0.0, 0.2, "1.5 %"), 0.0),
        unequal=_or(section.ratio("unbalance", 0.0, 0.2, "2 %"), 0.0),
        ambient_degc=_or(section.number("ambient", -60.0, 80.0), 20.0),
        ambient_swing_k=_or(section.number("ambient_swing", 0.0, 40.0), 0.0),
    )


def read_protection(own: Section) -> ProtectionSettings:
    """Return the settings of the device's protection; `no` switches a trip off."""
    section = own.section("protection")
    if section is None:
        return ProtectionSettings()
    section.allow(_PROTECTION)
    overload = section.flag("overload")
    return ProtectionSettings(
        overload=True if overload is None else overload,
        max_start_s=_time_or_off(section, "start_time", 30.0),
        stall_s=_time_or_off(section, "stall_time", 5.0),
        phase_loss_s=_time_or_off(section, "phase_loss_time", 1.0),
        unbalance_ratio=section.ratio("unbalance", 0.01, 1.0, "20 %"),
        unbalance_s=_or(section.quantity("unbalance_time", "s", 0.1, 3600.0), 5.0),
        undervoltage_ratio=section.ratio("undervoltage", 0.1, 1.0, "80 %"),
        undervoltage_s=_or(section.quantity("undervoltage_time", "s", 0.1, 3600.0), 1.0),
        hot_winding_degc=section.number("hot_winding", 20.0, 400.0),
        fast_time_constant_s=_or(section.quantity("fast_time_constant", "s", 1.0, 1e5), 258.0),
        slow_time_constant_s=_or(section.quantity("slow_time_constant", "s", 1.0, 1e6), 2087.0),
        reset_below_pct=100.0 * _or(section.ratio("reset_below", 0.0, 1.0, "85 %"), 0.85),
    )


def _time_or_off(section: Section, key: str, default: float) -> float | None:
    if key not in section:
        return default
    leaf = section.leaf(key)
    if leaf is not None and leaf.text.strip().lower() in ("no", "off", "false"):
        return None
    return section.quantity(key, "s", 0.1, 3600.0)


def read_drift(own: Section) -> Drift:
    """Return how the machine ages with every start."""
    section = own.section("drift")
    if section is None:
        return Drift()
    section.allow(("load", "inertia", "from_start", "most"))
    return Drift(
        load_per_start=_or(section.ratio("load", 0.0, 1.0, "0.2 % a start"), 0.0),
        inertia_per_start=_or(section.ratio("inertia", 0.0, 1.0, "0.2 % a start"), 0.0),
        from_start=section.whole("from_start", 1, 10**9) or 1,
        most=_or(section.ratio("most", 0.0, 10.0, "50 %"), 1.0),
    )
