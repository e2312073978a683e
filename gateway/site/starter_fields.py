"""One starter of the site file: its map, how to reach it, and the facts that the core is given."""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Callable
from types import MappingProxyType
from urllib.parse import urlsplit

from gateway.motors.facts import AlertSettings, LimitSettings, SignalFacts, Starter, StarterData, Thresholds
from gateway.registers.model import DEFAULT_SAMPLING_S, OpcuaPlace, Protocol, RegisterMap
from gateway.registers.roles import ROLES
from gateway.registers.sections import Section
from gateway.site.model import LinkAddress, Paces, StarterSite
from gateway.site.motor_fields import read_device, read_load, read_motor
from gateway.site.rule_fields import read_alerts, read_limits, read_paces, read_thresholds

_FIELDS = ("title", "about", "map", "modbus", "opcua", "motor", "load", "starter", "limits", "thresholds", "pace", "alerts")
_TELLS_STARTS = ("current", "current_l1", "current_l2", "current_l3", "starting", "at_speed", "running", "start_count")
_HOST = re.compile(r"(?=.{1,253}$)(?!-)[A-Za-z0-9_-]{1,63}(?:\.(?!-)[A-Za-z0-9_-]{1,63})*\.?")
_MODBUS_PORT, _OPCUA_PORT = 502, 4840
_HIGHEST_UNIT, _DIRECT_UNIT = 247, 255


def read_starter(section: Section, name: str, map_of: Callable[[Section, str], RegisterMap | None]) -> StarterSite | None:
    """Return one starter, None when its map, its address or its motor cannot be used; every mistake is noted."""
    section.allow(_FIELDS)
    if "map" not in section:
        section.require("map", "maps/my-starter.yaml")
    register_map = map_of(section, "map")
    reached = _reached(section)
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
        _check_map(section, register_map, None if reached is None else reached[0].protocol)
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


def _check_map(section: Section, register_map: RegisterMap, protocol: Protocol | None) -> None:
    if protocol is not None and protocol is not register_map.protocol:
        message = f"the map is for {register_map.protocol.value}, the starter is reached by {protocol.value}"
        section.refuse("map", message, allowed=f"a map with `protocol: {protocol.value}`, or an entry `{register_map.protocol.value}:`")
    if not any(register_map.signal(role) for role in _TELLS_STARTS):
        message = f"the map {register_map.name} has no signal that tells a start"
        section.refuse("map", message, allowed=f"at least one of {', '.join(_TELLS_STARTS)}")


def _reached(section: Section) -> tuple[LinkAddress, int] | None:
    modbus, opcua = section.section("modbus"), section.section("opcua")
    if modbus is not None and opcua is not None:
        section.refuse("opcua", "a starter is reached by modbus or by opcua: keep one", found="both")
        return None
    if modbus is not None:
        return _modbus(modbus)
    if opcua is not None:
        address = _opcua(opcua)
        return None if address is None else (address, 1)
    if "modbus" not in section and "opcua" not in section:
        section.require("modbus", "{host: 10.0.0.5, port: 502, unit: 1}")
    return None


def _modbus(section: Section) -> tuple[LinkAddress, int] | None:
    section.allow(("host", "port", "unit"))
    if "host" not in section:
        section.require("host", "10.0.0.5")
    host = section.text("host", longest=253)
    port = section.whole("port", 1, 65535) if "port" in section else _MODBUS_PORT
    unit = section.whole("unit", 0, 255) if "unit" in section else 1
    if unit is not None and unit != _DIRECT_UNIT and not 1 <= unit <= _HIGHEST_UNIT:
        reason = "unit 0 means every device at once (broadcast)" if unit == 0 else "units 248 to 254 are reserved"
        allowed = "1 to 247, or 255 for a device with its own connection"
        section.refuse("unit", f"{reason}: give the unit id of the starter", allowed=allowed)
        unit = None
    if host is not None and not is_host(host):
        message = "a host name or an IP address alone is needed here: the port goes into `port`"
        section.refuse("host", message, allowed="10.0.0.5, starter-3.plant.example")
        host = None
    if host is None or port is None or unit is None:
        return None
    return LinkAddress(Protocol.MODBUS, host, port), unit


def _opcua(section: Section) -> LinkAddress | None:
    section.allow(("endpoint",))
    if "endpoint" not in section:
        section.require("endpoint", "opc.tcp://10.0.0.7:4840")
    endpoint = section.text("endpoint", longest=500)
    if endpoint is None:
        return None
    try:
        parts = urlsplit(endpoint)
        host, port = parts.hostname or "", parts.port or _OPCUA_PORT
    except ValueError:
        host, port, parts = "", 0, urlsplit("")
    if parts.scheme != "opc.tcp" or not is_host(host) or parts.username is not None or parts.password is not None:
        shown = endpoint if "@" not in endpoint else "an address with a user name"
        message = "an OPC UA endpoint without a user name is needed here"
        section.refuse("endpoint", message, found=shown, allowed="opc.tcp://10.0.0.7:4840, a path may follow")
        return None
    return LinkAddress(Protocol.OPCUA, host, port, endpoint)


def is_host(text: str) -> bool:
    """Return whether a text can be a host name or an IP address.

    >>> is_host("10.0.0.5"), is_host("starter-3.plant.example"), is_host("fe80::1"), is_host("10.0.0.5:502")
    (True, True, True, False)
    """
    try:
        ipaddress.ip_address(text)
    except ValueError:
        return _HOST.fullmatch(text) is not None and not re.fullmatch(r"[0-9.]+", text)
    return True
