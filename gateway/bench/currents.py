"""What the currents of a starter say about each other, about the status bits, and about the motor's full-load current."""

from __future__ import annotations

import numpy as np

from gateway.bench.company import CURRENTS, Company, lasting, middle
from gateway.bench.expectations import Finding
from gateway.bench.series import Series


def current_findings(series: Series, company: Company) -> list[Finding]:
    """Return what speaks against a current beside the other signals."""
    found = _phase(series, company)
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
        always_on = running.known.size > 0 and bool(running.span[0])
        return [Finding(0.8, f"no current flows although {running.signal.name} is on")] if series.is_silent and always_on else []
    flows = series.values > max(0.05 * series.span[1], 0.02)
    wrong = lasting(both & (flows != (running.values > 0.5)), series.at_s)
    share = np.count_nonzero(wrong) / np.count_nonzero(both)
    if share < 0.1:
        return []
    if share > 0.9 and running.is_constant:
        return [Finding(0.8, f"current flows although {running.signal.name} is off")] if not running.span[1] else []
    return [Finding(0.5 + 2.5 * float(share), f"it does not go with {running.signal.name} for {100 * share:.0f} % of the time")]


def _phase(series: Series, company: Company) -> list[Finding]:
    others = [each.values for key in CURRENTS if key != series.signal.key and (each := company.series(key)) is not None]
    if not others:
        return []
    usual = middle(others)
    level = float(np.nanmax(usual)) if np.any(~np.isnan(usual)) else 0.0
    told = (usual > 0.2 * level) & ~np.isnan(series.values) & (usual > 0)
    if level > 0 and told.any():
        # A wrong reading beside it may be next to nothing.
        with np.errstate(over="ignore"):
            apart = float(np.median(np.abs(series.values[told] - usual[told]) / usual[told]))
        if apart > 0.3:
            text = f"it differs from the other currents by {100 * apart:.0f} %" if apart < 9 else f"it is {apart:.2g} x the other currents"
            return [Finding(min(3.0, 1.5 + apart / 4), text)]
    elif level == 0 and series.span[1] > 0.5:
        return [Finding(1.5, f"the other currents are 0 and this one is {series.range_shown()}")]
    return []


def _setting(company: Company, key: str) -> float | None:
    series = company.series(key)
    return None if series is None or not series.is_constant or series.span[0] <= 0 else series.span[0]


def flc_findings(series: Series, company: Company) -> list[Finding]:
    """Return what speaks against a full-load current setting beside the currents."""
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
