"""Typical catalogue values for what a user has not given, each with its source in words. Used only where the caller asks for it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, log, sqrt

from gateway.machine.nameplate import Nameplate, NameplateError

_MEMORY = "from memory - confirm"
_PRACTICE = "common practice, no source"

# (kW, value) pairs, interpolated over the logarithm of power. Efficiency: IE3, 4 poles, 50 Hz, IEC 60034-30-1.
_EFFICIENCY = (
    (0.75, 0.825), (1.5, 0.853), (3.0, 0.877), (5.5, 0.896), (11.0, 0.914), (18.5, 0.926), (30.0, 0.936), (45.0, 0.942), (75.0, 0.950),
    (110.0, 0.954), (132.0, 0.956), (200.0, 0.960),
)  # fmt: skip
_POWER_FACTOR = ((0.55, 0.74), (5.5, 0.83), (45.0, 0.86), (132.0, 0.865), (800.0, 0.88))
_SLIP = ((0.55, 0.05), (5.5, 0.0233), (45.0, 0.0147), (132.0, 0.008), (800.0, 0.005))
_LOCKED_CURRENT = ((0.55, 5.0), (5.5, 7.0), (800.0, 7.0))
_LOCKED_TORQUE = ((0.55, 2.4), (45.0, 2.4), (132.0, 2.2), (800.0, 1.6))
_BREAKDOWN = ((0.55, 2.8), (5.5, 3.0), (45.0, 2.8), (800.0, 2.7))
_INERTIA = ((0.55, 0.0014), (5.5, 0.02), (45.0, 0.45), (132.0, 2.7), (800.0, 25.0))
_ROTOR_PART_OF_LOSS = 0.45


def _between(table: Sequence[tuple[float, float]], power_kw: float) -> float:
    if power_kw <= table[0][0]:
        return table[0][1]
    for (x0, y0), (x1, y1) in zip(table, table[1:], strict=False):
        if power_kw <= x1:
            return y0 + (y1 - y0) * log(power_kw / x0) / log(x1 / x0)
    return table[-1][1]


@dataclass(frozen=True, slots=True, kw_only=True)
class Completed:
    """A nameplate with typical values in the gaps; `assumed` tells each of them and where it comes from."""

    nameplate: Nameplate
    assumed: tuple[str, ...]


def _pole_pairs(frequency_hz: float, poles: int | None, rated_speed_rpm: float | None, assumed: list[str]) -> int:
    if poles is not None:
        return poles // 2
    if rated_speed_rpm is not None:
        return max(1, int(60.0 * frequency_hz / rated_speed_rpm))
    assumed.append(f"4 poles ({_PRACTICE})")
    return 2


def complete_nameplate(
    *,
    rated_power_w: float,
    voltage_v: float,
    frequency_hz: float,
    poles: int | None = None,
    flc_a: float | None = None,
    rated_speed_rpm: float | None = None,
    power_factor: float | None = None,
    efficiency: float | None = None,
    locked_rotor_current_ratio: float | None = None,
    locked_rotor_torque_ratio: float | None = None,
    breakdown_torque_ratio: float | None = None,
) -> Completed:
    """Return a whole nameplate: what is given stays, what is missing is taken from the full-load current where it follows, else typical.

    NameplateError when what is given cannot be so.

    >>> done = complete_nameplate(rated_power_w=45e3, voltage_v=400.0, frequency_hz=50.0, flc_a=80.0, rated_speed_rpm=1478.0)
    >>> round(done.nameplate.power_factor, 3), done.nameplate.pole_pairs, len(done.assumed)
    (0.862, 2, 4)
    """
    assumed: list[str] = []
    power_kw = rated_power_w / 1000.0
    if not (rated_power_w > 0 and voltage_v > 0 and frequency_hz > 0):
        raise NameplateError("rated_power_w", "rated power, voltage and frequency must be positive numbers")
    pole_pairs = _pole_pairs(frequency_hz, poles, rated_speed_rpm, assumed)
    sync_rpm = 60.0 * frequency_hz / max(pole_pairs, 1)

    def typical(name: str, given: float | None, table: Sequence[tuple[float, float]], source: str) -> float:
        if given is not None:
            return given
        value = _between(table, power_kw)
        assumed.append(f"{name} {value:.3g} ({source})")
        return value

    if rated_speed_rpm is None:
        rated_speed_rpm = sync_rpm * (1.0 - typical("rated slip", None, _SLIP, _PRACTICE))
    slip = 1.0 - rated_speed_rpm / sync_rpm
    if efficiency is None and flc_a is not None and power_factor is not None:
        efficiency = rated_power_w / (sqrt(3.0) * voltage_v * flc_a * power_factor)
    elif efficiency is None:
        # A motor with more slip than usual has more loss than usual: rotor loss is at most this part of the whole.
        possible = 1.0 / (1.0 + slip / (1.0 - slip) / _ROTOR_PART_OF_LOSS) if 0.0 < slip < 1.0 else 1.0
        efficiency = min(_between(_EFFICIENCY, power_kw), possible)
        assumed.append(f"efficiency {efficiency:.3g} (IE3, IEC 60034-30-1, {_MEMORY})")
    if power_factor is None and flc_a is not None:
        power_factor = rated_power_w / (sqrt(3.0) * voltage_v * flc_a * efficiency)
        if not 0.3 <= power_factor < 1.0:
            raise NameplateError(
                "flc_a", f"{flc_a:g} A with {power_kw:g} kW at {voltage_v:g} V would need a power factor of {power_factor:.2f}"
            )
    locked_torque = typical("locked-rotor torque ratio", locked_rotor_torque_ratio, _LOCKED_TORQUE, _PRACTICE)
    if breakdown_torque_ratio is None and locked_rotor_torque_ratio is not None:
        breakdown_torque_ratio = max(_between(_BREAKDOWN, power_kw), locked_torque)
        assumed.append(f"breakdown torque ratio {breakdown_torque_ratio:.3g} ({_PRACTICE})")
    nameplate = Nameplate(
        rated_power_w=rated_power_w,
        voltage_v=voltage_v,
        frequency_hz=frequency_hz,
        pole_pairs=pole_pairs,
        rated_speed_rpm=rated_speed_rpm,
        power_factor=typical("power factor", power_factor, _POWER_FACTOR, _PRACTICE),
        efficiency=efficiency,
        locked_rotor_current_ratio=typical("locked-rotor current ratio", locked_rotor_current_ratio, _LOCKED_CURRENT, _PRACTICE),
        locked_rotor_torque_ratio=locked_torque,
        breakdown_torque_ratio=typical("breakdown torque ratio", breakdown_torque_ratio, _BREAKDOWN, _PRACTICE),
    )
    return Completed(nameplate=nameplate, assumed=tuple(assumed))


def typical_motor_inertia_kg_m2(rated_power_w: float, pole_pairs: int) -> float:
    """Return a typical inertia of the rotor alone; common practice, no source.

    >>> typical_motor_inertia_kg_m2(45e3, 2)
    0.45
    """
    power_kw = rated_power_w / 1000.0
    logs = [(kw, log(value)) for kw, value in _INERTIA]
    return exp(_between(logs, power_kw)) * float((pole_pairs / 2.0) ** 1.5)


def permitted_load_inertia_kg_m2(rated_power_w: float, pole_pairs: int) -> float:
    """Return the load inertia that a motor of standard design must start, J = 0.04 P^0.9 p^2.5 (IEC 60034-12, from memory - confirm).

    >>> round(permitted_load_inertia_kg_m2(45e3, 2), 2)
    6.96
    """
    return float(0.04 * (rated_power_w / 1000.0) ** 0.9 * pole_pairs**2.5)


def nema_load_inertia_lb_ft2(rated_power_hp: float, sync_speed_rpm: float) -> float:
    """Return the permitted external load inertia of NEMA MG 1, formula from memory - confirm; 27 instead of 24 at 3600 rpm.

    >>> round(nema_load_inertia_lb_ft2(60.0, 1800.0)), round(nema_load_inertia_lb_ft2(60.0, 3600.0))
    (275, 58)
    """
    a = 27.0 if sync_speed_rpm > 1800.0 else 24.0
    n = sync_speed_rpm / 1000.0
    return float(a * rated_power_hp**0.95 / n**2.4 - 0.0685 * rated_power_hp**1.5 / n**1.8)
