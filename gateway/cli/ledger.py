"""`startledger ledger`."""

from __future__ import annotations

import csv
import sys
from typing import Annotated, Any

import typer
from rich.console import Console

from gateway.cli.output import GOOD, JsonOption, SiteArgument, StoreOption, show, starter_of
from gateway.cli.printing import counted, print_starts
from gateway.cli.report import FromOption, ToOption
from gateway.clock import RealClock
from gateway.errors import InputError, Problem
from gateway.instants import to_iso
from gateway.motors.records import Outcome, Start
from gateway.services.record_json import Json, start_json
from gateway.site import load_site
from gateway.store.periods import Periods
from gateway.store.reading_only import readers_of
from gateway.web.reports.period import chosen_period


def ledger(
    site: SiteArgument,
    starter: Annotated[str | None, typer.Option("--starter", help="One starter only.", show_default=False)] = None,
    from_text: FromOption = None,
    to_text: ToOption = None,
    outcome: Annotated[list[Outcome] | None, typer.Option("--outcome", help="Starts with this outcome only; may be repeated.")] = None,
    store: StoreOption = None,
    as_csv: Annotated[bool, typer.Option("--csv", help="Print every figure as CSV.")] = False,
    json: JsonOption = False,
) -> None:
    """List the starts of the store, unseen ones too, oldest first; it may be read while the gateway runs."""
    if as_csv and json:
        raise InputError([Problem(file="command line", field="--csv", found="--csv and --json", message="one form at a time")])
    loaded = load_site(site)
    names = [each.starter.name for each in loaded.starters] if starter is None else [starter_of(site, starter).starter.name]
    period = chosen_period(from_text, to_text, loaded.time_zone, RealClock().now())
    with readers_of(store or loaded.store_url) as readers:
        periods = Periods(readers)
        found = [(name, start) for name in names for start in periods.starts_touching(name, period.from_at, period.to_at)]
    rows = [ledger_row(name, start) for name, start in found if not outcome or start.outcome in outcome]
    rows.sort(key=lambda row: (row["began_at"], row["starter"]))
    if as_csv:
        _write_csv(rows)
    else:
        show({"from": to_iso(period.from_at), "to": to_iso(period.to_at), "starts": rows}, json, _print)
    raise typer.Exit(GOOD)


def ledger_row(name: str, start: Start) -> Json:
    """Return one line of the ledger: the starter's name, then the start in the published shape."""
    return {"starter": name, **start_json(start)}


def _print(console: Console, result: dict[str, Any]) -> None:
    starts = result["starts"]
    if starts:
        print_starts(console, starts, with_starter=True)
    outcomes = ", ".join(
        f"{sum(1 for start in starts if start['outcome'] == each.value)} {each.value.replace('_', ' ')}"
        for each in Outcome
        if any(start["outcome"] == each.value for start in starts)
    )
    console.print(f"{counted(len(starts), 'start')}{f': {outcomes}' if outcomes else ''}")


def _write_csv(rows: list[Json]) -> None:
    flat = [_flat(row) for row in rows]
    columns = list(dict.fromkeys(key for row in flat for key in row))
    writer = csv.DictWriter(sys.stdout, fieldnames=columns or ["starter"], lineterminator="\n", restval="")
    writer.writeheader()
    writer.writerows(flat)


def _flat(row: Json) -> Json:
    """Return a row whose objects became columns of their own: equivalent_rating_x and so on."""
    flat: Json = {}
    for key, value in row.items():
        if isinstance(value, dict):
            flat.update({f"{key}_{inner}": item for inner, item in value.items()})
        elif value is not None:
            flat[key] = value
    return flat
