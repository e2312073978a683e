"""What a report says of one motor, and the words that all its parts share. Pure."""

from __future__ import annotations

from collections import Counter

from gateway.instants import Instant, seconds_between
from gateway.motors.facts import Starter
from gateway.motors.records import LimitName, Outcome, Start
from gateway.motors.starts_table import allowed_for
from gateway.web.plant_time import PlantTime, span
from gateway.web.reports.breaches import Breach
from gateway.web.reports.content import WITHIN, LimitLine, MotorReport, Report
from gateway.web.reports.figures import CHANGE_TOLERANCE, FEWEST_TO_CHANGE, Change, Figure
from gateway.web.usual import FEWEST_STARTS, TOLERANCE, USUAL_STARTS
from gateway.web.words import LIMIT_WORDS, counted, number, percent, sentence, start_verdict, with_error

CAUTION = "Advice only: it replaces no protection, no interlock and no maker's data. Panel work needs isolation and licensed people."
FULL = 0.9995
"""Share from which "100 %" is no overstatement at the decimals shown."""


def period_words(report: Report, time: PlantTime) -> str:
    """Return "Thu 5 Mar 2026 00:00 to Thu 12 Mar 2026 00:00 (Europe/London, UTC+00:00)"; both offsets where the clock changed between."""
    first, last = report.period.from_at, report.period.to_at
    zones = dict.fromkeys((time.zone_text(first), time.zone_text(last)))
    return f"{moment(first, time)} to {moment(last, time)} ({' to '.join(zones)})"


def moment(at: Instant, time: PlantTime) -> str:
    """Return "Thu 12 Mar 2026 14:07"."""
    return f"{time.date(at)} {time.clock(at)}"


def stamp(at: Instant, time: PlantTime) -> str:
    """Return "12 Mar 14:07:01": inside a period the year goes without saying."""
    return f"{time.date(at)[4:].rsplit(' ', 1)[0]} {time.seconds(at)}"


def share_words(share: float) -> str:
    """Return a coverage in percent, never rounded up to the whole.

    >>> share_words(1.0), share_words(0.9998), share_words(0.9994), share_words(0.5)
    ('100 %', '100 %', '99.9 %', '50.0 %')
    """
    return "100 %" if share >= FULL else f"{int(share * 1000) / 10:.1f} %"


def not_at_speed(motor: MotorReport) -> int:
    """Return how many starts were cut off, stalled or tripped."""
    return sum(motor.counts[kind] for kind in (Outcome.ABORTED, Outcome.STALLED, Outcome.TRIPPED))


def cut_words(motor: MotorReport) -> list[str]:
    """Return how many starts did not reach speed, by how they ended."""
    kinds = ((Outcome.ABORTED, "cut off"), (Outcome.STALLED, "stalled"), (Outcome.TRIPPED, "tripped"))
    return [f"{motor.counts[kind]} {word}" for kind, word in kinds if motor.counts[kind]]


def length_words(length_s: float) -> str:
    """Return the length of a period: days and whole hours.

    >>> length_words(7 * 86400), length_words(6.4 * 86400), length_words(5 * 3600), length_words(90)
    ('7 days', '6 days 10 h', '5 h', '90 s')
    """
    days, hours = divmod(round(length_s / 3600), 24)
    if not days:
        return span(length_s)
    return counted(days, "day", "days") + (f" {hours} h" if hours else "")


def times(count: int) -> str:
    """Return "once", "2 times"."""
    return "once" if count == 1 else f"{count} times"


def change_words(change: Change) -> str:
    """Return a change: what, how much, what was usual."""
    usual = f"{number(change.usual.low, change.decimals)} to {number(change.usual.high, change.decimals)}"
    value = with_error(change.median, change.error, change.decimals)
    share = f"{100 * change.share:+.0f} %".replace("-", "−")
    return f"{change.name} in the middle {value} {change.unit}, before {usual} {change.unit} ({share})"


def motor_sentence(motor: MotorReport) -> str:
    """Return the answer of a motor's page."""
    if not motor.starts:
        return "No start in the period."
    parts = [counted(len(motor.starts), "start", "starts")]
    parts += cut_words(motor)
    slow = len(motor.beyond) - not_at_speed(motor)
    if slow:
        parts.append(f"{slow} longer or higher than usual")
    if motor.unseen:
        parts.append(f"{motor.unseen} not seen")
    early = len({breach.number for breach in motor.breaches})
    if early:
        parts.append(f"{early} before a limit permitted it")
    if motor.changes:
        parts.append(f"{motor.changes[0].name} has changed")
    return f"{', '.join(parts)}."


def usual_words(motor: MotorReport) -> str:
    """Return from what the usual was taken."""
    if motor.usual.duration_s is None:
        return f"Too few good starts to tell what is usual: {motor.usual.count}, {FEWEST_STARTS} are needed."
    where = "the starts of the period itself, since there are too few before it" if motor.usual_from == WITHIN else motor.usual_from
    return f"Usual is taken from {motor.usual.count} good starts: {where}."


def figure_cells(figure: Figure) -> tuple[str, str, str, str, str]:
    """Return a figure's cells: 10th percentile to 90th, median, largest with its start, error, usual before."""
    places = figure.decimals
    spread = "—" if figure.low is None else f"{number(figure.low, places)} to {number(figure.high, places)}"
    largest = "—" if figure.largest is None else f"{number(figure.largest, places)} (start {figure.largest_number})"
    error = "" if figure.error is None else f"± {number(figure.error, error_places(figure))}"
    usual = "—" if figure.usual is None else f"{number(figure.usual.low, places)} to {number(figure.usual.high, places)}"
    return spread, number(figure.median, places), largest, error, usual


def error_places(figure: Figure) -> int:
    """Return the decimals of an error: two digits that matter at most."""
    return figure.decimals + 1 if figure.error is not None and figure.error < 10.0**-figure.decimals else figure.decimals


def limit_says(line: LimitLine, starter: Starter) -> str:
    """Return what a limit permits, in words."""
    limits, motor = starter.limits, starter.motor
    match line.limit:
        case LimitName.SITE_STARTS_PER_HOUR:
            return f"at most {counted(limits.starts_per_hour or 0, 'start', 'starts')} in any 60 min"
        case LimitName.SITE_OFF_TIME:
            return f"off for {span(limits.off_time_s or 0.0)} before a start"
        case LimitName.STARTER_RATING:
            return "rest between starts as rated"
        case LimitName.MOTOR_DATA:
            rate = "" if motor.starts_per_hour is None else f"{motor.starts_per_hour:g} starts an hour"
            cold = "" if motor.cold_starts is None else f"{motor.cold_starts} from cold"
            hot = "" if motor.hot_starts is None else f"{motor.hot_starts} from hot"
            return ", ".join(part for part in (rate, cold, hot) if part)
        case LimitName.NEMA_MG10:
            table = allowed_for(starter)
            return "" if table is None else f"{table.starts_per_hour:.3g} starts an hour, off for {span(table.off_time_s)} before a start"
        case LimitName.COLD_HOT:
            return "two starts from cold, one from hot"
    return "at most 100 % of the thermal capacity used"


def limit_kept(line: LimitLine) -> str:
    """Return how the period stood against a limit."""
    if not line.breaches:
        return "kept"
    return f"not kept {times(len(line.breaches))}"


def breach_words(breach: Breach) -> str:
    """Return which limit a start came too early for, and how much."""
    early = "" if breach.early_s is None else f" by {span(breach.early_s)}"
    return f"{LIMIT_WORDS[breach.limit]}{early}"


def remark_of(motor: MotorReport, start: Start) -> str:
    """Return what is to be said of one start: its verdict, the limits that did not permit it, and doubts of the record."""
    early = [breach_words(breach) for breach in motor.breaches if breach.number == start.number]
    own = [f"too early for {', '.join(early)}"] if early else []
    verdict = start_verdict(start, motor.usual)
    said = [verdict] if start in motor.beyond or not own else []
    return "; ".join([*said, *own, *([start.remark] if start.remark else [])])


def listed_starts(motor: MotorReport, at_most: int) -> tuple[tuple[Start, ...], int]:
    """Return the starts to look at, in order, and how many more there are: those cut off first, then not as usual, then not permitted by
    most limits, then not seen."""
    limits = Counter(breach.number for breach in motor.breaches)
    beyond = {start.number for start in motor.beyond}
    found = [s for s in motor.starts if s.outcome is Outcome.UNSEEN or s.number in beyond or s.number in limits]
    cut = (Outcome.STALLED, Outcome.TRIPPED, Outcome.ABORTED)
    ranked = sorted(found, key=lambda s: (s.outcome not in cut, s.number not in beyond, -limits[s.number], s.number))
    return tuple(sorted(ranked[:at_most], key=lambda s: s.number)), max(0, len(found) - at_most)


def start_cells(start: Start, time: PlantTime) -> tuple[str, str, str, str, str, str]:
    """Return a start's cells: number, begin, duration, peak, I2t, heat before and after."""
    began = stamp(start.began_at, time)
    if start.outcome is Outcome.UNSEEN:
        began = f"{began[:-3]} to {stamp(start.ended_at, time)[:-3]}"
    i2t_error = None if start.i2t_flc2s is None or start.i2t_error_pct is None else start.i2t_flc2s * start.i2t_error_pct / 100.0
    before, later = start.heat_before, start.heat_after
    heat = "—" if before is None or later is None else f"{100 * before:.0f} to {100 * later:.0f}"
    return (
        str(start.number),
        began,
        with_error(start.duration_s, start.duration_error_s, 1),
        number(start.peak_ratio, 2),
        with_error(start.i2t_flc2s, i2t_error, 0),
        heat,
    )


def alert_words(raised: Instant, returned: Instant | None, acknowledged_by: str, time: PlantTime) -> str:
    """Return the way of an alert: raised, returned, seen by whom."""
    back = "still standing" if returned is None else f"returned after {span(seconds_between(raised, returned))}"
    seen = f"acknowledged by {acknowledged_by}" if acknowledged_by else "acknowledged by nobody"
    return f"{stamp(raised, time)}; {back}; {seen}"


def method_notes(report: Report) -> tuple[str, ...]:
    """Return how the figures came about and the rules by which anything is called beyond, changed or not kept."""
    return (
        "Figures are measured by the starters and read over their register maps; worked out are I²t, heat and percentiles. "
        "± is the half width of the error that the time between two readings causes; it does not hold the starter's own measuring error. "
        "A duration runs from the begin of the current to at speed (the starter's own bit, or the current fallen to running); a peak is "
        "the largest sample, a higher one between two readings is not seen.",
        f"Usual is the band from the 10th to the 90th percentile of the last {USUAL_STARTS} good starts. A start is beyond it when it lies "
        f"more than {percent(TOLERANCE)} and its own error above the band. A motor has changed when the middle of at least "
        f"{FEWEST_TO_CHANGE} good starts lies outside the band by more than its error and {percent(CHANGE_TOLERANCE)}. "
        "These are proposals of this project, no source.",
        "A limit is not kept when a start that was seen began before the limit permitted it, the begin taken as late as its error allows, "
        "and only where no missing data make the verdict uncertain. Starts that were not seen count against the later ones. "
        "Limits are those of the site file at the time of issue.",
        "Readings cover the time in which a usable reading came at least as often as the gap time of the site file says. In a gap nothing "
        "is known but what the starter's own counter tells afterwards.",
        sentence(
            f"the results concern only {'this motor' if len(report.motors) == 1 else 'these motors'} and this period. "
            "Issued by a program, not reviewed by a person"
        ),
    )
