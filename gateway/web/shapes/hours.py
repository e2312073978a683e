"""Starts in each hour, day by day: the digit is the count, greyer is more, over the rule is coloured, dashed with ? was not seen."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from markupsafe import Markup

from gateway.instants import Instant
from gateway.motors.records import Outcome, Start
from gateway.web.plant_time import PlantTime
from gateway.web.shapes import svg
from gateway.web.shapes.scales import midnight

DAYS = 7
_LEFT, _CELL, _ROW, _TOP = 74.0, 13.4, 21.0, 18.0
WIDTH = _LEFT + 24 * _CELL + 1.0
Counts = Counter[tuple[int, int]]
"""Starts by (days back, local hour)."""


def hour_counts(starts: Sequence[Start], time: PlantTime, now: Instant, days: int = DAYS) -> tuple[Counts, Counts]:
    """Return the seen and the unseen starts of the last days by day and local hour; an unseen start counts where its gap ended."""
    today = time.local(now).date()
    seen: Counts = Counter()
    unseen: Counts = Counter()
    for start in starts:
        missed = start.outcome is Outcome.UNSEEN
        moment = time.local(start.ended_at if missed else start.began_at)
        back = (today - moment.date()).days
        if 0 <= back < days:
            (unseen if missed else seen)[(back, moment.hour)] += 1
    return seen, unseen


def hours_map(starts: Sequence[Start], time: PlantTime, now: Instant, rule: int | None, days: int = DAYS) -> Markup:
    """Return the map of the last days, newest day on top; `rule` is the site's starts per hour."""
    seen, unseen = hour_counts(starts, time, now, days)
    parts = [svg.text(_LEFT + hour * _CELL + 6.7, 12, f"{hour:02d}", anchor="middle") for hour in range(0, 24, 3)]
    present = time.local(now).hour
    for back in range(days):
        y = _TOP + back * _ROW
        parts.append(svg.text(0, y + 14, time.day(midnight(time, now, back))))
        for hour in range(24):
            x = _LEFT + hour * _CELL
            if back == 0 and hour > present:
                parts.append(svg.path(f"M{svg.figure(x + 3)} {svg.figure(y + 10)}h7", "g1"))
            else:
                parts.append(_cell(x, y, seen[(back, hour)], unseen[(back, hour)], rule))
    total = sum(seen.values()) + sum(unseen.values())
    return svg.picture(WIDTH, _TOP + days * _ROW, f"starts in each hour of the last {days} days, {total} in all", parts, "hours")


def busiest_hour(starts: Sequence[Start], time: PlantTime, now: Instant, days: int = DAYS) -> str:
    """Return the map in words: all starts of its days, and the hour with most of them."""
    seen, unseen = hour_counts(starts, time, now, days)
    both = seen + unseen
    total = sum(both.values())
    if not total:
        return f"No start in these {days} days."
    # Of equally busy hours the latest is named.
    (back, hour), most = max(both.items(), key=lambda each: (each[1], -each[0][0], each[0][1]))
    day = "today" if back == 0 else time.day(midnight(time, now, back))
    missed = f", {sum(unseen.values())} of them not seen" if unseen else ""
    return f"{total} in {days} days{missed}; most in one hour: {most}, {day} {hour:02d}:00 to {hour:02d}:59."


def _cell(x: float, y: float, seen: int, unseen: int, rule: int | None) -> str:
    width, height = _CELL - 0.8, _ROW - 2.0
    count = seen + unseen
    if count == 0:
        return svg.rect(x, y, width, height, "dm z")
    over = rule is not None and count > rule
    words = "?" if not seen else str(count) if count < 100 else "99"
    css = "dm over" if over else "dm unseen" if unseen else "dm n2" if count > 1 else "dm"
    return svg.rect(x, y, width, height, css) + svg.text(x + width / 2, y + 14, words, f"c{' over' if over else ''}", "middle")
