"""One figure of the table, with what it is held against, and the table."""

from __future__ import annotations

from dataclasses import dataclass

from rich.console import Console
from rich.table import Table


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One row. what: in words; figure: the measured one with its unit; baseline: what it is held against, measured in the same run.

    ratio: of the two, None where there is nothing to divide by. aim: in words, "" for none; reached: None where there is none.
    """

    what: str
    figure: str
    baseline: str = ""
    ratio: float | None = None
    aim: str = ""
    reached: bool | None = None


def print_figures(console: Console, figures: list[Figure]) -> None:
    """Print the table."""
    table = Table(box=None, padding=(0, 2, 0, 0))
    for head in ("what", "figure", "against", "ratio", "aim", ""):
        table.add_column(head, justify="right" if head == "ratio" else "left")
    for each in figures:
        ratio = "" if each.ratio is None else f"{each.ratio:.3g}"
        verdict = "" if each.reached is None else "reached" if each.reached else "MISSED"
        table.add_row(each.what, each.figure, each.baseline, ratio, each.aim, verdict)
    console.print(table)
