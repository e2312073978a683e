"""Results of the bench as plain tables with notes: what the terminal prints and what the report holds are the same rows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from gateway.bench.browse import BrowseLine
from gateway.bench.exchange import on_wire
from gateway.bench.find import Match, Wanted, distinct
from gateway.bench.forms import Form
from gateway.bench.judge import Verdict
from gateway.bench.map_line import map_line
from gateway.bench.peek import DOUBLES, ORDERS, QUADS, SINGLES, Cell, Peek, Row, address_text
from gateway.bench.probe import Probe
from gateway.bench.propose import Proposals
from gateway.bench.verify import Verification, verdict_counts
from gateway.registers.model import Order, WordType


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """One table. marks: rows that stand out, by index, with a word for it. before, after: sentences above and below."""

    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    before: tuple[str, ...] = ()
    after: tuple[str, ...] = ()
    pasted: tuple[str, ...] = ()


def verify_sheets(result: Verification) -> list[Sheet]:
    """Return the lines of a verification, then the start if one was watched."""
    rows = tuple(
        (
            line.signal,
            line.address,
            line.wire,
            " ".join(f"{word:04X}" for word in line.raw[:8]) + (" ..." if len(line.raw) > 8 else "")
            if isinstance(line.raw, tuple)
            else line.raw,
            line.shown or "-",
            line.quality,
            line.verdict.value,
        )
        for line in result.lines
    )
    hints = [f"{line.signal}: {line.hint}" for line in result.lines if line.hint]
    counts = ", ".join(f"{count} {verdict.value}" for verdict, count in verdict_counts(result.lines).items() if count)
    sheets = [
        Sheet(
            title=f"{result.map_name} against {result.device}",
            heads=("signal", "address", "on the wire", "raw", "value", "quality", "verdict"),
            rows=rows,
            after=(*hints, *result.notes, f"{counts}; {requests_text(result.requests, result.faults)}"),
        )
    ]
    if result.start:
        sheets.append(
            Sheet(
                title="the start",
                heads=("check", "result", "found"),
                rows=tuple((each.name, _passed(each.passed), each.found) for each in result.start),
            )
        )
    return sheets


def requests_text(requests: int, faults: Mapping[str, int]) -> str:
    """Return how many requests were sent and how many came to nothing.

    >>> requests_text(7, {"exception 2": 1})
    '7 requests, of them 1 exception 2'
    """
    text = f"{requests} request{'s' if requests != 1 else ''}"
    return f"{text}, of them {', '.join(f'{count} {kind}' for kind, count in faults.items())}" if faults else text


def _passed(passed: bool | None) -> str:
    return "cannot tell" if passed is None else "yes" if passed else "no"


def propose_sheets(result: Proposals) -> list[Sheet]:
    """Return the ranked changes, what stays open, and the lines to paste."""
    rows, after = [], []
    for number, change in enumerate(result.changes, start=1):
        named = "whole map" if change.is_whole_map else change.signals[0]
        rows.append((str(number), named, change.entries, f"{change.before}  ->  {change.after}", change.confidence))
        after += [f"{number}. {named}: as written, {reason}" for reason in change.reasons]
        if change.is_whole_map:
            after.append(f"{number}. whole map: it concerns {', '.join(change.signals)}")
        after += [f"{number}. {named}: stays as written: {name}" for name in change.exceptions]
        after += [f"{number}. {named}: this record cannot tell it from {other}" for other in change.others]
        after += [f"{number}. {named}: even so, {doubt}" for doubt in change.doubts]
    after += [f"not explained: {name}: {'; '.join(texts)}" for name, texts in result.unresolved.items()]
    if result.silent:
        after.append(f"nothing to tell by in this record (always 0 or off): {', '.join(result.silent)}")
    starts = "no current tells of a start" if result.starts_seen is None else f"{result.starts_seen} start(s) seen"
    before = [f"{result.moments} moments over {result.duration_s:.1f} s, {starts}"]
    if not result.starts_seen:
        before.append("a record without a start from standstill tells little: run it again through a start")
    if not result.changes:
        before.append(
            "the map fits the record as it is written" if not result.unresolved else "no usual mistake explains what does not fit"
        )
    pasted = tuple(
        map_line(result.corrected[key])
        for key in dict.fromkeys(name for change in result.changes if not change.is_whole_map for name in _keys(result, change.signals))
    )
    return [
        Sheet(
            title="changes that make the map fit, the best first",
            heads=("", "line", "write", "values as written -> then", "how sure"),
            rows=tuple(rows),
            before=tuple(before),
            after=tuple(after),
            pasted=pasted,
        )
    ]


def _keys(result: Proposals, names: Sequence[str]) -> list[str]:
    return [key for key, signal in result.corrected.items() if signal.name in names]


def peek_sheets(result: Peek, unit: str = "") -> list[Sheet]:
    """Return one table for each width of value; every address begins a row, so that a shift by one is the row above or below."""
    table = result.span.table
    missing = tuple(f"{address_text(table, address)}: {why}" for address, why in result.missing.items())
    if table.holds_bits:
        rows = tuple((address_text(table, row.address), _shift(row), "on" if row.word else "off") for row in result.rows)
        return [Sheet(title=f"{table.value} bits", heads=("address", "shift", "bit"), rows=rows, after=missing)]
    forms = [Form(kind) for kind in SINGLES] + [Form(kind, byte_order=Order.LOW_FIRST) for kind in SINGLES[:2]]
    heads = ("uint16", "int16", "sign and size", "BCD", "uint16 swapped", "int16 swapped")
    words = tuple(
        (address_text(table, row.address), _shift(row), f"{row.word:04X}", row.letters, *(_cell(row, form, unit) for form in forms))
        for row in result.rows
    )
    bits = tuple(
        (address_text(table, row.address), _shift(row), *(f"{row.word:016b}"[at : at + 4] for at in (0, 4, 8, 12))) for row in result.rows
    )
    sheets = [
        Sheet(title="one register", heads=("address", "shift", "hex", "text", *heads), rows=words, after=missing),
        Sheet(title="its bits", heads=("address", "shift", "15-12", "11-8", "7-4", "3-0"), rows=bits),
    ]
    for kinds, width in ((DOUBLES, 2), (QUADS, 4)):
        for kind in kinds:
            sheet = _wide_sheet(result, kind, width, unit)
            if sheet is not None:
                sheets.append(sheet)
    return sheets


def _wide_sheet(result: Peek, kind: WordType, width: int, unit: str) -> Sheet | None:
    forms = [Form(kind, words, octets) for words, octets, _ in ORDERS]
    rows = tuple(
        (address_text(result.span.table, row.address), _shift(row), *(_cell(row, form, unit) for form in forms))
        for row in result.rows
        if any(cell.form == forms[0] for cell in row.cells)
    )
    if not rows:
        return None
    heads = ("address", "shift", *(text for _, _, text in ORDERS))
    return Sheet(title=f"{kind.value}, {width} registers from this address on", heads=heads, rows=rows)


def _shift(row: Row) -> str:
    return f"{row.shift:+d}" if row.shift else ""


def _cell(row: Row, form: Form, unit: str) -> str:
    cell = next((each for each in row.cells if each.form == form), None)
    return "" if cell is None else _number(cell, unit)


def _number(cell: Cell, unit: str) -> str:
    if cell.number is None:
        return "-"
    whole = cell.number == int(cell.number) and abs(cell.number) < 1e15
    text = f"{cell.number:.0f}" if whole else f"{cell.number:.6g}"
    if cell.fits is None:
        return text
    scale = "" if cell.fits == 0 else f" x {10.0**cell.fits:g}"
    return f"{text}{scale} <- fits{f' {unit}' if unit else ''}"


def find_sheets(found: Sequence[Match], value: Wanted, name: str, *, most: int = 40) -> list[Sheet]:
    """Return the matches, doubles of one number folded, and the map line of the best."""
    groups = distinct(found)
    rows = tuple(
        (
            str(number),
            on_wire(match.span),
            address_text(match.table, match.first),
            match.form.type.value,
            match.form.order_text,
            f"{10.0**match.power:g}",
            ", ".join(f"{each:.6g}" for each in match.values),
            ", ".join(sorted({double.form.type.value for double in doubles}))[:40],
        )
        for number, (match, doubles) in enumerate(groups[:most], start=1)
    )
    after = [f"{len(groups) - most} more are not shown: narrow them down with a second value"] if len(groups) > most else []
    if not groups:
        after.append(f"nothing in these addresses gives {value.text} within {value.tolerance:g}")
    pasted = tuple(match.line(name, value.unit) for match, _ in groups[:3])
    heads = ("", "on the wire", "address", "type", "order", "scale", f"gives ({value.unit or 'value'})", "same as")
    return [Sheet(title=f"where {value.text} may stand", heads=heads, rows=rows, after=tuple(after), pasted=pasted)]


def probe_sheets(result: Probe) -> list[Sheet]:
    """Return units, blocks, connections and pace."""
    units = tuple(
        (
            f"unit {each.unit}",
            "answers" if each.answers else "no",
            f"{1000 * each.round_trip_s:.1f}",
            "" if each.text == "answers" else each.text,
        )
        for each in result.units
    )
    sheets = [Sheet(title=f"units behind {result.device}", heads=("unit", "answers", "ms", "what it said"), rows=units)]
    if result.blocks:
        rows = tuple((str(each.count), "yes" if each.came else "no", each.text) for each in result.blocks)
        sheets.append(Sheet(title="registers in one request", heads=("registers", "came", "why not"), rows=rows))
    after = []
    if result.connections or result.connections_refused:
        limit = f"the next was refused: {result.connections_text}" if result.connections_refused else result.connections_text
        after.append(f"connections open at once, each answering: {result.connections}; {limit}")
    if result.pace is not None:
        pace = result.pace
        after.append(
            f"round trip over {pace.count} requests: p50 {1000 * pace.p50_s:.2f} ms, p99 {1000 * pace.p99_s:.2f} ms; "
            f"safe: one request every {1000 * pace.safe_period_s:.1f} ms or slower (2 x p99)"
        )
    entries = tuple(result.map_entries())
    sheets.append(Sheet(title="pace", heads=(), rows=(), after=(*after, f"{result.requests} requests in all"), pasted=entries))
    return sheets


def browse_sheets(lines: Sequence[BrowseLine], endpoint: str, *, is_cut: bool) -> list[Sheet]:
    """Return a server's variables as map lines, each with what is known of it."""
    rows = tuple(
        (line.name, line.found.identifier, line.found.data_type or "?", line.found.unit, _limits(line), line.note) for line in lines
    )
    after = ("there is more: raise --most to see it",) if is_cut else ()
    pasted = tuple(f"{line.line}  # {line.note}" for line in lines)
    heads = ("signal", "node", "type", "unit", "range", "note")
    return [Sheet(title=f"variables of {endpoint}", heads=heads, rows=rows, after=after, pasted=pasted)]


def _limits(line: BrowseLine) -> str:
    found = line.found
    return "" if found.low is None or found.high is None else f"{found.low:g} to {found.high:g}"


MARKED = {Verdict.WRONG.value, Verdict.UNREADABLE.value, Verdict.SUSPICIOUS.value, "no"}
"""Words in a row that make it stand out."""
