"""`startledger run` and `startledger demo`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from gateway import app
from gateway.cli.output import tell
from gateway.errors import InputError, Problem
from gateway.site import load_site


def run(site: Annotated[Path | None, typer.Argument(metavar="SITE", help="The site file.", show_default=False)] = None) -> None:
    """Run the gateway: read the starters, keep the ledger, serve the pages."""
    if site is None or not site.exists():
        raise InputError([_no_site(site)])
    app.run(load_site(site), tell)


def _no_site(site: Path | None) -> Problem:
    """Return what is missing, with the command that comes next."""
    near = [each for each in (Path("site.yaml"), Path("site.yml")) if each.is_file()]
    if near:
        step = f"`startledger run {near[0]}`"
    else:
        step = "`startledger new my-plant` makes a site to begin with; `startledger demo` shows a simulated plant first"
    if site is None:
        return Problem(file="command line", field="SITE", message=f"no site file is named; {step}")
    return Problem(file=str(site), message=f"there is no such file: check the name and the folder; {step}")


def demo(
    fresh: Annotated[bool, typer.Option("--fresh", help="Forget the demo's earlier history and make it anew.")] = False,
    port: Annotated[int | None, typer.Option("--port", min=0, max=65535, help="Port of the pages; 0 takes any free one.")] = None,
    folder: Annotated[Path, typer.Option("--folder", help="Where the demo keeps its store.")] = Path(".startledger-demo"),
    days: Annotated[int, typer.Option("--days", min=0, max=30, help="Whole days of history to make, besides today.")] = 7,
) -> None:
    """Start a simulated plant, the gateway and its pages, with a week of history."""
    # The simulators belong to the demo alone: a gateway in service never loads them.
    from gateway.demo import run_demo

    run_demo(folder, fresh=fresh, port=port, days=days, tell=tell)
