"""Sentences of the pages: the answer first, then the reason with its figure, then what to look at. Pure.

Words are plain trade English; figures in every sentence; "may", never "safe". Nothing here knows HTML.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from gateway.instants import Instant, seconds_between
from gateway.motors.facts import LoadKind, Method, Starter
from gateway.motors.reading import Quality
from gateway.motors.records import Budget, LimitName, LimitVerdict, Live, MotorState, Outcome, Start
from gateway.web.plant_time import PlantTime, age, span
from gateway.web.snapshot import MotorNow, Snapshot
from gateway.web.usual import Usual, beyond_duration, beyond_peak

_NBSP = "\u00a0"
"""Keeps "25 min to wait." on one line."""
CAUTION = "The budget is advice. It replaces no protection."

LIMIT_WORDS = {
    LimitName.SITE_STARTS_PER_HOUR: "site rule",
    LimitName.SITE_OFF_TIME: "off time",
    LimitName.STARTER_RATING: "starter rating",
    LimitName.MOTOR_DATA: "motor data",
    LimitName.NEMA_MG10: "NEMA MG 10",
    LimitName.COLD_HOT: "two cold / one hot",
    LimitName.THERMAL_CAPACITY: "heat",
}
METHOD_WORDS = {
    Method.DIRECT_ON_LINE: "direct on line",
    Method.STAR_DELTA: "star-delta",
    Method.AUTOTRANSFORMER: "autotransformer",
    Method.PRIMARY_RESISTOR: "primary resistor",
    Method.SOFT_STARTER: "soft starter",
    Method.FREQUENCY_DRIVE: "frequency drive",
}
LOAD_WORDS = {
    LoadKind.FAN: "fan",
    LoadKind.PUMP: "pump",
    LoadKind.CONVEYOR: "conveyor",
    LoadKind.COMPRESSOR: "compressor",
    LoadKind.TABLE: "motor",
}
STATE_WORDS = {
    MotorState.UNKNOWN: "not known",
    MotorState.STOPPED: "stopped",
    MotorState.STARTING: "starting",
    MotorState.RUNNING: "running",
    MotorState.STOPPING: "stopping",
    MotorState.TRIPPED: "tripped",
}
OUTCOME_WORDS = {
    Outcome.AT_SPEED: "as usual",
    Outcome.ABORTED: "cut off by a stop command",
    Outcome.STALLED: "stalled",
    Outcome.TRIPPED: "tripped",
    Outcome.UNSEEN: "counted by the starter, not seen",
}
QUALITY_WORDS = {Quality.GOOD: "good", Quality.UNCERTAIN: "uncertain", Quality.BAD: "bad"}


def counted(count: int, one: str, many: str) -> str:
    """Return a count with its noun.

    >>> counted(1, "motor", "motors"), counted(3, "motor", "motors")
    ('1 motor', '3 motors')
    """
    return f"{count} {one if count == 1 else many}"


def number(value: float | None, decimals: int, *, none: str = "—") -> str:
    """Return a figure with a true minus; a dash for what was not measured.

    >>> number(19.64, 1), number(None, 1), number(-2.0, 0)
    ('19.6', '—', '−2')
    """
    return none if value is None else f"{value:.{decimals}f}".replace("-", "−")


def percent(share: float | None) -> str:
    """Return a share of 1 in whole percent.

    >>> percent(0.764)
    '76 %'
    """
    return "—" if share is None else f"{number(share * 100.0, 0)} %"


def title_of(starter: Starter) -> str:
    """Return what the motor drives: the site's own title, else the kind of its load."""
    return starter.title or (LOAD_WORDS[starter.load.kind] if starter.load else "motor")


def power_of(starter: Starter) -> str:
    """Return the rated power as on the plate."""
    return f"{starter.motor.rated_power_kw:g} kW"


def page_sentence(snapshot: Snapshot) -> str:
    """Return the answer of the motors page."""
    total = len(snapshot.motors)
    if total == 0:
        return "No motor in the site file."
    silent = sum(1 for motor in snapshot.motors if motor.live.at is None)
    if silent == total:
        return f"No data yet from {'the motor' if total == 1 else f'any of the {total} motors'}."
    foremost = [motor.foremost for motor in snapshot.motors]
    action = sum(1 for alert in foremost if alert is not None and alert.priority == 1)
    look = sum(1 for alert in foremost if alert is not None and alert.priority == 2)
    parts = []
    if action:
        parts.append(f"{counted(action, 'motor needs', 'motors need')} action")
    if look:
        noun = ("needs" if look == 1 else "need") if action else ("motor needs" if look == 1 else "motors need")
        parts.append(f"{look} {noun} a look")
    if not parts and silent:
        return f"No data yet from {counted(silent, 'motor', 'motors')} of {total}, the others as usual."
    return f"{', '.join(parts)}." if parts else "The motor is as usual." if total == 1 else f"All {total} motors as usual."


@dataclass(frozen=True, slots=True, kw_only=True)
class NextStart:
    """The cell of the next permitted start: what is printed large, the words beside it, and whether it can be relied upon."""

    main: str
    note: str
    certain: bool = True


def limit_words(budget: Budget) -> str:
    """Return the deciding limit in words, "" when none decides."""
    return LIMIT_WORDS[budget.deciding_limit] if budget.deciding_limit is not None else ""


def _column_limit(budget: Budget, *, more: bool) -> str:
    """Return the deciding limit as the narrow column of the motors page has room for it; `more`: another word follows."""
    if budget.deciding_limit is LimitName.COLD_HOT:
        return "cold / hot"
    return "rating" if more and budget.deciding_limit is LimitName.STARTER_RATING else limit_words(budget)


def next_start(live: Live, budget: Budget, time: PlantTime) -> NextStart:
    """Return the next permitted start as the motors page shows it."""
    certain = budget.quality is Quality.GOOD
    from_stop = counts_from_stop(live, budget)
    limit = _column_limit(budget, more=from_stop or not certain)
    if budget.next_start_at is None:
        return NextStart(main="never" if certain else "not known", note=limit if certain else "no data", certain=certain)
    note = limit if certain else f"{limit}, uncertain" if limit else "uncertain"
    if budget.next_start_at > budget.as_of and from_stop:
        first = f"off first, {note}" if note else "off first"
        return NextStart(main=span(seconds_between(budget.as_of, budget.next_start_at)), note=first, certain=certain)
    if budget.next_start_at > budget.as_of:
        return NextStart(main=time.moment(budget.next_start_at, budget.as_of), note=note, certain=certain)
    if budget.starts_left is None:
        return NextStart(main="now", note=note, certain=certain)
    stopped = live.state in (MotorState.STOPPED, MotorState.TRIPPED)
    return NextStart(main=f"now, {budget.starts_left} left" if stopped else f"{budget.starts_left} left", note=note, certain=certain)


def answer(motor: MotorNow, time: PlantTime, now: Instant) -> str:
    """Return the answer sentence of the motor page."""
    live, budget = motor.live, motor.budget
    if budget.next_start_at is None:
        if budget.quality is Quality.BAD:
            since = live.last_good_at
            return "Not known when: no data yet." if since is None else f"Not known when: no data since {time.moment(since, now)}."
        return f"No start is permitted: {limit_words(budget) or 'a limit'} as set."
    likely = "" if budget.quality is Quality.GOOD else ", uncertain"
    if budget.next_start_at > budget.as_of and counts_from_stop(live, budget):
        wait = span(seconds_between(budget.as_of, budget.next_start_at))
        return f"Running. Once stopped, may be started again after {wait}{likely}."
    if budget.next_start_at > budget.as_of:
        return f"May be started again at {time.moment(budget.next_start_at, now)}{likely}."
    left = "" if budget.starts_left is None else f", {budget.starts_left} left"
    if turning(live):
        more = "another start" if budget.starts_left is None else counted(budget.starts_left, "more start", "more starts")
        return f"{sentence(STATE_WORDS[live.state])} {sentence(more)[:-1]} may follow{likely}."
    return f"May be started now{left}{likely}."


def counts_from_stop(live: Live, budget: Budget) -> bool:
    """Return whether the wait for the next start begins with a stop that is still to come (an off time, cooling at standstill)."""
    deciding = deciding_verdict(budget)
    return turning(live) and deciding is not None and any(since >= budget.as_of for since, _ in deciding.holds)


def deciding_verdict(budget: Budget) -> LimitVerdict | None:
    """Return the verdict of the deciding limit."""
    return next((verdict for verdict in budget.limits if verdict.limit is budget.deciding_limit), None)


def turning(live: Live) -> bool:
    """Return whether the motor turns."""
    return live.state in (MotorState.STARTING, MotorState.RUNNING, MotorState.STOPPING)


def explanation(live: Live, budget: Budget, now: Instant) -> str:
    """Return the reason of the answer: one limit only, with its figure, and how long to wait."""
    if budget.next_start_at is None and budget.quality is Quality.BAD:
        return sentence(budget.reason or "no usable reading")
    deciding = deciding_verdict(budget)
    if deciding is None:
        return "No limit is set for this motor: give motor data, a starter rating or a site rule in the site file."
    said = f"The {LIMIT_WORDS[deciding.limit]} decides: {deciding.reason.rstrip('.')}." if deciding.reason else ""
    waits = budget.next_start_at is not None and budget.next_start_at > budget.as_of and not counts_from_stop(live, budget)
    to_wait = f"{span(seconds_between(now, budget.next_start_at))} to wait." if waits and budget.next_start_at is not None else ""
    wait = f" {to_wait.replace(' ', _NBSP)}" if to_wait else ""
    doubtful = [LIMIT_WORDS[verdict.limit] for verdict in budget.limits if not verdict.certain and verdict is not deciding]
    doubt = f" Not certain either: {', '.join(doubtful)}." if doubtful and not deciding.certain else ""
    doubt = f" Not certain: {', '.join(doubtful)}." if doubtful and deciding.certain else doubt
    return f"{said}{wait}{doubt}".strip()


def capital(words: str) -> str:
    """Return words with a capital first.

    >>> capital("no data for 46 s")
    'No data for 46 s'
    """
    return f"{words[:1].upper()}{words[1:]}"


def with_error(value: float | None, error: float | None, decimals: int) -> str:
    """Return a figure no finer than its error: the half width is written where it reaches five of the last decimal shown.

    >>> with_error(16.52, 0.1, 1), with_error(16.52, 7.56, 1), with_error(162.5, 59.7, 0), with_error(None, None, 1)
    ('16.5', '17 ± 8', '162 ± 60', '—')
    """
    if value is None or error is None or error < 5.0 * 10.0**-decimals:
        return number(value, decimals)
    shown = max(0, decimals - 1)
    return f"{number(value, shown)} ± {number(math.ceil(error * 10**shown) / 10**shown, shown)}"


def with_signs(text: str) -> str:
    """Return text with the signs of the pages; the core and the command line keep to plain letters.

    >>> with_signs("I2t of starts grows: 31 to 42 FLC2 s"), with_signs("limit 1.1 x FLC")
    ('I²t of starts grows: 31 to 42 FLC² s', 'limit 1.1 × FLC')
    """
    return re.sub(r"(?<=\d) x(?=[ ,.])", " ×", text).replace("FLC2 s", "FLC² s").replace("FLC2s", "FLC² s").replace("I2t", "I²t")


def sentence(words: str) -> str:
    """Return words as a sentence: capital first, full stop last.

    >>> sentence("no link")
    'No link.'
    """
    words = words.strip()
    return f"{words[:1].upper()}{words[1:].rstrip('.')}." if words else ""


def look_first(motor: MotorNow, usual: Usual) -> str:
    """Return what to look at, "" when nothing calls for it."""
    alert = motor.foremost
    start = motor.live.last_start
    if alert is not None and alert.advice:
        return f"Look first: {alert.advice.rstrip('.')}."
    if start is None or start.outcome is Outcome.UNSEEN:
        return ""
    if start.outcome is not Outcome.AT_SPEED:
        return f"Look first: the last start was {OUTCOME_WORDS[start.outcome]} after {number(start.duration_s, 1)} s."
    if beyond_duration(start, usual) or beyond_peak(start, usual):
        return f"Look first: the last start took {start_verdict(start, usual)}."
    return ""


def start_verdict(start: Start, usual: Usual) -> str:
    """Return what is to be said of a start in the ledger."""
    if start.outcome is not Outcome.AT_SPEED:
        return OUTCOME_WORDS[start.outcome]
    if beyond_duration(start, usual) and usual.duration_s is not None:
        return f"{number(start.duration_s, 1)} s, usual {number(usual.duration_s.low, 1)} to {number(usual.duration_s.high, 1)} s"
    if beyond_peak(start, usual) and usual.peak_ratio is not None:
        low, high = number(usual.peak_ratio.low, 2), number(usual.peak_ratio.high, 2)
        return f"peak {number(start.peak_ratio, 2)} × FLC, usual {low} to {high}"
    return OUTCOME_WORDS[Outcome.AT_SPEED] if usual.count >= 5 else "at speed"


def limit_cell(verdict: LimitVerdict, budget: Budget, time: PlantTime, *, turns: bool = False) -> tuple[str, str]:
    """Return the right-hand cell of a limit's row: its next time or "now", and below it the starts left or "decides".

    turns: the motor runs, so a wait that begins with its stop is a duration; a clock time for it would move on as it is read.
    """
    decides = verdict.limit is budget.deciding_limit
    if verdict.next_start_at is None:
        main = "not known" if not verdict.certain else "never"
    elif turns and any(since >= budget.as_of for since, _ in verdict.holds):
        said = ", ".join(["after the stop", *(["decides"] if decides else []), *([] if verdict.certain else ["uncertain"])])
        return span(seconds_between(budget.as_of, verdict.next_start_at)), said
    elif verdict.next_start_at > budget.as_of:
        main = time.moment(verdict.next_start_at, budget.as_of)
    else:
        main = "now"
    if main == "not known":
        return main, ""
    left = "" if verdict.starts_left is None else f"{verdict.starts_left} left"
    below = ", ".join(part for part in ("decides" if decides else "", left if main == "now" or not decides else "") if part)
    return main, below if verdict.certain else f"{below}, uncertain".lstrip(", ")


def now_line(live: Live, now: Instant, time: PlantTime, *, stale: bool) -> str:
    """Return the motor's state, current, heat and freshness in one line."""
    doubt = "" if live.heat_quality is Quality.GOOD else " uncertain"
    heat = f"heat {percent(live.heat)}{doubt}" if live.heat is not None else "heat not known"
    if stale:
        return f"{freshness(live, now, time)}; {heat}"
    since = "" if live.state_since is None else f" since {time.moment(live.state_since, now)}"
    current = f"; {number(live.current_ratio, 2)} × FLC" if turning(live) and live.current_ratio is not None else ""
    return f"{STATE_WORDS[live.state]}{since}{current}; {heat}; {freshness(live, now, time)}"


def freshness(live: Live, now: Instant, time: PlantTime) -> str:
    """Return age and quality of a motor's data: "data 2 s old, good", "no data since 13:58: no link"."""
    reason = f": {live.reason}" if live.reason else ""
    if live.last_good_at is None:
        return f"no data yet{reason}"
    if live.quality is Quality.BAD:
        return f"no data since {time.moment(live.last_good_at, now)}{reason}"
    doubt = "good" if live.quality is Quality.GOOD else f"uncertain{reason}"
    return f"data {age(live.last_good_at, now)} old, {doubt}"
