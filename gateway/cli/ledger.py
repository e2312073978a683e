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
from gateway.instants import HOUR, Instant, to_iso
from gateway.motors.facts import Starter
from gateway.motors.rating_check import check_start
from gateway.motors.rating_index import RatingIndex, parse_rating
from gateway.motors.records import Outcome, Start, Stop
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
    starters = [each.starter for each in loaded.starters] if starter is None else [starter_of(site, starter).starter]
    period = chosen_period(from_text, to_text, loaded.time_zone, RealClock().now())
    with readers_of(store or loaded.store_url) as readers:
        periods = Periods(readers)
        rows = [row for each in starters for row in _rows(periods, each, period.from_at, period.to_at, outcome)]
    rows.sort(key=lambda row: (row["began_at"], row["starter"]))
    if as_csv:
        _write_csv(rows)
    else:
        show({"from": to_iso(period.from_at), "to": to_iso(period.to_at), "starts": rows}, json, _print)
    raise typer.Exit(GOOD)


def _rows(periods: Periods, starter: Starter, from_at: Instant, to_at: Instant, outcomes: list[Outcome] | None) -> list[Json]:
    """Return the starts of a period: the starter's name, the start in the published shape, and what it exceeded of the starter's rating."""
    earlier_at = from_at - 2 * HOUR
    starts, stops = periods.starts_touching(starter.name, earlier_at, to_at), periods.stops_between(starter.name, earlier_at, to_at)
    wanted = [start for start in starts if start.ended_at >= from_at and (not outcomes or start.outcome in outcomes)]
    rating = _rating(starter)
    return [
        {"starter": starter.name, **start_json(start), "rating_exceeded": _exceeded(rating, starter, start, starts, stops)}
        for start in wanted
    ]


def _rating(starter: Starter) -> RatingIndex | None:
    return None if starter.device.rating is None else parse_rating(starter.device.rating)


def _exceeded(rating: RatingIndex | None, starter: Starter, start: Start, starts: list[Start], stops: list[Stop]) -> list[str]:
    found = () if rating is None else check_start(rating, starter, start, starts, stops)
    return [
        f"{each.what.value} {each.found:.4g} {each.unit}, rated {each.allowed:.4g}{'' if each.certain else ' (maybe)'}" for each in found
    ]


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
    beyond = sum(1 for start in starts if start["rating_exceeded"])
    if beyond:
        console.print(f"{counted(beyond, 'start')} beyond the starter's rating; --json and --csv say by what")


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
        elif isinstance(value, list):
            flat[key] = "; ".join(value)
        elif value is not None:
            flat[key] = value
    return flat
