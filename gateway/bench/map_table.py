"""A register map as a table for the cabinet documentation: Markdown, CSV or HTML."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from html import escape

from gateway.bench.exchange import on_wire
from gateway.registers.model import ModbusPlace, OpcuaPlace, Order, RegisterMap, Signal, WordType
from gateway.registers.roles import ROLES

HEADS = ("signal", "meaning", "address", "on the wire", "type", "scale", "unit", "plausible", "values")


def map_rows(register_map: RegisterMap) -> list[tuple[str, ...]]:
    """Return one row for each signal, in the order of the file; on the wire means function code and address, counted from 0."""
    return [_row(signal) for signal in register_map.signals]


def _row(signal: Signal) -> tuple[str, ...]:
    place = signal.place
    if isinstance(place, ModbusPlace):
        written, wire = place.written, on_wire(place.span)
    else:
        written, wire = place.written, _node(place)
    return (
        signal.name,
        "" if signal.role is None else ROLES[signal.role].meaning,
        written,
        wire,
        _type(signal),
        _scale(signal),
        signal.unit,
        "" if signal.plausible is None else f"{signal.plausible[0]:g} to {signal.plausible[1]:g}",
        ", ".join(f"{code} {text}" for code, text in signal.texts.items()),
    )


def _node(place: OpcuaPlace) -> str:
    if place.identifier:
        return f"nsu={place.namespace_uri};{place.identifier}"
    return " / ".join(f"{{{uri}}}{name}" if uri else name for uri, name in place.path)


def _type(signal: Signal) -> str:
    if signal.type is None:
        return "from the server"
    is_register = isinstance(signal.place, ModbusPlace) and not signal.place.span.table.holds_bits
    if signal.type is WordType.BIT:
        return f"bit {signal.bit}" if is_register else "bit"
    if signal.type is WordType.BITS and is_register:
        return f"bits {signal.bit} to {(signal.bit or 0) + signal.bit_count - 1}"
    parts = [signal.type.value]
    if isinstance(signal.place, ModbusPlace) and signal.place.span.count > 1 and signal.type is not WordType.TEXT:
        parts.append("low word first" if signal.word_order is Order.LOW_FIRST else "high word first")
    if signal.byte_order is Order.LOW_FIRST:
        parts.append("bytes swapped")
    return ", ".join(parts)


def _scale(signal: Signal) -> str:
    parts = []
    if signal.scale_from is not None:
        parts.append(f"10^({signal.scale_from})")
    if signal.scale != 1:
        parts.append(f"x {signal.scale:.12g}")
    if signal.offset:
        parts.append(f"{signal.offset:+.12g}")
    return " ".join(parts)


def as_markdown(register_map: RegisterMap) -> str:
    """Return the table as Markdown, readable as it stands.

    >>> print(as_markdown(RegisterMap(name="demo", protocol="modbus", signals=())).splitlines()[0])
    # Register map demo
    """
    rows = [HEADS, *map_rows(register_map)]
    cells = [[cell.replace("\\", "\\\\").replace("|", "\\|") for cell in row] for row in rows]
    widths = [max(3, *(len(row[column]) for row in cells)) for column in range(len(HEADS))]
    lines = ["| " + " | ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)) + " |" for row in cells]
    lines.insert(1, "|" + "|".join("-" * (width + 2) for width in widths) + "|")
    return "\n".join([f"# Register map {register_map.name}", "", *(f"- {each}" for each in settings_text(register_map)), "", *lines]) + "\n"


def as_csv(register_map: RegisterMap) -> str:
    """Return the table as CSV (RFC 4180); a cell that a spreadsheet would take for a formula gets an apostrophe before it."""
    sheet = io.StringIO()
    writer = csv.writer(sheet, lineterminator="\r\n")
    writer.writerow(HEADS)
    for row in map_rows(register_map):
        writer.writerow([_harmless(cell) for cell in row])
    return sheet.getvalue()


def as_html(register_map: RegisterMap) -> str:
    """Return the table as one HTML page without outside parts, to print."""
    head = "".join(f"<th>{escape(head)}</th>" for head in HEADS)
    body = "\n".join("<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in map_rows(register_map))
    settings = "".join(f"<li>{escape(each)}</li>" for each in settings_text(register_map))
    title = escape(f"Register map {register_map.name}")
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>{title}</title><style>{_STYLE}</style></head><body>\n'
        f"<h1>{title}</h1>\n<ul>{settings}</ul>\n<table><thead><tr>{head}</tr></thead><tbody>\n{body}\n</tbody></table>\n</body></html>\n"
    )


_STYLE = (
    "body{font:13px/1.4 system-ui,sans-serif;margin:1.5rem;color:#222}table{border-collapse:collapse;width:100%}"
    "th,td{border:1px solid #999;padding:.2rem .4rem;text-align:left;vertical-align:top}thead{display:table-header-group}"
    "tr{break-inside:avoid}@page{size:landscape}"
)

WRITERS: dict[str, Callable[[RegisterMap], str]] = {"markdown": as_markdown, "csv": as_csv, "html": as_html}
"""The forms of the table by name."""


def settings_text(register_map: RegisterMap) -> list[str]:
    """Return the head of a map in words."""
    if any(isinstance(signal.place, OpcuaPlace) for signal in register_map.signals):
        return ["OPC UA; nodes are named by the URI of their namespace"]
    lines = [
        f"Modbus; addresses as written count from {register_map.first_address}, those on the wire from 0 (function code:address)",
        f"at most {register_map.largest_block} registers in one request, timeout {register_map.timeout_s:g} s",
    ]
    if register_map.forbidden:
        lines.append(f"never read: {', '.join(on_wire(span) for span in register_map.forbidden)}")
    return lines


def _harmless(cell: str) -> str:
    if cell[:1] not in ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠"):
        return cell
    try:
        float(cell)
    except ValueError:
        return f"'{cell}"
    return cell
