"""Where commands print, and what they share: exit statuses, the `--json` option, the site file and its starter."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any

import orjson
import typer
from rich.console import Console

from gateway.errors import InputError, Problem
from gateway.instants import Instant, from_iso
from gateway.registers.findings import nearest
from gateway.site import StarterSite, load_site

GOOD, FINDING, WRONG_INPUT = 0, 1, 2

out = Console(soft_wrap=True, highlight=False, markup=False)
err = Console(stderr=True, soft_wrap=True, highlight=False, markup=False)

JsonOption = Annotated[bool, typer.Option("--json", help="Print the result as JSON.")]
SiteArgument = Annotated[Path, typer.Argument(help="The site file.", show_default=False)]
StoreOption = Annotated[str | None, typer.Option("--store", help="Store to read instead of the site file's, such as sqlite:///x.db.")]
StarterOption = Annotated[str, typer.Option("--starter", help="Name of the starter in the site file.", show_default=False)]


def tell(text: str) -> None:
    """Print a message for people: what is going on, where to look."""
    err.print(text)


def show(result: dict[str, Any], as_json: bool, print_text: Callable[[Console, dict[str, Any]], None]) -> None:
    """Print a result: as JSON for programs, else as text."""
    if as_json:
        sys.stdout.write(orjson.dumps(result, option=orjson.OPT_INDENT_2).decode() + "\n")
    else:
        print_text(out, result)


def starter_of(site: Path, name: str) -> StarterSite:
    """Return one starter of a site file; InputError naming those that there are."""
    loaded = load_site(site)
    found = loaded.starter(name)
    if found is not None:
        return found
    names = [each.starter.name for each in loaded.starters]
    hint = nearest(name, names)
    message = "the site file has no such starter" + (f": {hint}" if hint else "")
    raise InputError([Problem(file=str(site), field="--starter", found=name, allowed=", ".join(names), message=message)])


def instant(option: str, text: str) -> Instant:
    """Return an instant given on the command line; InputError when it is none."""
    try:
        return from_iso(text)
    except ValueError as error:
        allowed = "ISO 8601 with a zone, such as 2026-03-12T14:12:00Z"
        raise InputError([Problem(file="command line", field=option, found=text, allowed=allowed, message=str(error))]) from error
