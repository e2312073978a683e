"""The starter's own rating: how often its semiconductors may carry a start (IEC 60947-4-2, index text in `rating_index`).

Type b: the next start may begin OFF seconds after the end of the last one; the motor may run on the bypass meanwhile, so running does not
matter. Type a: starts are evenly spaced, so the next one may begin a cycle (3600 / S seconds) after the begin of the last one, and the
motor must have been off for the off part of the cycle, (1 - F/100) cycle.

A start heavier than the rated one (more I2t than X^2 Tx on the base of Ie) lengthens both in proportion to its I2t. That keeps the r.m.s.
loading of the semiconductors at the rated one; it is an estimate, the standard gives no such rule, and it is said so.
The rating spaces starts and does not count them, so its verdict has no starts left.
Valid for: starts at the rated ambient temperature and a starter that carries the line current (not one inside the delta).
"""

from __future__ import annotations

from gateway.instants import Instant, after, seconds_between
from gateway.motors.facts import Starter
from gateway.motors.history import History, StartMark
from gateway.motors.rating_index import RatingIndex, parse_rating
from gateway.motors.records import LimitName, LimitVerdict
from gateway.motors.verdicts import HOUR_S, hidden_starts, judged, marks_until, off_since, start_under_way, verdict_of
from gateway.motors.wording import duration_words


def verdict(starter: Starter, history: History, at: Instant) -> LimitVerdict | None:
    """Return the verdict of the starter's rating, None when it has none.

    >>> from gateway.motors.history import HeatState, LearnedStart
    >>> from gateway.motors.facts import MotorData, StarterData
    >>> from gateway.motors.records import MotorState, Outcome
    >>> motor = MotorData(rated_power_kw=45, rated_voltage_v=400, flc_a=80)
    >>> fan = Starter(name="F-101", motor=motor, device=StarterData(rating="80 A: AC-53b: 3-10: 350"))
    >>> last = StartMark(began_at=0, ended_at=10_000_000, outcome=Outcome.AT_SPEED, winding_i2t_flc2s=72.0)
    >>> learned = LearnedStart(count=1, heat=0.1, winding_i2t_flc2s=72.0, duration_s=10.0, estimated=False)
    >>> now = 100_000_000
    >>> heat = HeatState(at=now, nodes=(0.0, 0.0))
    >>> history = History(at=now, state=MotorState.RUNNING, marks=(last,), off_since=None, heat=heat, learned=learned)
    >>> said = verdict(fan, history, now)
    >>> said.wait_s, said.reason
    (260.0, '90 s since the last start, rated 5 min 50 s')
    """
    text = starter.device.rating
    if text is None:
        return None
    source = f"starter rating {text}, IEC 60947-4-2"
    try:
        rating = parse_rating(text)
    except ValueError as refusal:
        return verdict_of(LimitName.STARTER_RATING, source, at, None, "the rating cannot be read", doubt=str(refusal))
    marks = marks_until(history, at)
    hidden = hidden_starts(starter, history, at, rating.cycle_s, 1)
    since, next_at, reason, doubt = _next_start(rating, starter, history, marks, at)
    for end in hidden.begins:
        if after(end, rating.cycle_s) > next_at:
            next_at, doubt = after(end, rating.cycle_s), hidden.reason
    said = verdict_of(
        LimitName.STARTER_RATING,
        source,
        at,
        next_at,
        reason,
        allowed=rating.starts_per_hour,
        used=sum(1 for mark in marks if mark.began_at > after(at, -HOUR_S)),
        holds=((since, next_at),) if next_at > at else (),
        doubt=doubt,
    )
    return judged(said, starter, history)


def severity(rating: RatingIndex, starter: Starter, winding_i2t_flc2s: float) -> float:
    """Return the I2t of a start as a multiple of the rated start's, both on the base of Ie.

    Ie is the one of the index, else the device's rated current, else the motor's full-load current.

    >>> from gateway.motors.facts import MotorData
    >>> fan = Starter(name="F-101", motor=MotorData(rated_power_kw=45, rated_voltage_v=400, flc_a=80))
    >>> severity(parse_rating("160 A: AC-53b: 3-10: 350"), fan, 720.0)   # 720 FLC2s are 180 Ie2s, rated 90
    2.0
    """
    ie_a = rating.ie_a or starter.device.rated_current_a or starter.motor.flc_a
    return winding_i2t_flc2s * (starter.motor.flc_a / ie_a) ** 2 / rating.i2t_ie2s


def _next_start(
    rating: RatingIndex, starter: Starter, history: History, marks: tuple[StartMark, ...], at: Instant
) -> tuple[Instant, Instant, str, str]:
    """Return since when the rating holds the next start, until when, why, and what is not certain of it."""
    holds_since = marks[-1].began_at if marks else at
    next_at, reason, doubt = at, f"rested as rated after the last start, {duration_words(rating.rest_s)}", ""
    under_way = start_under_way(history)
    for mark in marks:
        i2t = mark.winding_i2t_flc2s
        # The cost of a start is known at its end only: until then, and for one not seen, it is taken as no less than the learned one.
        cost = i2t if i2t is not None and mark is not under_way else max(i2t or 0.0, history.learned.winding_i2t_flc2s)
        factor = max(1.0, severity(rating, starter, cost))
        ended_at = max(mark.ended_at, at) if mark is under_way else mark.ended_at
        since, rest_s = (mark.began_at, rating.cycle_s * factor) if rating.kind == "a" else (ended_at, rating.rest_s * factor)
        permitted = after(since, rest_s)
        if permitted < next_at:
            continue
        next_at = permitted
        reason = f"{duration_words(seconds_between(since, at))} since the last start, rated {duration_words(rest_s)}"
        if factor > 1.0:
            reason += f" (estimate: that start carried {factor:.2g} x the rated I2t)"
        doubt = "" if mark.seen else "the last start was not seen"
    if rating.kind == "a" and rating.rest_s > 0.0:
        since_off, off_doubt = off_since(starter, history, at)
        counts_from = at if since_off is None else since_off
        rested = after(counts_from, rating.rest_s)
        if rested > next_at:
            holds_since, next_at, doubt = counts_from, rested, off_doubt
            reason = f"off part of the rated cycle {duration_words(rating.rest_s)}, counts from the stop"
    return holds_since, next_at, reason, doubt
