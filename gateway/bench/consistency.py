"""What does not fit about a signal beside the others of its starter."""

from __future__ import annotations

import functools
import math

import numpy as np

from gateway.bench.company import CURRENTS, PHASES, Company, middle
from gateway.bench.currents import current_findings, flc_findings
from gateway.bench.expectations import Finding
from gateway.bench.flags import FLAGS, flag_findings
from gateway.bench.series import Series
from gateway.registers.model import ModbusPlace, Span, WordType


def findings_together(series: Series, company: Company) -> list[Finding]:
    """Return what does not fit about a series, looked at beside the others."""
    return _shared(series, company) + physics_together(series, company)


def physics_together(series: Series, company: Company) -> list[Finding]:
    """Return what does not fit about the values of a series beside the others', wherever they stand."""
    if not series.known.size:
        return []
    found: list[Finding] = []
    role = series.signal.role or ""
    if role in CURRENTS:
        found += current_findings(series, company)
    elif role in FLAGS:
        found += flag_findings(series, company)
    elif role == "power":
        found += _power(series, company)
    elif role in ("power_factor", "speed"):
        found += _while_running(series, company)
    elif role in ("start_count", "running_hours"):
        found += _counter(series, company)
    elif role == "motor_voltage":
        found += _motor_voltage(series, company)
    elif role == "set_flc":
        found += flc_findings(series, company)
    return found


def _shared(series: Series, company: Company) -> list[Finding]:
    """Two signals on the same words are a copied line, or one of them has moved."""
    mine = _cells(series)
    for key, other in company.by_key.items():
        if key != series.signal.key and mine and mine & _cells(other):
            return [
                Finding(
                    1.3, f"it shares its {'address' if isinstance(series.signal.place, ModbusPlace) else 'node'} with {other.signal.name}"
                )
            ]
    return _out_of_order(series, company)


def _out_of_order(series: Series, company: Company) -> list[Finding]:
    """Makers put the phases one after the other (common practice, no source): it decides which of two alike has moved."""
    role = series.signal.role or ""
    if role not in PHASES:
        return []
    for other_role in PHASES:
        other = company.by_key.get(other_role)
        if other is None or other_role == role:
            continue
        mine, its = _first_address(series), _first_address(other)
        if mine is not None and its is not None and (mine < its) != (role < other_role):
            return [Finding(0.3, f"it stands out of the order of the phases, with {other.signal.name}")]
    return []


def _first_address(series: Series) -> int | None:
    place = series.signal.place
    return place.span.first if isinstance(place, ModbusPlace) else None


def _cells(series: Series) -> frozenset[object]:
    """Return the parts of the device that a series is read from: bits of registers, or a node."""
    place, signal = series.signal.place, series.signal
    if not isinstance(place, ModbusPlace):
        return frozenset({(place.namespace_uri, place.identifier, place.path)})
    is_part = signal.type in (WordType.BIT, WordType.BITS) and not place.span.table.holds_bits
    return _cells_of(place.span, (signal.bit or 0) if is_part else None, signal.bit_count)


@functools.lru_cache(maxsize=4096)
def _cells_of(span: Span, bit: int | None, bit_count: int) -> frozenset[object]:
    bits = range(-1, 0) if bit is None else range(bit, bit + bit_count)
    return frozenset((span.table, at, each) for at in range(span.first, span.last + 1) for each in bits)


def _power(series: Series, company: Company) -> list[Finding]:
    currents = [each.values for key in CURRENTS if (each := company.series(key)) is not None]
    voltage = company.series("voltage")
    if not currents or voltage is None:
        return []
    # The middle one of several: one wrong current must not speak against a right power.
    current_a = middle(currents)
    apparent_kva = math.sqrt(3) * current_a * voltage.values / 1000.0
    top = float(np.nanmax(apparent_kva)) if np.any(~np.isnan(apparent_kva)) else 0.0
    told = (apparent_kva > 0.1 * top) & ~np.isnan(series.values)
    if top < 0.5 or not told.any():
        idle = top == 0 and series.span[1] > 1
        return [Finding(1.0, f"{series.range_shown()} without current")] if idle else []
    ratios = np.abs(series.values[told]) / apparent_kva[told]
    ratio = float(np.median(ratios))
    factor = company.series("power_factor")
    if factor is not None and np.any(~np.isnan(factor.values[told])):
        apart = float(np.nanmedian(ratios / np.maximum(np.abs(factor.values[told]), 0.02)))
        if not 0.5 <= apart <= 2:
            return [Finding(1.5, f"it is {apart:.2g} x what current, voltage and power factor make")]
    if ratio >= 0.05 and 0.15 <= float(ratios.max()) and ratio <= 1.15:
        return []
    return [Finding(2.0, f"it is {ratio:.2g} x what current and voltage make ({top:.3g} kVA at most): 0.05 to 1 is possible")]


def _while_running(series: Series, company: Company) -> list[Finding]:
    """A motor that takes current has a power factor, and at speed it turns, a little below a synchronous speed."""
    is_factor = series.signal.role == "power_factor"
    flag = company.series("running" if is_factor else "at_speed")
    if flag is None or not np.any(told := (flag.values > 0.5) & ~np.isnan(series.values)):
        return []
    usual = abs(float(np.median(series.values[told])))
    if is_factor:
        return [Finding(1.4, f"{series.shown(usual)} is no power factor of a motor that runs")] if usual < 0.03 else []
    if usual < 100:
        return [Finding(1.4, f"{series.shown(usual)} is no speed of a motor at speed")]
    # 60 f / p rpm with p pole pairs, less a slip of up to a tenth.
    near = any(0.88 <= usual / (60 * frequency / pairs) <= 1.005 for frequency in (50, 60) for pairs in range(1, 13))
    return [] if near else [Finding(1.0, f"{series.shown(usual)} at speed is near no synchronous speed of 50 or 60 Hz")]


def _counter(series: Series, company: Company) -> list[Finding]:
    rise = series.span[1] - series.span[0]
    elapsed_s = float(series.at_s[-1] - series.at_s[0]) if len(series.at_s) else 0.0
    if series.signal.role == "running_hours":
        hours = elapsed_s / 3600.0
        late = rise > hours + 0.11 and rise > 1.01
        return [Finding(3.0, f"it rises by {series.shown(rise)} in {elapsed_s:.0f} s")] if late else []
    starts = company.starts_seen
    if starts is None or len(series.known) < 3:
        return []
    if rise == starts:
        return []
    text = f"it steps by {rise:g} in all, and {starts} {'start was' if starts == 1 else 'starts were'} seen"
    return [Finding(1.5 if rise < starts else 3.0, text)]


def _motor_voltage(series: Series, company: Company) -> list[Finding]:
    supply, at_speed = company.series("voltage"), company.series("at_speed")
    if supply is None:
        return []
    if at_speed is not None and at_speed.span[1] and series.span[1] < 0.5 * supply.span[1]:
        return [Finding(1.2, f"at speed the motor gets the whole voltage, and this is {series.shown(series.span[1])} at most")]
    if series.span[1] <= 1.15 * supply.span[1]:
        return []
    return [Finding(1.5, f"{series.shown(series.span[1])} at the motor is more than the supply gives")]
