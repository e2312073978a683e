"""One start held against the rating of its starter (IEC 60947-4-2, index text in `rating_index`): what it exceeded.

    peak          largest current, noise left out, above X Ie
    time          I2t above X^2 Tx: the same heat as X Ie for longer than Tx (a longer start at less current may well be within it)
    off time      type b: fewer than OFF seconds since the end of the start before; the motor may have run on the bypass meanwhile
                  type a: the motor was off for less than the off part of the cycle before it
    rate          type a: more than S starts in the hour that ends with its begin
    on-load       type a: on for more than F of the hour before its begin

A figure is exceeded for certain when it is so by more than its error band; else it only may be. Valid as the rating is: at its ambient
temperature, for a starter that carries the line current. Where stops are not known, what rests on them is not judged.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from gateway.instants import SECOND, Instant, seconds_between
from gateway.motors.facts import Starter
from gateway.motors.rating_index import RatingIndex
from gateway.motors.records import Outcome, Start, Stop
from gateway.motors.verdicts import HOUR_S


class Exceeded(StrEnum):
    """What a start can exceed."""

    PEAK = "peak"
    TIME = "time"
    OFF_TIME = "off_time"
    RATE = "rate"
    ON_LOAD = "on_load"


@dataclass(frozen=True, slots=True, kw_only=True)
class RatingFinding:
    """One thing that a start exceeded: found and allowed in `unit`; `certain` False when the error band reaches down to what is allowed."""

    what: Exceeded
    found: float
    allowed: float
    unit: str
    certain: bool = True


def check_start(
    rating: RatingIndex, starter: Starter, start: Start, earlier: Sequence[Start], stops: Sequence[Stop]
) -> tuple[RatingFinding, ...]:
    """Return what a start exceeded of its starter's rating.

    earlier: starts before it, oldest first, an hour or a cycle back at least; stops: of the same time. Unseen ones are taken at the end of
    their gap.

    >>> from gateway.motors.facts import MotorData
    >>> from gateway.motors.rating_index import parse_rating
    >>> fan = Starter(name="F-101", motor=MotorData(rated_power_kw=45, rated_voltage_v=400, flc_a=80))
    >>> start = Start(number=1, began_at=0, ended_at=12_000_000, outcome=Outcome.AT_SPEED, steady_peak_current_a=300.0, i2t_a2s=9e5)
    >>> rating = parse_rating("80 A: AC-53b: 3.5-15: 345")
    >>> [(found.what.value, found.found, found.allowed) for found in check_start(rating, fan, start, (), ())]
    [('peak', 3.75, 3.5)]
    """
    ie_a = rating.ie_a or starter.device.rated_current_a or starter.motor.flc_a
    found = [_peak(rating, start, ie_a), _time(rating, start, ie_a)]
    before = [other for other in earlier if other.number != start.number and _placed_at(other) <= start.began_at]
    if rating.kind == "b":
        found.append(_off_time_b(rating, start, before))
    else:
        found += [_rate(rating, start, before), *_duty(rating, start, before, stops)]
    return tuple(finding for finding in found if finding is not None)


def _peak(rating: RatingIndex, start: Start, ie_a: float) -> RatingFinding | None:
    peak_a = start.steady_peak_current_a if start.steady_peak_current_a is not None else start.peak_current_a
    if peak_a is None:
        return None
    # The band of a peak reaches upwards only: what was sampled has flowed.
    return RatingFinding(what=Exceeded.PEAK, found=peak_a / ie_a, allowed=rating.x, unit="x Ie") if peak_a > rating.x * ie_a else None


def _time(rating: RatingIndex, start: Start, ie_a: float) -> RatingFinding | None:
    if start.i2t_a2s is None:
        return None
    time_s = start.i2t_a2s / (rating.x * ie_a) ** 2
    certain = time_s * (1.0 - (start.i2t_error_pct or 0.0) / 100.0) > rating.tx_s
    return RatingFinding(what=Exceeded.TIME, found=time_s, allowed=rating.tx_s, unit="s", certain=certain) if time_s > rating.tx_s else None


def _off_time_b(rating: RatingIndex, start: Start, before: Sequence[Start]) -> RatingFinding | None:
    if not before:
        return None
    last = max(before, key=lambda other: other.ended_at)
    off_s = seconds_between(last.ended_at, start.began_at)
    if off_s >= rating.rest_s:
        return None
    certain = last.outcome is not Outcome.UNSEEN and start.outcome is not Outcome.UNSEEN
    return RatingFinding(what=Exceeded.OFF_TIME, found=max(0.0, off_s), allowed=rating.rest_s, unit="s", certain=certain)


def _rate(rating: RatingIndex, start: Start, before: Sequence[Start]) -> RatingFinding | None:
    since = start.began_at - round(HOUR_S * SECOND)
    within = [other for other in before if _placed_at(other) > since]
    count = 1 + len(within)
    if count <= rating.starts_per_hour:
        return None
    certain = 1 + sum(1 for other in within if other.outcome is not Outcome.UNSEEN) > rating.starts_per_hour
    return RatingFinding(what=Exceeded.RATE, found=float(count), allowed=rating.starts_per_hour, unit="per hour", certain=certain)


def _duty(rating: RatingIndex, start: Start, before: Sequence[Start], stops: Sequence[Stop]) -> list[RatingFinding | None]:
    ended = [stop.ended_at for stop in stops if stop.ended_at <= start.began_at]
    ended += [other.ended_at for other in before if other.outcome not in (Outcome.AT_SPEED, Outcome.UNSEEN)]
    if not ended:
        return []
    off_s = seconds_between(max(ended), start.began_at)
    since: Instant = start.began_at - round(HOUR_S * SECOND)
    runs = [
        (stop.run_began_at, stop.ended_at) for stop in stops if stop.run_began_at is not None and since < stop.ended_at <= start.began_at
    ]
    runs += [(other.began_at, other.ended_at) for other in before if other.outcome not in (Outcome.AT_SPEED, Outcome.UNSEEN)]
    on_s = sum(seconds_between(max(since, begin), end) for begin, end in runs if begin is not None and end > since)
    on_pct, allowed_pct = 100.0 * on_s / HOUR_S, rating.on_load_pct or 100.0
    return [
        RatingFinding(what=Exceeded.OFF_TIME, found=off_s, allowed=rating.rest_s, unit="s") if off_s < rating.rest_s else None,
        RatingFinding(what=Exceeded.ON_LOAD, found=on_pct, allowed=allowed_pct, unit="%") if on_pct > allowed_pct else None,
    ]


def _placed_at(start: Start) -> Instant:
    return start.ended_at if start.outcome is Outcome.UNSEEN else start.began_at
