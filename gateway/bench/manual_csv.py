"""A map begun from a CSV that the user made from a manual: every row becomes a line of the map, or is reported as unclear with its line."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from gateway.bench import manual_words as words
from gateway.bench.manual_headings import COLUMNS, find_headings, plain_words
from gateway.bench.manual_roles import ROLE_WORDS
from gateway.bench.map_line import quoted
from gateway.errors import InputError, Problem
from gateway.registers.model import Order, Table, WordType
from gateway.registers.roles import ROLES, RoleKind

_LARGEST_FILE = 2_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Unclear:
    """A row that could not be taken, or not whole: its line in the file, what it says, and what is unclear."""

    line: int
    row: str
    message: str


@dataclass(slots=True)
class Draft:
    """One line of the map on its way. notes: what was assumed."""

    line: int
    name: str
    entries: dict[str, str] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)

    def text(self) -> str:
        """Return the map line."""
        note = f"  # {'; '.join(self.notes)}" if self.notes else ""
        return f"{self.name}: {{{', '.join(f'{key}: {value}' for key, value in self.entries.items())}}}{note}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Begun:
    """A map begun from a list. drafts: clear lines; unclear: the other rows; columns: the heading taken for each of ours."""

    drafts: tuple[Draft, ...]
    unclear: tuple[Unclear, ...]
    columns: Mapping[str, str]

    def without(self, refused: Mapping[str, str]) -> Begun:
        """Return the draft without some lines, by name, which become unclear with a reason."""
        kept = tuple(draft for draft in self.drafts if draft.name not in refused)
        moved = [Unclear(line=draft.line, row=draft.text(), message=refused[draft.name]) for draft in self.drafts if draft.name in refused]
        return replace(self, drafts=kept, unclear=tuple(sorted([*self.unclear, *moved], key=lambda each: each.line)))

    def yaml(self, name: str, first_address: int, source: str) -> str:
        """Return the map file; unclear rows stand in it as comments, so that none is forgotten."""
        lines = [
            f"# Begun from {source}. Check it against the manual, then against the device: startledger bench verify.",
            f"map: {quoted(name)}",
            "protocol: modbus",
            f"first_address: {first_address}   # how plain numbers count; five and six digits and hexadecimal do not follow it",
            "signals:",
            *(f"  {draft.text()}" for draft in self.drafts),
        ]
        if self.unclear:
            lines += ["", f"# {len(self.unclear)} rows are unclear:"]
            lines += [f"# line {each.line}: {_one_line(each.row)}: {_one_line(each.message)}" for each in self.unclear]
        return "\n".join(lines) + "\n"


def read_list(path: Path, *, table: Table | None = None) -> Begun:
    """Return the map begun from a file. Raises InputError when it is no list with at least a name and an address column.

    table: where plain numbers stand when no column says so.
    """
    text = _text(path)
    rows = list(csv.reader(io.StringIO(text, newline=""), dialect=_dialect(text)))
    lines = _line_numbers(text, rows)
    headings = find_headings(rows)
    if headings is None:
        found = ", ".join(rows[0][:8]) if rows else "nothing"
        message = "no heading row with a name and an address column was found"
        allowed = f"name, address, type, unit, scale ... ({'; '.join(', '.join(names[:4]) for names in COLUMNS.values())})"
        raise InputError([Problem(file=str(path), line=1, found=found[:100], allowed=allowed[:400], message=message)])
    head, columns, titles = headings
    drafts: list[Draft] = []
    unclear: list[Unclear] = []
    names: dict[str, int] = {}
    roles: set[str] = set()
    for number, row in zip(lines[head + 1 :], rows[head + 1 :], strict=True):
        cells = {key: row[index].strip() for key, index in columns.items() if index < len(row)}
        if not any(cell.strip() for cell in row) or not cells.get("address", "") and not cells.get("type", ""):
            continue
        try:
            drafts.append(_draft(number, cells, table, names, roles))
        except ValueError as error:
            unclear.append(Unclear(line=number, row=" | ".join(cell.strip() for cell in row if cell.strip())[:120], message=str(error)))
    taken = {key: titles[index].strip() for key, index in columns.items()}
    return Begun(drafts=tuple(drafts), unclear=tuple(unclear), columns=taken)


def _text(path: Path) -> str:
    try:
        if path.stat().st_size > _LARGEST_FILE:
            raise InputError([Problem(file=str(path), message="the file is larger than 2 MB: a register list is not")])
        data = path.read_bytes()
    except OSError as error:
        raise InputError([Problem(file=str(path), message=f"cannot be read: {error.strerror}")]) from error
    if b"\0" in data:
        raise InputError([Problem(file=str(path), message="this is no text: save the list as CSV, not as a spreadsheet or PDF")])
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace")


def _dialect(text: str) -> type[csv.Dialect]:
    first = "\n".join(text.splitlines()[:20])
    counts = {delimiter: first.count(delimiter) for delimiter in (";", "\t", ",")}
    best = max(counts, key=lambda delimiter: counts[delimiter])

    class Dialect(csv.excel):
        delimiter = best if counts[best] else ","

    return Dialect


def _line_numbers(text: str, rows: list[list[str]]) -> list[int]:
    """Return the line on which each row begins; a cell may hold line breaks."""
    numbers, line = [], 1
    for row in rows:
        numbers.append(line)
        line += 1 + sum(cell.count("\n") for cell in row)
    return numbers


def _draft(line: int, cells: Mapping[str, str], table: Table | None, names: dict[str, int], roles: set[str]) -> Draft:
    """Return the map line of a row; ValueError says what is unclear."""
    title = cells.get("name", "")
    if not title:
        raise ValueError("the name is missing")
    draft = Draft(line, "")
    address, bit = words.address_of(cells.get("address", ""))
    if cells.get("bit"):
        bit = _bit(cells["bit"])
    own_table = words.table_of(cells["table"]) if cells.get("table") else None
    draft.entries["at"] = _at(address, own_table, table)
    cells = _with_scale_of_type(cells)
    is_bit_table = _is_bit_table(draft.entries["at"])
    kind = _kind(draft, cells, bit, is_bit_table)
    _scale_and_unit(draft, cells, kind)
    if cells.get("values"):
        draft.entries["texts"] = f"{{{', '.join(f'{code}: {quoted(text)}' for code, text in words.texts_of(cells['values']).items())}}}"
    low, high = _limits(cells)
    if low and high and kind not in (WordType.BIT, WordType.TEXT):
        draft.entries["plausible"] = f"[{_number(low):g}, {_number(high):g}]"
    draft.name, role = _name_and_role(draft, title, cells.get("role", ""), kind, roles)
    if role:
        roles.add(role)
    names[draft.name] = names.get(draft.name, 0) + 1
    if names[draft.name] > 1:
        draft.name = f"{draft.name}_{names[draft.name]}"
    return draft


def _limits(cells: Mapping[str, str]) -> tuple[str, str]:
    """Return the lowest and the highest value, from two columns or from one such as `0..800`."""
    if match := re.fullmatch(r"\s*(-?[0-9.,]*[0-9])\s*(?:\.\.+|-|\u2013|to|bis)\s*(-?[0-9][0-9.,]*)\D*", cells.get("range", "")):
        return match[1], match[2]
    return cells.get("low", ""), cells.get("high", "")


def _bit(text: str) -> int:
    match = re.fullmatch(r"(?:bit\s*)?(\d{1,2})", text.strip(), re.IGNORECASE)
    if match is None or int(match[1]) > 31:
        raise ValueError(f"{text} is no bit: write 0 to 15")
    return int(match[1])


def _at(address: str, own_table: Table | None, table: Table | None) -> str:
    """Return the place; where the first digit of an address names a table, `table`, meant for all rows, gives way to it."""
    if re.fullmatch(r"[0134]\d{4,5}(-[0134]\d{4,5})?", address):
        return address if own_table is None else f"{own_table.value} {address}"
    stands_in = own_table or table
    if stands_in is None:
        raise ValueError(f"{address}: which table? add a column `table`, or give --table holding or input for all")
    return f"{stands_in.value} {address}"


def _with_scale_of_type(cells: Mapping[str, str]) -> Mapping[str, str]:
    """Return the cells with a scale that stands behind the type, such as `int16 (x0.1 A)`, in its own column."""
    match = re.fullmatch(r"(.+?)\s*\(\s*([xX×*/]\s*[0-9].*|0[.,][0-9]+.*)\)", cells.get("type", ""))
    if match is None or cells.get("scale"):
        return cells
    return {**cells, "type": match[1], "scale": match[2].strip()}


def _is_bit_table(at: str) -> bool:
    return at.startswith(("coil", "discrete")) or bool(re.fullmatch(r"[01]\d{4,5}(-.*)?", at))


def _kind(draft: Draft, cells: Mapping[str, str], bit: int | None, is_bit_table: bool) -> WordType:
    if is_bit_table:
        return WordType.BIT
    if bit is not None:
        draft.entries["bit"] = str(bit)
        return WordType.BIT
    text = cells.get("type", "")
    found = words.type_of(text)
    if found.type is WordType.BIT:
        raise ValueError(f"{text}: which bit of the register? add a column `bit`")
    draft.entries["type"] = found.type.value
    if found.length is not None:
        draft.entries["length"] = str(found.length)
    if found.word_order is Order.LOW_FIRST:
        draft.entries["word_order"] = Order.LOW_FIRST.value
    if found.byte_order is Order.LOW_FIRST:
        draft.entries["byte_order"] = Order.LOW_FIRST.value
    return found.type


def _scale_and_unit(draft: Draft, cells: Mapping[str, str], kind: WordType) -> None:
    unit_scale, unit = words.unit_of(cells.get("unit", ""))
    scale, scale_unit = _scale(draft, cells.get("scale", ""))
    if unit_scale != 1 and scale not in (1, unit_scale):
        raise ValueError(f"the scale column says {cells['scale']} and the unit column {cells['unit']}: which one?")
    if unit and scale_unit and unit != words.unit_of(scale_unit)[1]:
        raise ValueError(f"two units: {unit} and {scale_unit}")
    if kind in (WordType.BIT, WordType.TEXT):
        return
    total = scale if scale != 1 else unit_scale
    if total != 1:
        draft.entries["scale"] = f"{total:.12g}"
    if unit or scale_unit:
        draft.entries["unit"] = quoted(unit or words.unit_of(scale_unit)[1])


def _scale(draft: Draft, text: str) -> tuple[float, str]:
    """Return what the scale column says; a column of scale and unit may hold the unit alone."""
    if not text or text in ("-", "\u2013"):
        return 1.0, ""
    if not re.search(r"[0-9]", text):
        return 1.0, text
    scale, unit = words.scale_of(text)
    if scale > 1 and not unit:
        draft.notes.append(f"the list says {text}: where it means divided by that, write {1 / scale:g}")
    return scale, unit


def _number(text: str) -> float:
    return words.scale_of(text)[0] if text.strip() not in ("0", "0.0") else 0.0


def _name_and_role(draft: Draft, title: str, given: str, kind: WordType, roles: set[str]) -> tuple[str, str]:
    """Return the signal's name and its role: the column's, or one that the name clearly means and the line can have."""
    plain = plain_words(title)
    own = plain.replace(" ", "_")
    name = (own if own[:1].isalpha() else f"n{own}")[:50] or "value"
    if given:
        if given not in ROLES:
            raise ValueError(f"{given} is no role: {', '.join(ROLES)}")
        draft.entries["role"] = given
        return name, given
    role = own if own in ROLES else ROLE_WORDS.get(plain, "")
    if not role:
        return name, ""
    why_not = _role_misfit(draft, role, kind, roles)
    if why_not:
        draft.notes.append(f"not taken for {role}: {why_not}")
        return (f"{name}_value" if name in ROLES else name), ""
    return role, role


def _role_misfit(draft: Draft, role: str, kind: WordType, roles: set[str]) -> str:
    meaning = ROLES[role]
    if role in roles:
        return "another row has this role"
    if (meaning.kind is RoleKind.FLAG) != (kind is WordType.BIT):
        return "it is one bit" if kind is WordType.BIT else "it should be one bit"
    if meaning.unit and "unit" not in draft.entries:
        return f"the unit is missing ({meaning.unit})"
    if meaning.kind in (RoleKind.CODE, RoleKind.COUNTER) and "scale" in draft.entries:
        return f"a {meaning.kind.value} has no scale"
    if meaning.kind in (RoleKind.CODE, RoleKind.COUNTER):
        draft.entries.pop("unit", None)
    return ""


def _one_line(text: str) -> str:
    return " ".join("".join(letter if letter.isprintable() else " " for letter in text).split())
