"""What a watched start must show: the current rises, the status bits change in a sensible order, the counter steps by one."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from gateway.bench.company import CURRENTS, Company
from gateway.bench.series import Series

_ORDER_SLACK_S = 0.5
"""Bits and current come in different requests and are renewed at different moments."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StartCheck:
    """One check: passed, failed, or None where the record cannot tell; and what was found, in plain words."""

    name: str
    passed: bool | None
    found: str


@dataclass(frozen=True, slots=True)
class _Rise:
    """When a signal first came on after the record began, None when it did not."""

    series: Series
    at_s: float | None


def start_checks(company: Company) -> tuple[StartCheck, ...]:
    """Return what a record of a start shows, for the signals that the map has."""
    checks = [*_currents_rise(company), *_bits(company), _counter_steps(company), _voltage_stays(company)]
    return tuple(check for check in checks if check is not None)


def standing_notes(company: Company) -> tuple[str, ...]:
    """Return a note when the motor stood all the time: then 0 and off are right and wrong alike."""
    currents = [each for key in CURRENTS if (each := company.series(key)) is not None]
    if not currents or not all(each.is_silent for each in currents):
        return ()
    return ("no current flows: a motor at rest proves little, as 0 stands everywhere; verify again while it runs, or with --watch",)


def is_started(company: Company) -> float | None:
    """Return when the first start of the record began [s since its begin], by current, else by a status bit; None before one."""
    fed = company.is_fed
    if fed is not None and np.any(np.diff(fed) > 0):
        return float(_at(company)[int(np.argmax(np.diff(fed) > 0)) + 1])
    rises = [_rise(company, key).at_s for key in ("starting", "running", "command") if company.series(key) is not None]
    known = [at for at in rises if at is not None]
    return min(known) if known else None


def _at(company: Company) -> np.ndarray:
    return next(iter(company.by_key.values())).at_s


def _currents_rise(company: Company) -> list[StartCheck]:
    found = [_current_rises(each, company) for key in CURRENTS if (each := company.series(key)) is not None]
    return found or [StartCheck(name="current rises at the start and falls after it", passed=None, found="the map has no readable current")]


def _current_rises(series: Series, company: Company) -> StartCheck:
    name = f"{series.signal.name} rises at the start and falls after it"
    low, high = series.span
    if is_started(company) is None or low == high:
        return StartCheck(name=name, passed=False, found=f"it shows no start: {series.range_shown()} throughout")
    peak_at = float(series.at_s[int(np.nanargmax(series.values))])
    last = float(series.known[-1])
    text = f"from {series.shown(low)} to {series.shown(high)} at {peak_at:.1f} s, {series.shown(last)} at the end"
    if high <= 0 or low > 0.05 * high:
        return StartCheck(name=name, passed=False, found=f"{text}: it is not 0 at standstill")
    if last > 0.85 * high:
        return StartCheck(name=name, passed=None, found=f"{text}: the record ends before it falls")
    return StartCheck(name=name, passed=True, found=text)


def _rise(company: Company, key: str) -> _Rise:
    series = company.series(key)
    if series is None:
        raise ValueError(f"no series {key}")
    steps = np.flatnonzero(np.diff(series.values) > 0)
    return _Rise(series, float(series.at_s[int(steps[0]) + 1]) if steps.size else None)


def _bits(company: Company) -> list[StartCheck]:
    order = [key for key in ("command", "running", "starting", "at_speed") if company.series(key) is not None]
    if not order:
        return [StartCheck(name="status bits change in order", passed=None, found="the map has no readable status bit of a start")]
    rises = {key: _rise(company, key) for key in order}
    checks = []
    still = [key for key in order if rises[key].at_s is None]
    told = ", ".join(f"{key} at {rise.at_s:.1f} s" for key, rise in rises.items() if rise.at_s is not None)
    still_text = "".join(f"; {key} stays {'on' if rises[key].series.span[1] else 'off'}" for key in still)
    began, speed = is_started(company), rises["at_speed"].at_s if "at_speed" in rises else None
    before = [key for key in order if key != "at_speed" and (at := rises[key].at_s) is not None and began is not None and _off(at, began)]
    reached = speed is not None and began is not None and speed <= began + _ORDER_SLACK_S and len(order) > 1 and "starting" in order
    late = f"; {', '.join(before)} more than {_ORDER_SLACK_S:g} s away from the start at {began:.1f} s" if before else ""
    early = "; at_speed comes with the start itself, not at its end" if reached else ""
    fine = not still and not before and not reached
    unfinished = still == ["at_speed"] and not rises["at_speed"].series.span[1]
    verdict = None if unfinished and not before else fine
    found = f"{told or 'none came on'}{still_text}{late}{early}"
    checks.append(StartCheck(name="status bits change in order", passed=verdict, found=found))
    if "starting" in rises and speed is not None:
        checks.append(_starting_ends(rises["starting"].series, speed))
    return checks


def _off(at_s: float, began_s: float) -> bool:
    return abs(at_s - began_s) > _ORDER_SLACK_S


def _starting_ends(series: Series, speed_s: float) -> StartCheck:
    on_after = (series.values > 0.5) & (series.at_s > speed_s + _ORDER_SLACK_S)
    text = f"{series.signal.name} {'is still on' if on_after.any() else 'is off'} after at_speed at {speed_s:.1f} s"
    return StartCheck(name="starting ends when at speed", passed=not on_after.any(), found=text)


def _counter_steps(company: Company) -> StartCheck | None:
    name = "start counter steps by one"
    series = company.series("start_count")
    if series is None:
        return None
    first, last = float(series.known[0]), float(series.known[-1])
    step, starts = last - first, company.starts_seen
    text = f"{series.signal.name} from {series.shown(first)} to {series.shown(last)}"
    if starts is None or starts == 0:
        return StartCheck(name=name, passed=None if step == 0 else False, found=f"{text}, and the current shows no start")
    if starts > 1:
        name = f"start counter steps by {starts}"
    # Some devices count at the end of the ramp: a record that ends with it cannot tell.
    early = step == starts - 1 and (math.isnan(series.span[1]) or series.at_s[-1] - (is_started(company) or 0.0) < 30.0)
    passed = True if step == starts else None if early else False
    waits = ": a device may count at the end of the start, or later; watch longer" if passed is None else ""
    return StartCheck(name=name, passed=passed, found=f"{text} over {starts} start{'s' if starts > 1 else ''}{waits}")


def _voltage_stays(company: Company) -> StartCheck | None:
    series = company.series("voltage")
    if series is None or series.span[1] <= 0:
        return None
    fall = 1 - series.span[0] / series.span[1]
    text = f"{series.signal.name} {series.range_shown()}"
    return StartCheck(name="supply voltage stays", passed=fall < 0.4, found=f"{text}, lowest {100 * fall:.0f} % below highest")
