"""`startledger budget`."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from gateway.cli.budget_text import print_explained
from gateway.cli.output import FINDING, GOOD, JsonOption, SiteArgument, StarterOption, StoreOption, instant, show, starter_of
from gateway.clock import RealClock
from gateway.errors import InputError, Problem
from gateway.instants import Instant, to_iso
from gateway.services.record_json import budget_json, drift_json
from gateway.services.recovery import stored_track
from gateway.services.track import Track
from gateway.site import load_site
from gateway.store.reading_only import readers_of


def budget(
    site: SiteArgument,
    starter: StarterOption,
    at: Annotated[
        str | None, typer.Option("--at", help="Instant, ISO 8601 with zone, not before the last reading; now by default.")
    ] = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """Say whether a motor may be started, when next, which limit decides and by how much; status 1 while it may not.

    Reads the store only, also while the gateway runs.
    """
    found, loaded = starter_of(site, starter), load_site(site)
    when = RealClock().now() if at is None else instant("--at", at)
    with readers_of(store or loaded.store_url) as readers:
        track = stored_track(found.starter, readers)
    _refuse_past(track, when, at)
    result = budget_result(track, when)
    show(result, json, print_explained)
    said = result["budget"]
    raise typer.Exit(GOOD if said["wait_s"] == 0.0 else FINDING)


def budget_result(track: Track, when: Instant) -> dict[str, Any]:
    """Return the budget of a starter at an instant, with what is known of it then."""
    live, starter = track.live(), track.starter
    return {
        "starter": starter.name,
        "title": starter.title,
        "state": live.state.value,
        "last_reading_at": None if live.at is None else to_iso(live.at),
        "starts_last_hour": track.watch.starts_since(when),
        "drifts": [drift_json(drift) for drift in live.drifts],
        "budget": budget_json(track.watch.explained_budget(when)),
    }


def _refuse_past(track: Track, when: Instant, text: str | None) -> None:
    if track.at is None or when >= track.at:
        return
    message = "that is before the last stored reading; `replay` tells of the past"
    allowed = f"{to_iso(track.at)} or later"
    raise InputError([Problem(file="command line", field="--at", found=text or to_iso(when), allowed=allowed, message=message)])
