"""The summary of a report: the answer first, then who starts most, what was exceeded, what changed, what is missing. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from gateway.web.plant_time import span
from gateway.web.reports.content import MotorReport, Report
from gateway.web.reports.happenings import DRIFT
from gateway.web.reports.words import FULL, change_words, cut_words, length_words, not_at_speed, share_words, times
from gateway.web.words import LIMIT_WORDS, counted

MOST_NAMED = 5
"""Motors named in one sentence; the table has them all."""


@dataclass(frozen=True, slots=True)
class Topic:
    """One question of the summary with its answer, and a line a motor where there is more to say."""

    title: str
    sentence: str
    lines: tuple[str, ...] = ()


def headline(report: Report) -> str:
    """Return the answer of the whole report."""
    length = length_words(report.period.length_s)
    if not report.motors:
        return "The site file names no motor."
    if not report.starts:
        return f"No start in {length}."
    who = report.motors[0].name if len(report.motors) == 1 else counted(len(report.motors), "motor", "motors")
    return f"{who} made {counted(report.starts, 'start', 'starts')} in {length}."


def topics(report: Report) -> tuple[Topic, ...]:
    """Return the questions of the summary with their answers."""
    return (_most(report), _exceeded(report), _broken(report), _changed(report), _unseen(report), _gaps(report))


def _most(report: Report) -> Topic:
    ranked = [motor for motor in sorted(report.motors, key=lambda motor: (-len(motor.starts), motor.name)) if motor.starts]
    if not ranked:
        return Topic("Who starts most", "No motor was started.")
    named = ", ".join(f"{motor.name} {len(motor.starts)}" for motor in ranked[:MOST_NAMED])
    hardest = max(ranked, key=lambda motor: (motor.busiest.count, motor.name))
    return Topic("Who starts most", f"{named}. The most in any 60 min: {hardest.name}, {hardest.busiest.count}.")


def _exceeded(report: Report) -> Topic:
    title = "Started before a limit permitted it"
    found = [motor for motor in report.motors if motor.breaches]
    if not found:
        return Topic(title, "No start that was seen came before its limits permitted it.")
    lines = []
    for motor in found:
        parts = [f"{LIMIT_WORDS[line.limit]} {times(len(line.breaches))}" for line in motor.limits if line.breaches]
        lines.append(f"{motor.name}: {', '.join(parts)}")
    return Topic(title, f"{counted(len(found), 'motor', 'motors')}: {_names(found)}.", tuple(lines))


def _broken(report: Report) -> Topic:
    title = "Cut off, stalled or tripped"
    found = [motor for motor in report.motors if not_at_speed(motor)]
    if not found:
        return Topic(title, "None: every start that was seen reached its speed.")
    lines = tuple(f"{motor.name}: {', '.join(cut_words(motor))}" for motor in found)
    return Topic(title, f"{counted(sum(not_at_speed(motor) for motor in found), 'start', 'starts')} of {_names(found)}.", lines)


def _changed(report: Report) -> Topic:
    lines = []
    found = []
    for motor in report.motors:
        told = [f"{motor.name}: {change_words(change)}" for change in motor.changes]
        told += [f"{motor.name}: found to drift in the period: {each.words}" for each in motor.happenings if each.kind == DRIFT]
        if told:
            found.append(motor)
            lines += told
    if not found:
        return Topic("Who drifts", "No motor's starts have left what was usual before the period, and none was found to drift.")
    return Topic("Who drifts", f"{counted(len(found), 'motor', 'motors')}: {_names(found)}.", tuple(lines))


def _unseen(report: Report) -> Topic:
    found = [motor for motor in report.motors if motor.unseen]
    if not found:
        return Topic("Counted, not seen", "None: every start that a starter counted was recorded.")
    total = sum(motor.unseen for motor in found)
    lines = tuple(f"{motor.name}: {motor.unseen} of {len(motor.starts)}" for motor in found)
    return Topic("Counted, not seen", f"{counted(total, 'start', 'starts')} of {_names(found)}.", lines)


def _gaps(report: Report) -> Topic:
    found = [motor for motor in report.motors if motor.coverage.share < FULL]
    if not found:
        return Topic("Data gaps", "None: readings came for the whole period.")
    lines: dict[str, list[MotorReport]] = {}
    for motor in found:
        longest = max(motor.coverage.gaps, key=lambda gap: gap.length_s)
        reason = f" ({longest.reason})" if longest.reason else ""
        many = counted(len(motor.coverage.gaps), "gap", "gaps")
        share = share_words(motor.coverage.share)
        lines.setdefault(f"{share} with readings; {many}, the longest {span(longest.length_s)}{reason}", []).append(motor)
    told = tuple(f"{_names(motors)}: {words}" for words, motors in lines.items())
    return Topic("Data gaps", f"{counted(len(found), 'motor', 'motors')} of {len(report.motors)}.", told)


def _names(motors: list[MotorReport]) -> str:
    names = [motor.name for motor in motors]
    more = len(names) - MOST_NAMED
    return ", ".join(names[:MOST_NAMED]) + (f" and {more} more" if more > 0 else "")
