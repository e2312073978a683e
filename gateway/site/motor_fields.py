"""The sections `motor`, `load` and `starter` of one starter: nameplate, driven machine and starting device."""

from __future__ import annotations

import math
import re

from gateway.motors.facts import LoadData, LoadKind, Method, MotorData, StarterData
from gateway.motors.rating_index import parse_rating
from gateway.registers.quantities import parse_number
from gateway.registers.sections import Section
from gateway.registers.yaml_tree import YamlList, YamlText

_MOTOR = (
    "rated_power",
    "rated_voltage",
    "full_load_current",
    "frequency",
    "poles",
    "rated_speed",
    "power_factor",
    "efficiency",
    "locked_rotor_current",
    "locked_rotor_torque",
    "breakdown_torque",
    "inertia",
    "service_factor",
    "cold_stall_time",
    "hot_stall_time",
    "heating_time_constant",
    "cooling_time_constant",
    "winding_time_constant",
    "winding_weight",
    "trip_class",
    "design",
    "starts_per_hour",
    "cold_starts",
    "hot_starts",
)
_LOAD = ("kind", "inertia", "torque", "static_head", "breakaway", "table")
_STARTER = (
    "method",
    "rating",
    "rated_current",
    "initial_voltage",
    "ramp_time",
    "current_limit",
    "kick_voltage",
    "kick_time",
    "star_time",
    "tap",
    "tap_time",
    "resistor",
    "resistor_time",
    "stop_time",
)
_TRIP_CLASS = re.compile(r"(?:2|3|5|10A|10|20|30|40)E?")
_DESIGNS = ("A", "B", "C", "D", "N", "NE", "NY", "NEY", "H", "HE", "HY", "HEY")
_LARGEST_INERTIA = 1e6
# A current that the nameplate's own power cannot explain within a factor of three is a slip of unit or decimal point.
_LEAST_CURRENT, _MOST_CURRENT = 0.3, 3.0
_USUAL_POWER_FACTOR, _USUAL_EFFICIENCY = 0.85, 0.92


def read_motor(section: Section) -> MotorData | None:
    """Return the motor, None when power, voltage or full-load current is not known."""
    section.allow(_MOTOR)
    power_kw = _needed(section, "rated_power", "kW", "45 kW", 1e5)
    voltage_v = _needed(section, "rated_voltage", "V", "400 V", 5e4)
    flc_a = _needed(section, "full_load_current", "A", "82 A", 2e4)
    frequency_hz = section.quantity("frequency", "Hz", 10, 400)
    if power_kw is None or voltage_v is None or flc_a is None:
        # What is left is read all the same, so that its mistakes are told with the others.
        power_kw = voltage_v = flc_a = math.nan
    motor = MotorData(
        rated_power_kw=power_kw,
        rated_voltage_v=voltage_v,
        flc_a=flc_a,
        frequency_hz=frequency_hz or 50.0,
        poles=section.whole("poles", 2, 48),
        rated_speed_rpm=section.quantity("rated_speed", "rpm", 20, 24000),
        power_factor=section.ratio("power_factor", 0.05, 1, "0.86 or 86 %"),
        efficiency=section.ratio("efficiency", 0.1, 1, "0.94 or 94 %"),
        locked_rotor_ratio=_current_ratio(section, "locked_rotor_current", 1.5, 15, flc_a),
        locked_rotor_torque_ratio=section.ratio("locked_rotor_torque", 0.1, 6, "1.8 or 180 %"),
        breakdown_torque_ratio=section.ratio("breakdown_torque", 1, 8, "2.6 or 260 %"),
        inertia_kg_m2=section.quantity("inertia", "kg m^2", high=_LARGEST_INERTIA, above=0),
        service_factor=section.ratio("service_factor", 1, 2, "1.15") or 1.0,
        cold_stall_s=section.quantity("cold_stall_time", "s", high=3600, above=0),
        hot_stall_s=section.quantity("hot_stall_time", "s", high=3600, above=0),
        heating_time_constant_s=section.quantity("heating_time_constant", "s", high=86400, above=0),
        cooling_time_constant_s=section.quantity("cooling_time_constant", "s", high=864000, above=0),
        winding_time_constant_s=section.quantity("winding_time_constant", "s", high=86400, above=0),
        winding_weight=section.ratio("winding_weight", 0.01, 0.99, "0.4 or 40 %"),
        trip_class=_trip_class(section),
        design=_design(section),
        starts_per_hour=section.number("starts_per_hour", high=1000, above=0),
        cold_starts=section.whole("cold_starts", 1, 20),
        hot_starts=section.whole("hot_starts", 1, 20),
    )
    _check_motor(section, motor)
    return None if math.isnan(flc_a) else motor


def read_load(section: Section) -> LoadData | None:
    """Return the driven machine, None when its kind is not known."""
    section.allow(_LOAD)
    kind = section.choice("kind", LoadKind)
    if kind is None and "kind" not in section:
        section.require("kind", "fan")
    points = _torque_points(section)
    if kind is LoadKind.TABLE and "table" not in section:
        section.require("table", "[[0 %, 20 %], [50 %, 30 %], [100 %, 90 %]]")
    elif kind is not None and kind is not LoadKind.TABLE and "table" in section:
        section.refuse("table", f"a {kind.value} has its own curve: write `kind: table` or remove the table", found="a table")
    inertia = section.quantity("inertia", "kg m^2", high=_LARGEST_INERTIA, above=0)
    torque = section.ratio("torque", 0, 5, "0.9 or 90 %")
    static_head = section.ratio("static_head", 0, 1, "0.3 or 30 %")
    breakaway = section.ratio("breakaway", 0, 5, "0.4 or 40 %")
    if kind is None:
        return None
    return LoadData(
        kind=kind,
        inertia_kg_m2=inertia,
        torque_ratio=torque,
        static_head_ratio=static_head,
        breakaway_ratio=breakaway,
        torque_points=points,
    )


def read_device(section: Section, flc_a: float) -> StarterData:
    """Return the starting device; a current limit given in ampere becomes a multiple of `flc_a`."""
    section.allow(_STARTER)
    return StarterData(
        method=section.choice("method", Method) or Method.SOFT_STARTER,
        rating=_rating(section),
        rated_current_a=section.quantity("rated_current", "A", high=2e4, above=0),
        initial_voltage_ratio=section.ratio("initial_voltage", 0.05, 1, "0.4 or 40 %"),
        ramp_time_s=section.quantity("ramp_time", "s", 0, 600),
        current_limit_ratio=_current_ratio(section, "current_limit", 1, 12, flc_a),
        kick_voltage_ratio=section.ratio("kick_voltage", 0.1, 1, "0.8 or 80 %"),
        kick_time_s=section.quantity("kick_time", "s", 0, 10),
        star_time_s=section.quantity("star_time", "s", high=600, above=0),
        tap_ratio=section.ratio("tap", 0.2, 1, "0.65 or 65 %"),
        tap_time_s=section.quantity("tap_time", "s", high=600, above=0),
        resistor_ratio=section.ratio("resistor", 0, 20, "0.5 or 50 % of the locked-rotor impedance"),
        resistor_time_s=section.quantity("resistor_time", "s", high=600, above=0),
        stop_time_s=section.quantity("stop_time", "s", 0, 600),
    )


def _needed(section: Section, key: str, unit: str, example: str, high: float) -> float | None:
    if key not in section:
        section.require(key, example)
    return section.quantity(key, unit, high=high, above=0)


def _current_ratio(section: Section, key: str, low: float, high: float, flc_a: float) -> float | None:
    """Return a current as a multiple of the full-load current; it may also be given in ampere."""
    node = section.leaf(key)
    if node is None or not node.text.strip().endswith("A"):
        return section.ratio(key, low, high, "7 x FLC, 700 % or 574 A")
    current_a = section.quantity(key, "A", above=0)
    if current_a is None or math.isnan(flc_a):
        return None
    ratio = current_a / flc_a
    if low <= ratio <= high:
        return ratio
    section.refuse(key, f"that is {ratio:.3g} x the full-load current", allowed=f"{low:g} to {high:g} x FLC")
    return None


def _trip_class(section: Section) -> str | None:
    text = section.text("trip_class")
    if text is None:
        return None
    plain = text.lower().removeprefix("class").strip().upper()
    if _TRIP_CLASS.fullmatch(plain):
        return plain
    section.refuse("trip_class", "this trip class is not known", allowed="2, 3, 5, 10A, 10, 20, 30 or 40, an E may follow")
    return None


def _rating(section: Section) -> str | None:
    text = section.text("rating", longest=80)
    if text is not None:
        try:
            parse_rating(text)
        except ValueError as error:
            section.refuse("rating", str(error), found="")
    return text


def _design(section: Section) -> str | None:
    text = section.text("design")
    if text is None or text.upper() in _DESIGNS:
        return None if text is None else text.upper()
    section.refuse("design", "this design letter is not known", allowed=f"{', '.join(_DESIGNS)} (NEMA MG 1, IEC 60034-12)")
    return None


def _check_motor(section: Section, motor: MotorData) -> None:
    if motor.poles is not None and motor.poles % 2:
        section.refuse("poles", "poles come in pairs", allowed="2, 4, 6, 8 ...")
    elif motor.poles is not None and motor.rated_speed_rpm is not None:
        synchronous_rpm = 120 * motor.frequency_hz / motor.poles
        if not 0.8 * synchronous_rpm <= motor.rated_speed_rpm < synchronous_rpm:
            message = f"{motor.poles} poles at {motor.frequency_hz:g} Hz turn at {synchronous_rpm:g} rpm without load"
            section.refuse("rated_speed", message, allowed=f"{0.8 * synchronous_rpm:g} to just below {synchronous_rpm:g} rpm")
    if motor.cold_stall_s is not None and motor.hot_stall_s is not None and motor.hot_stall_s > motor.cold_stall_s:
        section.refuse("hot_stall_time", "a hot motor cannot stall longer than a cold one", allowed=f"up to {motor.cold_stall_s:g} s")
    if motor.cold_starts is not None and motor.hot_starts is not None and motor.hot_starts > motor.cold_starts:
        section.refuse("hot_starts", "a hot motor cannot start more often than a cold one", allowed=f"up to {motor.cold_starts}")
    if motor.winding_weight is not None and motor.winding_time_constant_s is None:
        section.refuse("winding_weight", "it weighs winding_time_constant, which is missing: give both or neither")
    elif motor.winding_time_constant_s is not None and motor.winding_time_constant_s >= (motor.heating_time_constant_s or math.inf):
        message = "the winding heats faster than the whole motor: it must be shorter than heating_time_constant"
        section.refuse("winding_time_constant", message)
    expected_a = _expected_current_a(motor)
    if not math.isnan(expected_a) and not _LEAST_CURRENT * expected_a <= motor.flc_a <= _MOST_CURRENT * expected_a:
        rated = f"{motor.rated_power_kw:g} kW at {motor.rated_voltage_v:g} V"
        message = f"{rated} takes about {expected_a:.3g} A: check power, voltage and current"
        allowed = f"{_LEAST_CURRENT * expected_a:.3g} to {_MOST_CURRENT * expected_a:.3g} A"
        section.refuse("full_load_current", message, allowed=allowed)


def _expected_current_a(motor: MotorData) -> float:
    efficiency, power_factor = motor.efficiency or _USUAL_EFFICIENCY, motor.power_factor or _USUAL_POWER_FACTOR
    return 1000 * motor.rated_power_kw / (math.sqrt(3) * motor.rated_voltage_v * efficiency * power_factor)


def _torque_points(section: Section) -> tuple[tuple[float, float], ...]:
    points: list[tuple[float, float]] = []
    allowed = "pairs of speed and torque in rising speed from 0 %, such as [[0 %, 20 %], [100 %, 90 %]]"
    for item in section.items("table") or ():
        pair = [_part(part.text) for part in item.items if isinstance(part, YamlText)] if isinstance(item, YamlList) else []
        if len(pair) != 2 or pair[0] is None or pair[1] is None or not (0 <= pair[0] <= 1.2 and 0 <= pair[1] <= 5):
            section.findings.add(line=item.line, field=section.field("table"), allowed=allowed, message="a pair of ratios is needed here")
            continue
        if points and pair[0] <= points[-1][0]:
            section.findings.add(line=item.line, field=section.field("table"), allowed=allowed, message="the speeds must rise")
            continue
        points.append((pair[0], pair[1]))
    if points and (points[0][0] > 0 or points[-1][0] < 1):
        section.refuse("table", "the table must reach from standstill to rated speed", found="a shorter table", allowed=allowed)
    return tuple(points)


def _part(text: str) -> float | None:
    try:
        return parse_number(text.removesuffix("%").strip()) / 100 if text.endswith("%") else parse_number(text)
    except ValueError:
        return None
