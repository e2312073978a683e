"""What the map bench can be asked about kept words: every form of a block, where a value stands, which corrections fit, what is asked."""

from __future__ import annotations

import re
import threading
from collections.abc import Sequence
from dataclasses import dataclass

from gateway.bench.find import Match, Wanted, match_from, matches, still_matching, units_agree, wanted
from gateway.bench.peek import peek
from gateway.bench.propose import Proposals
from gateway.bench.sheets import Sheet, find_sheets, peek_sheets, propose_sheets
from gateway.instants import Instant
from gateway.registers.addresses import parse_span, written_address
from gateway.registers.model import Protocol, RegisterMap, Span
from gateway.services.kept_words import RawView
from gateway.services.live_bench import exchanges_of_minutes, exchanges_of_start, proposed, words_now
from gateway.services.read_plan import plan_of
from gateway.web.plant_time import PlantTime
from gateway.web.plant_view import StarterSiteView

MOST_PEEKED = 40
MOST_CARRIED = 1500
"""Ways to read a value that a page carries to the next question; more are narrowed down badly anyway."""
NAME = re.compile(r"[A-Za-z][A-Za-z0-9_]{0,59}")
PROPOSE_TIMEOUT_S = 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Peeked:
    """A block in every form. trouble: why there is none, in a sentence; always: tables shown at once, others: those to open."""

    at: str
    expect: str
    title: str = ""
    always: tuple[Sheet, ...] = ()
    others: tuple[Sheet, ...] = ()
    trouble: str = ""


def peeked(register_map: RegisterMap, view: RawView, at: str, expect: str) -> Peeked:
    """Return the block that a text names, in every form; `expect` marks what gives a value."""
    try:
        value = wanted(expect) if expect else None
    except ValueError as error:
        return Peeked(at=at, expect=expect, trouble=f"{expect} is no value to look for: {error}. Write it as 42 A.")
    try:
        span, _ = parse_span(at, register_map.first_address)
    except ValueError as error:
        return Peeked(at=at, expect=expect, trouble=f"{at}: {error}.")
    if span.count > MOST_PEEKED:
        return Peeked(at=at, expect=expect, trouble=f"{span.count} addresses are too many to look at: ask for {MOST_PEEKED} at most.")
    own = {address: word for (table, address), word in words_now(view).items() if table is span.table}
    asked = range(span.first - 1, span.last + 2)
    missing = {address: _why_missing(view, span, address) for address in asked if address not in own and 0 <= address <= 0xFFFF}
    result = peek(span, own, missing, value)
    if not result.rows:
        return Peeked(
            at=at, expect=expect, trouble=f"The polls do not read {written_address(span)}: {missing.get(span.first, 'not read')}."
        )
    sheets = peek_sheets(result, "" if value is None else value.text)
    usual = [sheet for sheet in sheets if not sheet.title.startswith(("its bits", "float64", "uint64"))]
    return Peeked(
        at=at,
        expect=expect,
        title=written_address(span),
        always=tuple(usual),
        others=tuple(sheet for sheet in sheets if sheet not in usual),
    )


def _why_missing(view: RawView, span: Span, address: int) -> str:
    for raw in reversed(view.latest):
        asked = raw.block.span
        if raw.fault and asked.table is span.table and asked.first <= address <= asked.last:
            return raw.fault
    return "no poll asks for it; bench peek at the command line can"


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """Where a value may stand. carried: the matches as the page's form takes them along; values: what was asked for so far."""

    sheet: Sheet | None
    carried: str
    values: tuple[str, ...]
    name: str
    count: int = 0
    trouble: str = ""


def found_value(view: RawView, value: str, name: str, carried: str = "", values: Sequence[str] = ()) -> Found:
    """Return every way to read a value out of the newest words; with `carried`, those of the last question that give this one too."""
    trouble, sought = "", None
    try:
        sought = wanted(value)
    except ValueError as error:
        trouble = f"{value or 'Nothing'} is no value to look for: {error}. Write it as 42 A."
    if not NAME.fullmatch(name):
        trouble = "A signal's name is letters, digits and _, a letter first."
    if sought is not None and values and not units_agree(values[-1].partition(" ")[2], sought.unit):
        trouble = f"The value before was {values[-1]}: give this one in the same unit."
    if trouble or sought is None:
        return Found(sheet=None, carried=carried, values=tuple(values), name=name, trouble=trouble)
    words = words_now(view)
    if not words:
        return Found(
            sheet=None, carried=carried, values=tuple(values), name=name, trouble="No words are kept now, so nothing can be found."
        )
    try:
        found = still_matching(_unpacked(carried), words, sought) if carried else matches(words, sought)
    except (ValueError, KeyError, TypeError):
        return Found(sheet=None, carried="", values=(), name=name, trouble="The earlier matches cannot be understood: begin anew.")
    return _told(found, sought, name, (*values, sought.text))


def _told(found: list[Match], sought: Wanted, name: str, values: tuple[str, ...]) -> Found:
    sheet = find_sheets(found, sought, name, most=20)[0]
    return Found(sheet=sheet, carried=_packed(found[:MOST_CARRIED]), values=values, name=name, count=len(found))


_FIELDS = ("table", "first", "type", "word_order", "byte_order", "power")


def _packed(found: Sequence[Match]) -> str:
    rows = []
    for match in found:
        plain = match.as_json()
        rows.append(",".join([*(str(plain[name]) for name in _FIELDS), *(f"{value!r}" for value in match.values)]))
    return ";".join(rows)


def _unpacked(carried: str) -> list[Match]:
    found = []
    for row in carried.split(";")[:MOST_CARRIED]:
        parts = row.split(",")
        entry = dict(zip(_FIELDS, parts, strict=False))
        found.append(match_from({**entry, "values": [float(each) for each in parts[len(_FIELDS) :]]}))
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposed:
    """What kept words propose. of: which words, in plain words."""

    of: str
    sheet: Sheet
    result: Proposals


class ProposalShelf:
    """Works out proposals one at a time, since each takes seconds of a core, and keeps the last of each starter."""

    def __init__(self) -> None:
        self._kept: dict[str, tuple[tuple[str, Instant | None], Proposed]] = {}
        self._turn = threading.Lock()

    def proposed(self, entry: StarterSiteView, view: RawView, which: str, time: PlantTime) -> Proposed | str:
        """Return the corrections that the kept start, or the last minutes, propose; a sentence why there are none.

        In the thread pool only.
        """
        name = entry.starter.name
        if entry.map.protocol is not Protocol.MODBUS:
            return "On OPC UA type and order come from the server: there is nothing to propose."
        of_start = which == "start"
        if of_start and view.start_at is None:
            return "No start is kept yet: start the motor once, and come back when it has run for half a minute."
        at = view.start_at if of_start else view.at
        if at is None:
            return "No words are kept yet."
        if not self._turn.acquire(timeout=PROPOSE_TIMEOUT_S):
            return "Proposals for other motors are being worked out: ask again in a minute."
        try:
            known = self._kept.get(name)
            if known is not None and known[0] == (which, at):
                return known[1]
            exchanges = exchanges_of_start(view, entry.unit) if of_start else exchanges_of_minutes(view, entry.unit)
            result = proposed(entry.map, exchanges, entry.starter.motor.flc_a)
            of = f"the start at {time.seconds(at)}" if of_start else f"the minutes up to {time.seconds(at)}"
            made = Proposed(of=of, sheet=propose_sheets(result)[0], result=result)
            self._kept[name] = ((which, at), made)
            return made
        finally:
            self._turn.release()


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedLine:
    """One request of the plan: when it is sent, what it asks for, its bytes, and how it last ended ("" when not known)."""

    pace: str
    function: str
    where: str
    count: int
    signals: str
    sent: str
    ended: str


_PACE_WORDS = {"normal": "each turn", "slow": "slow turn", "watch": "look at standstill"}


def asked_lines(register_map: RegisterMap, unit: int, framing: str, view: RawView | None, time: PlantTime | None) -> list[AskedLine]:
    """Return the plan of a map, request by request, with the bytes on the wire (transaction 1) and how each last ended."""
    lines = []
    for request in plan_of(register_map, unit)["requests"]:
        first, last = request["first"], request["first"] + request["count"] - 1
        lines.append(
            AskedLine(
                pace=_PACE_WORDS[request["pace"]],
                function=str(request["function_code"]),
                where=f"{request['table']} 0x{first:04X}" + ("" if first == last else f"-0x{last:04X}"),
                count=request["count"],
                signals=", ".join(request["signals"]),
                sent=(request["bytes_rtu"] if framing == "rtu" else request["bytes"]).upper(),
                ended="" if view is None or time is None else _ended(view, request["table"], first, last, time),
            )
        )
    return lines


def _ended(view: RawView, table: str, first: int, last: int, time: PlantTime) -> str:
    for raw in reversed(view.latest):
        span = raw.block.span
        if (span.table.value, span.first, span.last) == (table, first, last):
            return f"answered {time.seconds(raw.at)}" if raw.data else f"{time.seconds(raw.at)}: {raw.fault}"
    return "not asked yet"


def plan_sheet(lines: Sequence[AskedLine]) -> Sheet:
    """Return the plan as a table for the report."""
    heads = ("when", "function", "on the wire", "addresses", "signals", "bytes", "last")
    rows = tuple((each.pace, each.function, each.where, str(each.count), each.signals, each.sent, each.ended) for each in lines)
    return Sheet(title="what is asked", heads=heads, rows=rows)


def first_block(rows: Sequence[str]) -> str:
    """Return the first address among texts that is one, "" for none.

    >>> first_block(["", "holding 0x000C"])
    'holding 0x000C'
    """
    return next((row for row in rows if row), "")
