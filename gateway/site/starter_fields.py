"""One starter of the site file: its map, how to reach it, and the facts that the core is given."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import MappingProxyType

from gateway.motors.facts import AlertSettings, LimitSettings, SignalFacts, Starter, StarterData, Thresholds
from gateway.registers.model import DEFAULT_SAMPLING_S, OpcuaPlace, Protocol, RegisterMap
from gateway.registers.roles import ROLES
from gateway.registers.sections import Section
from gateway.site.model import Paces, StarterSite
from gateway.site.motor_fields import read_device, read_load, read_motor
from gateway.site.reach_fields import read_reached
from gateway.site.rule_fields import read_alerts, read_limits, read_paces, read_thresholds

_FIELDS = ("title", "about", "map", "modbus", "opcua", "motor", "load", "starter", "limits", "thresholds", "pace", "alerts")
_TELLS_STARTS = ("current", "current_l1", "current_l2", "current_l3", "starting", "at_speed", "running", "start_count")


def read_starter(
    section: Section, name: str, map_of: Callable[[Section, str], RegisterMap | None], folder: Path
) -> StarterSite | None:
    """Return one starter, None when its map, its address or its motor cannot be used; every mistake is noted.

    folder: where relative paths of files begin.
    """
    section.allow(_FIELDS)
    if "map" not in section:
        section.require("map", "maps/my-starter.yaml")
    register_map = map_of(section, "map")
    reached = read_reached(section, folder)
    motor_section = section.section("motor")
    if "motor" not in section:
        section.require("motor", "{rated_power: 45 kW, rated_voltage: 400 V, full_load_current: 82 A}")
    motor = None if motor_section is None else read_motor(motor_section)
    load_section, device_section = section.section("load"), section.section("starter")
    load = None if load_section is None else read_load(load_section)
    device = StarterData() if device_section is None else read_device(device_section, motor.flc_a if motor else float("nan"))
    limits_section, thresholds_section = section.section("limits"), section.section("thresholds")
    limits = LimitSettings() if limits_section is None else read_limits(limits_section, motor)
    thresholds = Thresholds() if thresholds_section is None else read_thresholds(thresholds_section)
    pace_section, alerts_section = section.section("pace"), section.section("alerts")
    paces = Paces() if pace_section is None else read_paces(pace_section)
    alerts = AlertSettings() if alerts_section is None else read_alerts(alerts_section)
    title = section.text("title", longest=80) or name
    if register_map is not None:
        _check_map(section, register_map, _protocol_named(section))
    if register_map is None or reached is None or motor is None:
        return None
    starter = Starter(
        name=name,
        title=title,
        motor=motor,
        load=load,
        device=device,
        limits=limits,
        thresholds=thresholds,
        signals=signal_facts(register_map),
        alerts=alerts,
    )
    return StarterSite(starter=starter, map=register_map, address=reached[0], unit=reached[1], paces=paces)


def signal_facts(register_map: RegisterMap) -> SignalFacts:
    """Return what the core must know of a map."""
    counter = register_map.signal("start_count")
    units = {signal.key: ROLES[signal.role].unit if signal.role is not None else signal.unit for signal in register_map.signals}
    return SignalFacts(
        keys=frozenset(signal.key for signal in register_map.signals),
        start_count_wraps_at=None if counter is None else counter.wraps_at,
        units=MappingProxyType({key: unit for key, unit in units.items() if unit}),
        texts=MappingProxyType({signal.key: signal.texts for signal in register_map.signals if signal.texts}),
        update_time_s=_update_time_s(register_map),
    )


def _update_time_s(register_map: RegisterMap) -> float:
    """Return how long after a change the device may show it: on OPC UA the server looks only once a sampling interval."""
    places = [signal.place for signal in register_map.signals if signal.key in _TELLS_STARTS]
    looks = [place.sampling_interval_s or DEFAULT_SAMPLING_S for place in places if isinstance(place, OpcuaPlace)]
    return max(register_map.update_time_s, *looks) if looks else register_map.update_time_s


def _protocol_named(section: Section) -> Protocol | None:
    """Return the protocol that the entry names, also where its address cannot be used; None when it names none or both."""
    named = [protocol for protocol in Protocol if protocol.value in section]
    return named[0] if len(named) == 1 else None


def _check_map(section: Section, register_map: RegisterMap, protocol: Protocol | None) -> None:
    if protocol is not None and protocol is not register_map.protocol:
        message = f"the map is for {register_map.protocol.value}, the starter is reached by {protocol.value}"
        section.refuse("map", message, allowed=f"a map with `protocol: {protocol.value}`, or an entry `{register_map.protocol.value}:`")
    if not any(register_map.signal(role) for role in _TELLS_STARTS):
        message = f"the map {register_map.name} has no signal that tells a start"
        section.refuse("map", message, allowed=f"at least one of {', '.join(_TELLS_STARTS)}")
