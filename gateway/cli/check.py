"""`startledger check`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from gateway.cli.output import FINDING, GOOD, JsonOption, show
from gateway.cli.printing import print_check
from gateway.errors import InputError, Problem
from gateway.site import check_files


def check(
    files: Annotated[list[Path], typer.Argument(help="Site files, register maps, or folders of them.", show_default=False)],
    json: JsonOption = False,
) -> None:
    """Check site files and register maps, and name every mistake with file, line and field."""
    result = check_files(_files_in(files))
    show(result, json, print_check)
    raise typer.Exit(GOOD if all(file["ok"] for file in result["files"]) else FINDING)


def _files_in(paths: list[Path]) -> list[Path]:
    found: list[Path] = []
    for path in paths:
        found.extend(sorted([*path.rglob("*.yaml"), *path.rglob("*.yml")]) if path.is_dir() else [path])
    if not found:
        places = ", ".join(map(str, paths))
        raise InputError([Problem(file=places, message="no .yaml file in there", allowed="site files and register maps")])
    return found
