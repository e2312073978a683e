"""The demo: the invented plant Tarn Hollow simulated on real sockets, with a week of history, and the gateway that reads it.

The history is made by the same simulated starters, the same decoder, core and store as the live run; only sockets and waiting are left out.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import uvloop
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from gateway.app import Tell, serve_gateway, stop_on_signals
from gateway.clock import Clock, RealClock
from gateway.demo_history import write_history
from gateway.demo_keeper import history_keeper
from gateway.errors import InputError, Problem, StartledgerError
from gateway.instants import SECOND, Instant, from_datetime, from_iso, to_datetime, to_iso
from gateway.registers.model import Protocol
from gateway.site import Site, StarterSite, load_site
from gateway.web.serving import bound_socket
from simulators.live import LivePlant, build_starters
from simulators.plant import SimulatedStarter
from simulators.scenario import Scenario, load_scenario

FOLDER = Path(__file__).parent.parent / "config" / "demo"
LONGEST_DAYS = 60
LAST_STRETCH_S = 5.0


def run_demo(folder: Path, *, fresh: bool, port: int | None, days: int, tell: Tell) -> None:
    """Make the history where there is none, then serve the simulated plant and the gateway until Ctrl-C.

    folder holds the demo's store; a second run goes on where the first one ended, and the time between is a gap like any other.
    """
    clock = RealClock()
    site, scenario = demo_site(folder, port), load_scenario(FOLDER / "scenario.yaml")
    # A taken port is told before a minute of history is made, not after.
    bound_socket(site.web.host, site.web.port).close()
    begin_at, is_new = plant_begin(folder, site, clock, fresh=fresh, days=days)
    starters = build_starters(scenario)
    _bring_up(site, starters, begin_at, clock, is_new=is_new)
    if is_new:
        note_file(folder).write_text(to_iso(begin_at) + "\n", encoding="utf-8")
    uvloop.run(_live(site, scenario, starters, begin_at, clock, tell))
    tell(f"stopped; the store is kept in {folder} (--fresh forgets it)")


async def _live(
    site: Site, scenario: Scenario, starters: dict[str, SimulatedStarter], begin_at: Instant, clock: Clock, tell: Tell
) -> None:
    stop = stop_on_signals()
    async with LivePlant(scenario, starters, begin_at=begin_at, clock=clock) as plant:
        served = served_site(site, scenario, plant)

        def ready(address: str) -> None:
            tell(f"{site.name}: {len(served.starters)} simulated starters on {len(scenario.addresses)} connections")
            tell(f"pages at {address}   Ctrl-C ends the demo")

        await serve_gateway(served, clock, stop, on_ready=ready)


def served_site(site: Site, scenario: Scenario, plant: LivePlant) -> Site:
    """Return a site whose starters are where the simulated plant really serves them."""
    address_of = {placed.make.name: placed.address for placed in scenario.starters}

    def moved(each: StarterSite) -> StarterSite:
        name = address_of[each.starter.name]
        if each.address.protocol is Protocol.OPCUA:
            endpoint = plant.opcua[name].endpoint
            host, _, port = endpoint.removeprefix("opc.tcp://").partition(":")
            return replace(each, address=replace(each.address, host=host, port=int(port.partition("/")[0]), endpoint=endpoint))
        return replace(each, address=replace(each.address, port=plant.modbus[name].port))

    return replace(site, starters=tuple(moved(each) for each in site.starters))


def demo_site(folder: Path, port: int | None) -> Site:
    """Return the demo's site file, with all that it writes in the demo's folder; InputError when it is not there or has a mistake."""
    if not (FOLDER / "site.yaml").is_file():
        raise InputError([Problem(file=str(FOLDER), message="the demo's files are not there; run it from a copy of the project")])
    site = load_site(FOLDER / "site.yaml")
    web = site.web if port is None else replace(site.web, port=port)
    # The site file's own folder belongs to the project: what the demo writes goes beside its store.
    reports = None if site.reports is None else replace(site.reports, folder=reports_folder(folder).resolve())
    return replace(site, store_url=f"sqlite:///{store_file(folder).resolve()}", web=web, reports=reports)


def store_file(folder: Path) -> Path:
    """Return where the demo keeps its store."""
    return folder / "tarn-hollow.db"


def reports_folder(folder: Path) -> Path:
    """Return where the demo's weekly reports go."""
    return folder / "reports"


def note_file(folder: Path) -> Path:
    """Return where the begin of the plant is noted, once its history is whole."""
    return folder / "began"


def plant_begin(folder: Path, site: Site, clock: Clock, *, fresh: bool, days: int) -> tuple[Instant, bool]:
    """Return the instant at which the simulated plant began, and whether its history is still to be made.

    The instant is noted in the folder once the history is whole: one that was broken off is made anew, never gone on with.
    """
    note = note_file(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if note.exists() and store_file(folder).exists() and not fresh:
            begin_at = from_iso(note.read_text(encoding="utf-8").strip())
            if clock.now() - begin_at > LONGEST_DAYS * 86400 * SECOND:
                began = to_iso(begin_at)[:10]
                raise StartledgerError(f"the demo in {folder} began on {began}, too long ago to go on; start it with --fresh")
            return begin_at, False
        for left in (note, *folder.glob("tarn-hollow.db*"), *reports_folder(folder).glob("tarn-hollow-*")):
            left.unlink(missing_ok=True)
    except (OSError, ValueError) as error:
        problem = Problem(file=str(folder), message=f"the demo cannot keep its store there: {error}; choose another with --folder")
        raise InputError([problem]) from error
    return _midnight(clock.now(), site, days), True


def _midnight(now: Instant, site: Site, days: int) -> Instant:
    """Return the plant's local midnight so many days ago."""
    today = to_datetime(now).astimezone(site.time_zone).date()
    day = today - timedelta(days=days)
    return from_datetime(datetime(day.year, day.month, day.day, tzinfo=site.time_zone))


def _bring_up(site: Site, starters: dict[str, SimulatedStarter], begin_at: Instant, clock: Clock, *, is_new: bool) -> None:
    """Bring the simulated plant to now: with its history written where the store is new, else silently."""
    done_s, until_s = 0.0, (clock.now() - begin_at) / SECOND
    text = "making the history" if is_new else "bringing the plant up to date"
    columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.percentage:>3.0f} %"), TimeRemainingColumn())
    bar = Progress(*columns, console=Console(stderr=True))
    with bar:
        task = bar.add_task(text, total=until_s * len(starters))

        def advance(part_s: float) -> None:
            bar.advance(task, part_s)

        if is_new:
            with history_keeper(site) as keep:
                # Making the history takes a while itself: what passed meanwhile is made too, so that no gap is left before the live run.
                while until_s - done_s > LAST_STRETCH_S:
                    write_history(keep, site, starters, begin_at, (done_s, until_s), advance)
                    done_s, until_s = until_s, (clock.now() - begin_at) / SECOND
            return
        for starter in starters.values():
            starter.advance_to(until_s)
            advance(until_s)
