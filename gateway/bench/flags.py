"""What the status bits of a starter say about each other and about the current."""

from __future__ import annotations

import numpy as np

from gateway.bench.company import CURRENTS, SLACK_S, Company, lasting
from gateway.bench.expectations import Finding
from gateway.bench.series import Floats, Series

FLAGS = ("command", "starting", "at_speed", "running", "stopping", "tripped")


def flag_findings(series: Series, company: Company) -> list[Finding]:
    """Return what speaks against a status bit beside the other signals."""
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
        both = lasting((series.values > 0.5) & (beside.values > 0.5), series.at_s)
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
    wrong = lasting(wrong, series.at_s)
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
    if series.signal.role == "starting" and late_s > 2 * SLACK_S:
        return [Finding(1.2, f"it comes on {late_s:.1f} s after the current")]
    if series.signal.role == "at_speed" and late_s <= SLACK_S:
        return [Finding(0.7, "it comes on with the current, not at the end of the start")]
    return []
