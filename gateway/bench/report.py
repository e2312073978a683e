"""A result of the bench as a file to hand to the device's integrator: one HTML page without outside parts, or JSON."""

from __future__ import annotations

import os
from collections.abc import Sequence
from html import escape
from pathlib import Path
from typing import Any

import orjson

from gateway import __version__
from gateway.bench.sheets import MARKED, Sheet
from gateway.errors import InputError, Problem
from gateway.instants import Instant, to_iso

_STYLE = """
body { font: 15px/1.45 system-ui, sans-serif; color: #222; background: #f4f4f2; margin: 2rem auto; max-width: 75rem; padding: 0 1rem; }
h1 { font-size: 1.3rem; } h2 { font-size: 1.05rem; margin-top: 2rem; }
table { border-collapse: collapse; background: #fff; width: 100%; }
th, td { text-align: left; vertical-align: top; padding: .25rem .6rem; border-bottom: 1px solid #ddd; }
td { font-variant-numeric: tabular-nums; }
tr.marked td { background: #fff3e0; } tr.marked td:first-child { border-left: 4px solid #b45309; }
pre { background: #fff; border: 1px solid #ddd; padding: .6rem; overflow-x: auto; }
p.facts { color: #555; }
"""


def report_html(title: str, at: Instant, facts: Sequence[str], sheets: Sequence[Sheet]) -> str:
    """Return the report as one page; every text of device and user is escaped.

    >>> "<b>" in report_html("<b>", 0, [], [])
    False
    """
    parts = [
        "<!doctype html>",
        f'<html lang="en"><head><meta charset="utf-8"><title>{escape(title)}</title><style>{_STYLE}</style></head><body>',
        f"<h1>{escape(title)}</h1>",
        f'<p class="facts">Made {escape(to_iso(at)[:19].replace("T", " "))} UTC with startledger {escape(__version__)}. '
        "Only read requests were sent; nothing was written to the device.</p>",
    ]
    parts += [f'<p class="facts">{escape(fact)}</p>' for fact in facts]
    for sheet in sheets:
        parts += _sheet_html(sheet)
    parts.append("</body></html>")
    return "\n".join(parts) + "\n"


def _sheet_html(sheet: Sheet) -> list[str]:
    parts = [f"<h2>{escape(sheet.title)}</h2>"]
    parts += [f"<p>{escape(text)}</p>" for text in sheet.before]
    if sheet.heads:
        parts.append("<table><thead><tr>" + "".join(f"<th>{escape(head)}</th>" for head in sheet.heads) + "</tr></thead><tbody>")
        for row in sheet.rows:
            mark = ' class="marked"' if MARKED.intersection(row) else ""
            parts.append(f"<tr{mark}>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>")
        parts.append("</tbody></table>")
    if sheet.after:
        parts.append("<ul>" + "".join(f"<li>{escape(text)}</li>" for text in sheet.after) + "</ul>")
    if sheet.pasted:
        parts.append("<p>For the map:</p><pre>" + escape("\n".join(sheet.pasted)) + "</pre>")
    return parts


def check_report_path(path: Path | None) -> None:
    """Raise InputError when a report cannot be written as this file; told before anything is sent."""
    if path is None:
        return
    if path.suffix not in (".html", ".json"):
        raise InputError([_problem(path, "name it .html or .json", "report.html, report.json")])
    if not path.parent.is_dir():
        raise InputError([_problem(path, "its folder is not there", "a file in a folder that exists")])
    if not os.access(path.parent, os.W_OK) or (path.exists() and not os.access(path, os.W_OK)):
        raise InputError([_problem(path, "it may not be written there", "a file where you may write")])


def write_report(path: Path, title: str, at: Instant, facts: Sequence[str], sheets: Sequence[Sheet], result: dict[str, Any]) -> None:
    """Write the report; what it holds is told by its ending. Raises InputError when it cannot be written."""
    if path.suffix == ".json":
        content = orjson.dumps({"report": title, "made_at": to_iso(at), "facts": list(facts), **result}, option=orjson.OPT_INDENT_2)
    else:
        content = report_html(title, at, facts, sheets).encode()
    try:
        path.write_bytes(content)
    except OSError as error:
        raise InputError([_problem(path, f"cannot be written: {error.strerror}", "")]) from error


def _problem(path: Path, message: str, allowed: str) -> Problem:
    return Problem(file=str(path), field="--report", found=path.name, allowed=allowed, message=message)
