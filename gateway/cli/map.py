"""`startledger map table` and `startledger map from-csv`."""

from __future__ import annotations

import re
import sys
import tempfile
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from gateway.bench.manual_csv import Begun, read_list
from gateway.bench.map_table import WRITERS
from gateway.cli.output import FINDING, GOOD, tell
from gateway.errors import InputError, Problem
from gateway.registers.load import load_map
from gateway.registers.model import Table

maps = typer.Typer(name="map", help="Register maps as tables, and maps begun from a manual's list.", no_args_is_help=True)


class Form(StrEnum):
    """Forms of the table."""

    MARKDOWN = "markdown"
    CSV = "csv"
    HTML = "html"


OutOption = Annotated[Path | None, typer.Option("--out", help="Write to this file instead of the terminal.", show_default=False)]


@maps.command()
def table(
    map_file: Annotated[Path, typer.Argument(metavar="MAP", help="The register map.", show_default=False)],
    form: Annotated[Form, typer.Option("--as", help="Form of the table.")] = Form.MARKDOWN,
    out: OutOption = None,
) -> None:
    """Print a map as a table for the cabinet documentation."""
    _write(WRITERS[form.value](load_map(map_file)), out)
    raise typer.Exit(GOOD)


@maps.command("from-csv")
def from_csv(
    file: Annotated[Path, typer.Argument(help="CSV with a heading row: name, address, type, unit, scale ...", show_default=False)],
    first_address: Annotated[int, typer.Option("--first-address", min=0, max=1, help="How the manual's plain numbers count.")] = 1,
    standing_in: Annotated[Table | None, typer.Option("--table", help="Where plain numbers stand if no column says so.")] = None,
    name: Annotated[str, typer.Option("--name", help="Name of the map.", show_default="the file's")] = "",
    out: OutOption = None,
) -> None:
    """Begin a map from a register list that you made from a manual; every row that is unclear is named with its line."""
    begun = _loadable(read_list(file, table=standing_in), first_address)
    if not begun.drafts:
        problems = [Problem(file=str(file), line=each.line, found=each.row, message=each.message) for each in begun.unclear]
        raise InputError(problems or [Problem(file=str(file), message="no row below the heading could be used")])
    _write(begun.yaml(name or file.stem, first_address, file.name), out)
    taken = ", ".join(f"{heading} as {column}" for column, heading in begun.columns.items() if heading.lower() != column)
    if taken:
        tell(f"columns: {taken}")
    for each in begun.unclear:
        tell(f"{file}:{each.line}: {each.message}")
        tell(f"    row     {each.row}")
    rows = len(begun.drafts) + len(begun.unclear)
    tell(f"{len(begun.drafts)} of {rows} rows became signals, {len(begun.unclear)} are unclear and stand at the end as comments")
    raise typer.Exit(FINDING if begun.unclear else GOOD)


def _loadable(begun: Begun, first_address: int) -> Begun:
    """Return the draft without the lines that the map loader refuses; they become unclear rows with the loader's reason."""
    while begun.drafts:
        with tempfile.TemporaryDirectory() as folder:
            draft = Path(folder) / "draft.yaml"
            draft.write_text(begun.yaml("draft", first_address, "a list"), encoding="utf-8")
            try:
                load_map(draft)
            except InputError as error:
                refused: dict[str, str] = {}
                for problem in error.problems:
                    match = re.match(r"signals\.([A-Za-z0-9_]+)", problem.field)
                    if match is None:
                        raise
                    refused.setdefault(match[1], str(problem.message))
                begun = begun.without(refused)
            else:
                return begun
    return begun


def _write(text: str, out: Path | None) -> None:
    if out is None:
        sys.stdout.write(text)
        return
    try:
        with out.open("x", encoding="utf-8", newline="") as file:
            file.write(text)
    except FileExistsError:
        raise InputError([Problem(file=str(out), field="--out", message="the file is there already: name a new one")]) from None
    except OSError as error:
        raise InputError([Problem(file=str(out), field="--out", message=f"cannot be written: {error.strerror}")]) from error
    tell(f"written to {out}")
