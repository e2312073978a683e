"""What the signals of one starter say about each other: phases alike, current with the status bits, power with current and voltage."""

from __future__ import annotations

import functools
import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from gateway.bench.expectations import Finding
from gateway.bench.series import Floats, Series
from gateway.registers.model import ModbusPlace, Span, Table, WordType

PHASES = ("current_l1", "current_l2", "current_l3")
CURRENTS = ("current", *PHASES)
_FLAGS = ("command", "starting", "at_speed", "running", "stopping", "tripped")
_SLACK_S = 0.35
"""Status and current may come in different requests and be renewed at different moments."""


@dataclass(frozen=True, eq=False)
class Company:
    """The series of one starter by signal key, each as it is read at present.

    flc_a: full-load current where the user told it, else None.
    """

    by_key: Mapping[str, Series]
    flc_a: float | None = None

    def series(self, key: str) -> Series | None:
        """Return a series that has values, None otherwise."""
        found = self.by_key.get(key)
        return found if found is not None and found.known.size else None

    @cached_property
    def is_fed(self) -> Floats | None:
        """1 while the motor takes current, 0 while not, by most of the currents; None when no current tells standstill from running."""
        votes = [fed for key in CURRENTS if (each := self.series(key)) is not None and (fed := _fed(each)) is not None]
        return None if not votes else np.round(np.nanmedian(np.stack(votes), axis=0))

    @cached_property
    def starts_seen(self) -> int | None:
        """How often the motor began to take current, None when the currents do not tell."""
        fed = self.is_fed
        return None if fed is None else int(np.count_nonzero(np.diff(fed) > 0))


def _fed(series: Series) -> Floats | None:
    """Return when a current flows, None when it flows always or never, or is no current at all."""
    low, high = series.span
    if high <= 0 or low > 0.05 * high or low < 0:
        return None
    return np.where(np.isnan(series.values), math.nan, (series.values > 0.05 * high).astype(float))


def findings_together(series: Series, company: Company) -> list[Finding]:
    """Return what does not fit about a series, looked at beside the others."""
    found = _shared(series, company)
    if not series.known.size:
        return found
    role = series.signal.role or ""
    if role in CURRENTS:
        found += _phase(series, company) + _current(series, company)
    elif role in _FLAGS:
        found += _flag(series, company)
    elif role == "power":
        found += _power(series, company)
    elif role in ("start_count", "running_hours"):
        found += _counter(series, company)
    elif role == "motor_voltage":
        found += _motor_voltage(series, company)
    elif role == "set_flc":
        found += _flc(series, company)
    return found


def _shared(series: Series, company: Company) -> list[Finding]:
    """Two signals on the same words are a copied line, or one of them has moved."""
    mine = _cells(series)
    for key, other in company.by_key.items():
        if key != series.signal.key and mine and mine & _cells(other):
            return [Finding(1.3, f"it shares its address with {other.signal.name}")]
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


def _cells(series: Series) -> frozenset[tuple[Table, int, int]]:
    place, signal = series.signal.place, series.signal
    if not isinstance(place, ModbusPlace):
        return frozenset()
    is_part = signal.type in (WordType.BIT, WordType.BITS) and not place.span.table.holds_bits
    return _cells_of(place.span, (signal.bit or 0) if is_part else None, signal.bit_count)


@functools.lru_cache(maxsize=4096)
def _cells_of(span: Span, bit: int | None, bit_count: int) -> frozenset[tuple[Table, int, int]]:
    bits = range(-1, 0) if bit is None else range(bit, bit + bit_count)
    return frozenset((span.table, at, each) for at in range(span.first, span.last + 1) for each in bits)


def _phase(series: Series, company: Company) -> list[Finding]:
    others = [each.values for key in CURRENTS if key != series.signal.key and (each := company.series(key)) is not None]
    if not others:
        return []
    # NaN where no other current is known at a moment: such a moment says nothing.
    usual = np.array([_median(column) for column in np.stack(others).T])
    level = float(np.nanmax(usual)) if np.any(~np.isnan(usual)) else 0.0
    told = (usual > 0.2 * level) & ~np.isnan(series.values) & (usual > 0)
    if level > 0 and told.any():
        apart = float(np.median(np.abs(series.values[told] - usual[told]) / usual[told]))
        if apart > 0.3:
            return [Finding(min(3.0, 1.5 + apart / 4), f"it differs from the other currents by {100 * apart:.0f} %")]
    elif level == 0 and series.span[1] > 0.5:
        return [Finding(1.5, f"the other currents are 0 and this one is {series.range_shown()}")]
    return []


def _median(column: Floats) -> float:
    known = column[~np.isnan(column)]
    return float(np.median(known)) if known.size else math.nan


def _current(series: Series, company: Company) -> list[Finding]:
    found = []
    running = company.series("running")
    if running is not None:
        found += _against_flag(series, running)
    flc_a = company.flc_a or _setting(company, "set_flc")
    if flc_a and (text := _against_flc(series, flc_a, company)):
        found.append(Finding(1.5, text))
    return found


def _against_flag(series: Series, running: Series) -> list[Finding]:
    """The current flows while the motor is on, and only then."""
    both = ~np.isnan(series.values) & ~np.isnan(running.values)
    if not both.any() or series.span[1] <= 0:
        return []
    flows = series.values > max(0.05 * series.span[1], 0.02)
    wrong = _lasting(both & (flows != (running.values > 0.5)), series.at_s)
    share = np.count_nonzero(wrong) / np.count_nonzero(both)
    if share < 0.1:
        return []
    if share > 0.9 and running.is_constant:
        return [Finding(0.8, f"current flows although {running.signal.name} is off")] if not running.span[1] else []
    return [Finding(0.5 + 2.5 * float(share), f"it does not go with {running.signal.name} for {100 * share:.0f} % of the time")]


def _lasting(wrong: np.ndarray, at_s: Floats) -> np.ndarray:
    """Leave out disagreements shorter than the slack: they may come from the moment of reading."""
    kept = wrong.copy()
    if len(at_s) < 3:
        return kept
    edges = np.flatnonzero(np.diff(np.concatenate(([0], wrong.astype(int), [0]))))
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        if at_s[min(end, len(at_s) - 1)] - at_s[begin] <= _SLACK_S:
            kept[begin:end] = False
    return kept


def _setting(company: Company, key: str) -> float | None:
    series = company.series(key)
    return None if series is None or not series.is_constant or series.span[0] <= 0 else series.span[0]


def _flag(series: Series, company: Company) -> list[Finding]:
    role, found = series.signal.role, []
    starts = company.starts_seen
    changes = int(np.count_nonzero(np.diff(series.known)))
    if starts and not changes and role in ("running", "starting"):
        found.append(Finding(2.0, f"it stays {'on' if series.span[1] else 'off'} through a start"))
    if starts and not changes and role == "at_speed" and not series.span[1] and _has_fallen(company):
        found.append(Finding(1.2, "it stays off although the current has risen and fallen"))
    if changes > 4 + 4 * (starts or 0):
        found.append(Finding(2.5, f"it changes {changes} times"))
    fed = company.is_fed
    if fed is not None and role in ("running", "at_speed", "starting"):
        found += _flag_against_fed(series, fed)
    if role == "tripped" and series.span[1] and (fed is not None and np.any((series.values > 0.5) & (fed > 0.5))):
        found.append(Finding(2.0, "it is on while current flows"))
    for other, text in _EXCLUSIVE.get(role or "", ()):
        beside = company.series(other)
        if beside is None:
            continue
        both = _lasting((series.values > 0.5) & (beside.values > 0.5), series.at_s)
        if both.any():
            found.append(Finding(1.5, f"{text} at the same time as {beside.signal.name}"))
    return found


def _has_fallen(company: Company) -> bool:
    """True when a current has come down from its peak and flows on: the start is over."""
    currents = [each for key in CURRENTS if (each := company.series(key)) is not None]
    return any(0.05 < float(each.known[-1]) / each.span[1] < 0.7 for each in currents if each.span[1] > 0)


_EXCLUSIVE = {
    "starting": (("at_speed", "it is on"), ("stopping", "it is on")),
    "at_speed": (("starting", "it is on"), ("stopping", "it is on")),
    "stopping": (("starting", "it is on"),),
    "tripped": (("running", "it is on"), ("starting", "it is on")),
}


def _flag_against_fed(series: Series, fed: Floats) -> list[Finding]:
    on = series.values > 0.5
    known = ~np.isnan(series.values) & ~np.isnan(fed)
    wrong = known & on & (fed < 0.5)
    if series.signal.role == "running":
        wrong |= known & ~on & (fed > 0.5)
    wrong = _lasting(wrong, series.at_s)
    share = int(np.count_nonzero(wrong)) / max(1, int(np.count_nonzero(known)))
    if share <= 0.05:
        return _flag_moment(series, fed)
    return [Finding(0.5 + 2.5 * share, f"it does not go with the current for {100 * share:.0f} % of the time")]


def _flag_moment(series: Series, fed: Floats) -> list[Finding]:
    """`starting` comes with the current, `at_speed` after it; a start that is over in a moment cannot tell them apart."""
    begins, comes = np.flatnonzero(np.diff(fed) > 0), np.flatnonzero(np.diff(series.values) > 0)
    if not begins.size or not comes.size:
        return []
    late_s = float(series.at_s[int(comes[0]) + 1] - series.at_s[int(begins[0]) + 1])
    if series.signal.role == "starting" and late_s > 2 * _SLACK_S:
        return [Finding(1.2, f"it comes on {late_s:.1f} s after the current")]
    if series.signal.role == "at_speed" and late_s <= _SLACK_S:
        return [Finding(0.7, "it comes on with the current, not at the end of the start")]
    return []


def _power(series: Series, company: Company) -> list[Finding]:
    currents = [each.values for key in CURRENTS if (each := company.series(key)) is not None]
    voltage = company.series("voltage")
    if not currents or voltage is None:
        return []
    # The middle one of several: one wrong current must not speak against a right power.
    current_a = np.array([_median(column) for column in np.stack(currents).T])
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


def _flc(series: Series, company: Company) -> list[Finding]:
    if company.flc_a is not None:
        apart = abs(series.span[1] / company.flc_a - 1)
        return [Finding(1.5, f"the full-load current was said to be {company.flc_a:g} A")] if apart > 0.25 else []
    currents = [each for key in CURRENTS if (each := company.series(key)) is not None]
    votes = [text for each in currents if (text := _against_flc(each, series.span[1], company))]
    return [Finding(1.5, votes[0])] if currents and len(votes) > len(currents) / 2 else []


def _against_flc(series: Series, flc_a: float, company: Company) -> str:
    """Return why a current cannot be that of a motor with this full-load current, "" when it can."""
    if flc_a <= 0 or series.span[1] <= 0:
        return ""
    peak, fed = series.span[1] / flc_a, series.known[series.known > 0.05 * series.span[1]]
    steady = float(np.median(fed)) / flc_a
    # Direct on line a motor takes up to about 8 x FLC, idle it takes a fifth or more of it (common practice, no source).
    if peak > 13 or steady < 0.08:
        return f"{series.shown(series.span[1])} of {series.signal.name} is {peak:.2g} x the full-load current of {flc_a:g} A"
    if company.starts_seen and peak < 0.9:
        return f"a start takes more than {peak:.2g} x the full-load current of {flc_a:g} A"
    return ""
