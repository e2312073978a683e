"""`startledger replay`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from gateway.cli.output import JsonOption, SiteArgument, StarterOption, instant, show, starter_of
from gateway.cli.printing import print_replay
from gateway.drivers.trace import read_trace
from gateway.services.replay import replay as replayed


def replay(
    site: SiteArgument,
    trace: Annotated[Path, typer.Argument(help="The trace: CSV with a header row, `time` and one column a role.", show_default=False)],
    starter: StarterOption,
    at: Annotated[str | None, typer.Option("--at", help="Instant of the budget, ISO 8601 with zone; the last reading by default.")] = None,
    json: JsonOption = False,
) -> None:
    """Run the core over a recorded trace: its starts, stops, heat and budget."""
    found = starter_of(site, starter)
    result = replayed(found.starter, read_trace(trace), at=None if at is None else instant("--at", at))
    show(result.as_json(), json, print_replay)
