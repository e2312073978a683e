"""Timetable, unreachable spans and faults of a scenario's starter.

A time is written `06:00`, `2 d 06:00` (of day 2) or `90 s` (from the begin).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum

from gateway.registers.quantities import parse_quantity
from gateway.registers.sections import Section
from gateway.registers.yaml_tree import YamlMap
from simulators.faults import ReplyFault
from simulators.link_faults import Fault, LinkFault
from simulators.timetable import DAY_S, Action, DailyRuns, Event

_CLOCK = re.compile(r"(?:([0-9]{1,4})\s*d\s+)?([0-9]{1,2}):([0-9]{2})(?::([0-9]{2}))?")


class Doing(StrEnum):
    """What a timetable can order."""

    START = "start"
    STOP = "stop"
    SWITCH_OFF = "switch_off"
    TRIP = "trip"
    RESET = "reset"


class DeviceFault(StrEnum):
    """Faults of the device itself, besides those of single replies."""

    FROZEN = "frozen"
    COUNTER = "counter"
    WORD_ORDER = "word_order"
    RESTART = "restart"
    OPEN_LINE = "open_line"
    """One line of the supply is open: `value` 1, 2 or 3."""
    SAG = "sag"
    """The supply falls to `to`."""


_BEGINS = {DeviceFault.FROZEN: Action.FREEZE, DeviceFault.WORD_ORDER: Action.SWAP_WORDS}
_ENDS = {
    DeviceFault.FROZEN: Action.THAW,
    DeviceFault.WORD_ORDER: Action.UNSWAP_WORDS,
    DeviceFault.OPEN_LINE: Action.CLOSE_LINE,
    DeviceFault.SAG: Action.SAG,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedFault(Fault):
    """A fault on the live wire from `at_s` for `for_s`."""

    at_s: float
    for_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Everything that is to happen to one starter."""

    daily: tuple[DailyRuns, ...] = ()
    events: tuple[Event, ...] = ()
    faults: tuple[PlannedFault, ...] = ()


def parse_moment(text: str) -> float:
    """Return a moment from the scenario's begin [s]; ValueError when it is none.

    >>> parse_moment("2 d 06:30"), parse_moment("06:30:15"), parse_moment("90 s")
    (109800.0, 23415.0, 90.0)
    """
    match = _CLOCK.fullmatch(text.strip())
    if match is None:
        return parse_quantity(text, "s")
    day, hour, minute, second = (int(part or 0) for part in match.groups())
    if hour > 23 or minute > 59 or second > 59 or (match[1] is not None and day < 1):
        raise ValueError("no such time of day")
    return max(day - 1, 0) * DAY_S + hour * 3600.0 + minute * 60.0 + second


def read_timetable(own: Section) -> Plan:
    """Return what `timetable`, `unreachable` and `faults` plan."""
    daily: list[DailyRuns] = []
    events: list[Event] = []
    faults: list[PlannedFault] = []
    for section in _sections(own, "timetable"):
        if "daily" in section:
            runs = _daily(section)
            if runs is not None:
                daily.append(runs)
        else:
            events += _single(section)
    for section in _sections(own, "unreachable"):
        section.allow(("from", "for"))
        begin, span_s = _moment(section, "from"), _span(section, "for")
        if begin is not None and span_s is not None:
            events += [Event(begin, Action.UNREACHABLE), Event(begin + span_s, Action.REACHABLE)]
    for section in _sections(own, "faults"):
        _fault(section, events, faults)
    return Plan(daily=tuple(daily), events=tuple(events), faults=tuple(faults))


def _sections(own: Section, key: str) -> list[Section]:
    found = []
    for index, node in enumerate(own.items(key) or ()):
        if isinstance(node, YamlMap):
            found.append(Section(node, f"{own.field(key)}[{index}]", own.findings))
        else:
            own.refuse(key, "every item must be names with values, such as `{at: 06:00, do: start}`", found="one value or a list")
    return found


def _moment(section: Section, key: str) -> float | None:
    leaf = section.leaf(key)
    if leaf is None:
        if key not in section:
            section.require(key, "2 d 06:00")
        return None
    try:
        moment = parse_moment(leaf.text)
    except ValueError as error:
        section.refuse(key, f"{error}: write it as 06:00, 2 d 06:00 or 90 s", allowed="06:00, 2 d 06:00, 90 s")
        return None
    if moment < 0:
        section.refuse(key, "nothing happens before the begin", allowed="06:00, 2 d 06:00, 90 s")
        return None
    return moment


def _span(section: Section, key: str) -> float | None:
    if key not in section:
        section.require(key, "20 min")
    return section.quantity(key, "s", above=0.0)


def _daily(section: Section) -> DailyRuns | None:
    section.allow(("daily", "until", "every", "run", "jitter", "days"))
    first, run_s = _moment(section, "daily"), _span(section, "run")
    last = _moment(section, "until") if "until" in section else None
    every_s = section.quantity("every", "s", 1.0, DAY_S)
    jitter_s = section.quantity("jitter", "s", 0.0, DAY_S)
    days = frozenset(day.text.strip() for day in section.texts("days") or ())
    if not days <= frozenset("1234567"):
        section.refuse("days", "days are counted 1 to 7", found=", ".join(sorted(days)), allowed="1 to 7")
        return None
    if first is None or run_s is None:
        return None
    if first >= DAY_S or (last is not None and last < first):
        section.refuse("daily", "the first run must lie inside the day and before `until`")
        return None
    return DailyRuns(
        first_s=first,
        run_s=run_s,
        every_s=every_s,
        last_s=DAY_S if last is None else last,
        jitter_s=jitter_s or 0.0,
        days=frozenset(int(day) for day in days),
    )


def _single(section: Section) -> list[Event]:
    section.allow(("at", "do", "run", "daily"))
    at_s = _moment(section, "at")
    doing = section.choice("do", Doing)
    if "do" not in section:
        section.require("do", "start")
    run_s = section.quantity("run", "s", above=0.0)
    if at_s is None or doing is None:
        return []
    events = [Event(at_s, Action(doing.value))]
    if run_s is not None and doing is Doing.START:
        events.append(Event(at_s + run_s, Action.STOP))
    return events


def _fault(section: Section, events: list[Event], faults: list[PlannedFault]) -> None:
    section.allow(("at", "for", "kind", "replies", "probability", "delay", "exception", "value", "to", "signal"))
    at_s = _moment(section, "at")
    leaf = section.leaf("kind")
    if leaf is None:
        if "kind" not in section:
            section.require("kind", "late")
        return
    span_s = section.quantity("for", "s", above=0.0)
    if leaf.text.strip() in [kind.value for kind in DeviceFault]:
        kind = DeviceFault(leaf.text.strip())
        if at_s is not None:
            events += _device_events(section, kind, at_s, span_s)
        return
    if leaf.text.strip() in [kind.value for kind in LinkFault]:
        link = _link_fault(section, LinkFault(leaf.text.strip()), at_s, span_s)
        if link is not None:
            faults.append(link)
        return
    reply = section.choice("kind", ReplyFault)
    replies = section.whole("replies", 1, 10**6)
    probability = section.ratio("probability", 0.0, 1.0, "10 %")
    delay_s = section.quantity("delay", "s", 0.0, 600.0)
    code = section.whole("exception", 1, 255)
    if at_s is None or reply is None:
        return
    faults.append(
        PlannedFault(
            at_s=at_s,
            for_s=60.0 if span_s is None else span_s,
            kind=reply,
            replies=replies,
            probability=1.0 if probability is None else probability,
            delay_s=0.0 if delay_s is None else delay_s,
            exception_code=4 if code is None else code,
        )
    )


def _link_fault(section: Section, kind: LinkFault, at_s: float | None, span_s: float | None) -> PlannedFault | None:
    if kind is LinkFault.NODE_REMOVED and "signal" not in section:
        section.require("signal", "current")
        return None
    value = section.whole("value", 0, 10**4)
    if at_s is None:
        return None
    return PlannedFault(
        at_s=at_s, for_s=span_s or 60.0, kind=kind, signal=section.text("signal") or "", value=1 if value is None else value
    )


def _device_events(section: Section, kind: DeviceFault, at_s: float, span_s: float | None) -> list[Event]:
    if kind is DeviceFault.COUNTER:
        return [Event(at_s, Action.SET_COUNTER, float(section.whole("value", 0, 2**32 - 1) or 0))]
    if kind is DeviceFault.RESTART:
        return [Event(at_s, Action.RESTART, span_s or 0.0)]
    end_s = at_s + (span_s or 60.0)
    if kind is DeviceFault.OPEN_LINE:
        return [Event(at_s, Action.OPEN_LINE, float(section.whole("value", 1, 3) or 1)), Event(end_s, _ENDS[kind])]
    if kind is DeviceFault.SAG:
        to = section.ratio("to", 0.05, 1.5, "80 %")
        return [Event(at_s, Action.SAG, 0.8 if to is None else to), Event(end_s, _ENDS[kind], 1.0)]
    return [Event(at_s, _BEGINS[kind]), Event(end_s, _ENDS[kind])]
