"""Results as text for a terminal. What is printed is what the JSON form holds, in words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from rich.console import Console
from rich.table import Table

CAUTION = "The budget is advice. It replaces no protection."
NONE = "-"


def print_check(console: Console, result: dict[str, Any]) -> None:
    """Print each file's problems in the file:line form that editors jump to, then one line for all."""
    problems = 0
    for file in result["files"]:
        if file["ok"]:
            console.print(f"{file['file']}: good")
        for problem in file["problems"]:
            problems += 1
            place = file["file"] if problem["line"] is None else f"{file['file']}:{problem['line']}"
            console.print(f"{place}: {problem['field']}: {problem['message']}" if problem["field"] else f"{place}: {problem['message']}")
            for word in ("found", "allowed"):
                if problem[word]:
                    console.print(f"    {word:<8}{problem[word]}")
    console.print(f"{counted(len(result['files']), 'file')} checked, {counted(problems, 'problem')}")


def print_replay(console: Console, result: dict[str, Any]) -> None:
    """Print the starts of a trace, then the budget."""
    starts = result["starts"]
    if starts:
        print_starts(console, starts)
    console.print(f"{result['starter']}: {counted(len(starts), 'start')}, {result['starts_last_hour']} in the last 60 min of the trace")
    print_budget(console, result["budget"])


def print_starts(console: Console, starts: Sequence[dict[str, Any]], *, with_starter: bool = False) -> None:
    """Print starts as a table, one a line; `with_starter`: of several starters."""
    heads = ("start (UTC)", "outcome", "duration s", "peak x FLC", "I2t FLC2 s", "+- %", "as X-Tx", "heat %")
    table = _table(*(("starter", "no.") if with_starter else ()), *heads)
    for start in starts:
        table.add_row(*((start["starter"], str(start["number"])) if with_starter else ()), *_start_cells(start))
    console.print(table)


def print_budget(console: Console, budget: dict[str, Any]) -> None:
    """Print what every limit says, deciding one first, and the caution."""
    print_limits(console, budget)
    console.print(CAUTION)


def print_limits(console: Console, budget: dict[str, Any]) -> None:
    """Print the answer of a budget and what every limit says, deciding one first."""
    when = budget["next_start_at"]
    decides = budget["deciding_limit"]
    answer = "next permitted start cannot be told" if when is None else f"next permitted start {second(when)}"
    if decides is not None:
        answer += f"; {decides} decides"
    if budget["starts_left"] is not None:
        answer += f"; {counted(budget['starts_left'], 'start')} left"
    console.print(f"as of {second(budget['as_of'])}: {answer}")
    table = _table("limit", "next start (UTC)", "left", "why", "source")
    for limit in budget["limits"]:
        left = NONE if limit["starts_left"] is None else str(limit["starts_left"])
        next_at = NONE if limit["next_start_at"] is None else second(limit["next_start_at"])
        table.add_row(limit["limit"], next_at, left, limit["reason"], limit["source"])
    if budget["limits"]:
        console.print(table)


def _start_cells(start: dict[str, Any]) -> Sequence[str]:
    rating = start["equivalent_rating"]
    heat = (start["thermal_before"], start["thermal_after"])
    return (
        second(start["began_at"]),
        start["outcome"].replace("_", " "),
        _fixed(start["duration_s"], 2),
        _fixed(start["peak_ratio"], 2),
        _fixed(start["i2t_flc2s"], 1),
        _fixed(start["i2t_error_pct"], 1),
        NONE if rating is None else f"{rating['x']:.2f}-{rating['t_s']:.1f}",
        NONE if None in heat else f"{100 * heat[0]:.0f} to {100 * heat[1]:.0f}",
    )


def _table(*heads: str) -> Table:
    table = Table(box=None, pad_edge=False, header_style="bold", padding=(0, 2, 0, 0))
    for head in heads:
        # An instant or a number broken over lines is read wrong; words may fold.
        table.add_column(head, overflow="fold", no_wrap=head.endswith("(UTC)") or head in ("no.", "left"))
    return table


def second(iso: str) -> str:
    """Return an instant to the second, as it is printed."""
    return iso[:19].replace("T", " ")


def _fixed(value: float | None, digits: int) -> str:
    return NONE if value is None else f"{value:.{digits}f}"


def counted(number: int, noun: str) -> str:
    """Return a count with its noun."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
