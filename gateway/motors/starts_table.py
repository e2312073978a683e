"""Allowable starts of NEMA MG 10 for Design A and B motors at 60 Hz.

Rule: at most min(A, B / Wk2) starts an hour, Wk2 being the load's inertia at the motor shaft in lb ft2, and an off time of at least C
seconds before each. A is fractional: 1.8 an hour means that two starts inside one hour are already too many.

Conditions: (1) voltage and frequency inside MG 1 12.44; (2) load torque during run-up no more than a square law that equals rated torque at
rated speed; (3) load Wk2 not above B. Outside them, or between or beyond the table's ratings, the table says nothing: ask the motor maker.
It is not valid for 50 Hz motors.

Worked example of the table's publishers: 25 hp, 4 poles, Wk2 50 lb ft2: A = 8.8, B = 122, 122 / 50 = 2.44 starts an hour, B governs.
Source of all 180 numbers: NEMA MG 10, table of allowable starts, as reproduced in the EASA Electrical Engineering Handbook, "Allowable
Starts and Starting Intervals".
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from gateway.instants import Instant
from gateway.motors.facts import LoadData, LoadKind, Starter
from gateway.motors.history import History
from gateway.motors.motor_data import rate_verdict
from gateway.motors.records import LimitName, LimitVerdict
from gateway.motors.site_rules import rest_verdict
from gateway.motors.verdicts import judged

KG_M2_PER_LB_FT2 = 0.0421401101
KW_PER_HP = 0.745699872
SOURCE = "NEMA MG 10, table of allowable starts (60 Hz, Design A and B)"
RATING_TOLERANCE = 0.02
"""How far a rated power may be from a table row, of 1, to be that row: kW figures of hp ratings are rounded; own choice."""
_ROUNDING = 1e-6

# hp: ((A, B, C) of 2 poles, of 4 poles, of 6 poles)
TABLE: dict[float, tuple[tuple[float, float, float], tuple[float, float, float], tuple[float, float, float]]] = {
    1: ((15, 1.2, 75), (30, 5.8, 38), (34, 15, 33)),
    1.5: ((12.9, 1.8, 76), (25.7, 8.6, 38), (29.1, 23, 34)),
    2: ((11.5, 2.4, 77), (23, 11, 39), (26.1, 30, 35)),
    3: ((9.9, 3.5, 80), (19.8, 17, 40), (22.4, 44, 36)),
    5: ((8.1, 5.7, 83), (16.3, 27, 42), (18.4, 71, 37)),
    7.5: ((7.0, 8.3, 88), (13.9, 39, 44), (15.8, 104, 39)),
    10: ((6.2, 11, 92), (12.5, 51, 46), (14.2, 137, 41)),
    15: ((5.4, 16, 100), (10.7, 75, 50), (12.1, 200, 44)),
    20: ((4.8, 21, 110), (9.6, 99, 55), (10.9, 262, 48)),
    25: ((4.4, 26, 115), (8.8, 122, 58), (10.0, 324, 51)),
    30: ((4.1, 31, 120), (8.2, 144, 60), (9.3, 384, 53)),
    40: ((3.7, 40, 130), (7.4, 189, 65), (8.4, 503, 57)),
    50: ((3.4, 49, 145), (6.8, 232, 72), (7.7, 620, 64)),
    60: ((3.2, 58, 170), (6.3, 275, 85), (7.2, 735, 75)),
    75: ((2.9, 71, 180), (5.8, 338, 90), (6.6, 904, 79)),
    100: ((2.6, 92, 220), (5.2, 441, 110), (5.9, 1181, 97)),
    125: ((2.4, 113, 275), (4.8, 542, 140), (5.4, 1452, 120)),
    150: ((2.2, 133, 320), (4.5, 640, 160), (5.1, 1719, 140)),
    200: ((2.0, 172, 600), (4.0, 831, 300), (4.5, 2238, 265)),
    250: ((1.8, 210, 1000), (3.7, 1017, 500), (4.2, 2744, 440)),
}

_COLUMN = {2: 0, 4: 1, 6: 2}


@dataclass(frozen=True, slots=True, kw_only=True)
class AllowableStarts:
    """What the table allows one motor: starts an hour, least off time [s], and the numbers they come from."""

    starts_per_hour: float
    off_time_s: float
    a: float
    b_lb_ft2: float
    wk2_lb_ft2: float


def allowable_starts(rated_power_hp: float, poles: int, wk2_lb_ft2: float) -> AllowableStarts | None:
    """Return what the table allows, None when motor or load is outside it.

    >>> example = allowable_starts(25, 4, 50)     # the publishers' example
    >>> example.starts_per_hour, example.off_time_s
    (2.44, 58)
    >>> allowable_starts(250, 2, 211) is None     # Wk2 above B breaks condition 3
    True
    """
    row = _row(rated_power_hp)
    if row is None or poles not in _COLUMN or wk2_lb_ft2 < 0.0:
        return None
    a, b, c = TABLE[row][_COLUMN[poles]]
    if wk2_lb_ft2 > b * (1.0 + _ROUNDING):
        return None
    # At Wk2 = B the rate is 1; a rounded conversion from kg m2 must not make it 0.999999 and the window longer than an hour.
    by_inertia = a if wk2_lb_ft2 == 0.0 else max(1.0, b / wk2_lb_ft2)
    return AllowableStarts(starts_per_hour=min(a, by_inertia), off_time_s=c, a=a, b_lb_ft2=b, wk2_lb_ft2=wk2_lb_ft2)


def why_not(starter: Starter) -> str:
    """Return why the table says nothing for this starter, "" when it applies.

    >>> from gateway.motors.facts import MotorData
    >>> why_not(Starter(name="F-101", motor=MotorData(rated_power_kw=45, rated_voltage_v=400, flc_a=80)))
    'the table is for 60 Hz motors, this one is for 50 Hz'
    """
    motor = starter.motor
    if motor.frequency_hz != 60.0:
        return f"the table is for 60 Hz motors, this one is for {motor.frequency_hz:g} Hz"
    if motor.design is None or motor.design.strip().upper().removeprefix("DESIGN").strip() not in {"A", "B"}:
        return f"the table is for NEMA Design A and B motors, this one is {motor.design or 'of no given design'}"
    if motor.poles not in _COLUMN:
        return f"the table is for 2, 4 and 6 poles, this motor has {motor.poles or 'no given number of'} poles"
    power_hp = motor.rated_power_kw / KW_PER_HP
    if _row(power_hp) is None:
        return f"{power_hp:.4g} hp is not a rating of the table (1 to 250 hp)"
    return _why_not_load(starter.load, power_hp, motor.poles)


def allowed_for(starter: Starter) -> AllowableStarts | None:
    """Return what the table allows this starter, None when the site does not hold starts against it or it does not apply."""
    if not starter.limits.nema_mg10 or why_not(starter) or starter.load is None or starter.load.inertia_kg_m2 is None:
        return None
    motor = starter.motor
    return allowable_starts(motor.rated_power_kw / KW_PER_HP, motor.poles or 0, starter.load.inertia_kg_m2 / KG_M2_PER_LB_FT2)


def verdict(starter: Starter, history: History, at: Instant) -> LimitVerdict | None:
    """Return the verdict of the table, None when the site does not hold starts against it or it does not apply (`why_not` says why)."""
    allowable = allowed_for(starter)
    if allowable is None:
        return None
    rate = rate_verdict(LimitName.NEMA_MG10, SOURCE, "the table allows", allowable.starts_per_hour, starter, history, at)
    rest = rest_verdict(LimitName.NEMA_MG10, SOURCE, allowable.off_time_s, starter, history, at)
    if rate.next_start_at is None or rest.next_start_at is None:
        return judged(rate, starter, history)
    governs = "A" if allowable.starts_per_hour == allowable.a else f"B {allowable.b_lb_ft2:g} / Wk2 {allowable.wk2_lb_ft2:.3g} lb ft2"
    if rest.next_start_at > rate.next_start_at:
        next_at, wait_s, reason = rest.next_start_at, rest.wait_s, rest.reason
    else:
        next_at, wait_s, reason = rate.next_start_at, rate.wait_s, f"{rate.reason} ({governs} governs)"
    both = replace(rate, next_start_at=next_at, wait_s=wait_s, reason=reason, certain=rate.certain and rest.certain)
    return judged(both, starter, history)


def _row(rated_power_hp: float) -> float | None:
    nearest = min(TABLE, key=lambda row: abs(row - rated_power_hp))
    return nearest if abs(rated_power_hp - nearest) <= RATING_TOLERANCE * nearest else None


def _why_not_load(load: LoadData | None, power_hp: float, poles: int | None) -> str:
    if load is None or load.inertia_kg_m2 is None:
        return "the table needs the inertia of the load"
    if load.kind is LoadKind.TABLE:
        if any(torque > speed**2 + _ROUNDING for speed, torque in load.torque_points):
            return "the load torque is above a square law that equals rated torque at rated speed"
    elif load.kind not in (LoadKind.FAN, LoadKind.PUMP):
        return f"the table is for square-law loads, a {load.kind} is none"
    if load.torque_ratio is not None and load.torque_ratio > 1.0:
        return f"the load takes {load.torque_ratio:g} x rated torque at rated speed, the table is for no more than rated"
    wk2 = load.inertia_kg_m2 / KG_M2_PER_LB_FT2
    if allowable_starts(power_hp, poles or 0, wk2) is None:
        return f"load inertia {wk2:.4g} lb ft2 is above the table's largest"
    return ""
