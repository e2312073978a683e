"""`startledger run` and `startledger demo`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from gateway import app
from gateway.cli.output import SiteArgument, tell
from gateway.site import load_site


def run(site: SiteArgument) -> None:
    """Run the gateway: read the starters, keep the ledger, serve the pages."""
    app.run(load_site(site), tell)


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
