"""`startledger check`."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console

from gateway.cli.output import FINDING, GOOD, WRONG_INPUT, JsonOption, show
from gateway.cli.printing import print_check
from gateway.cli.read_plan import plans_in, print_plan
from gateway.errors import InputError, Problem
from gateway.site import check_files

_FIRST_KEY = re.compile(r"^(site|map):", re.MULTILINE)


def check(
    files: Annotated[list[Path], typer.Argument(help="Site files, register maps, or folders of them.", show_default=False)],
    plan: Annotated[bool, typer.Option("--plan", help="Print what is asked of each map's device, as bytes too.")] = False,
    json: JsonOption = False,
) -> None:
    """Check site files and register maps, and name every mistake with file, line and field."""
    result = check_files(_files_in(files))
    if plan:
        result["plans"] = plans_in(Path(file["file"]) for file in result["files"] if file["ok"])
    show(result, json, _print)
    missing = any(not Path(file["file"]).is_file() for file in result["files"])
    raise typer.Exit(WRONG_INPUT if missing else GOOD if all(file["ok"] for file in result["files"]) else FINDING)


def _print(console: Console, result: dict[str, Any]) -> None:
    for plan in result.get("plans", ()):
        print_plan(console, plan)
    print_check(console, result)


def _files_in(paths: list[Path]) -> list[Path]:
    """Return the files to check: those named, and of a folder those that are site files or maps by what they hold."""
    found: list[Path] = []
    for path in paths:
        found.extend(filter(_is_ours, sorted([*path.rglob("*.yaml"), *path.rglob("*.yml")])) if path.is_dir() else [path])
    if not found:
        places = ", ".join(map(str, paths))
        raise InputError([Problem(file=places, message="no site file and no map in there", allowed="files with `site:` or `map:`")])
    return found


def _is_ours(path: Path) -> bool:
    try:
        return _FIRST_KEY.search(path.read_text(encoding="utf-8")) is not None
    except (OSError, UnicodeDecodeError):
        # The check itself says what is wrong with it.
        return True
