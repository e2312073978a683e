"""`startledger report` and `startledger export`."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from pathlib import Path
from typing import Annotated

import typer

from gateway.cli.output import JsonOption, SiteArgument, StarterOption, out, starter_of, tell
from gateway.clock import RealClock
from gateway.errors import InputError, Problem
from gateway.services.last_good import last_good_of
from gateway.site import load_site
from gateway.store.periods import Periods
from gateway.store.reading_only import readers_of
from gateway.web.exports import Wanted, What, exported
from gateway.web.plant_time import PlantTime
from gateway.web.reports.content import Report
from gateway.web.reports.issue import FORMS, issue_report
from gateway.web.reports.period import chosen_period
from gateway.web.reports.plain import json_bytes
from gateway.web.reports.summary import headline, topics
from gateway.web.reports.weekly import write_whole
from gateway.web.reports.words import CAUTION, period_words

_DAY = "A day of the plant (2026-03-12) or an instant with a zone (2026-03-12T14:12:00Z)"
FromOption = Annotated[str | None, typer.Option("--from", help=f"{_DAY}; seven days up to the end if left out.", show_default=False)]
ToOption = Annotated[str | None, typer.Option("--to", help=f"{_DAY}; a day with all its hours. Now if left out.", show_default=False)]


def report(
    site: SiteArgument,
    from_text: FromOption = None,
    to_text: ToOption = None,
    starter: Annotated[str | None, typer.Option("--starter", help="One starter only.", show_default=False)] = None,
    out_file: Annotated[Path | None, typer.Option("--out", help="FILE.pdf, .html, .csv or .json.", show_default=False)] = None,
    json: JsonOption = False,
) -> None:
    """Report on a period: who starts most, what was exceeded, what changed, what is missing, and a page a motor."""
    form = None if out_file is None else _form(out_file, tuple(FORMS))
    if starter is not None:
        starter_of(site, starter)
    loaded, now = load_site(site), RealClock().now()
    period = chosen_period(from_text, to_text, loaded.time_zone, now)
    starters = [each.starter for each in loaded.starters if starter is None or each.starter.name == starter]
    with readers_of(loaded.store_url) as readers:
        made = issue_report(loaded, Periods(readers), period, last_good_of(readers, starters).get, now, starter or "")
    time = PlantTime(loaded.time_zone)
    if out_file is not None and form is not None:
        write_whole(out_file, FORMS[form](made, time))
        tell(f"report {made.id} written to {out_file}")
    if json:
        sys.stdout.write(json_bytes(made).decode())
    else:
        _print(made, time)


def export(
    site: SiteArgument,
    starter: StarterOption,
    what: Annotated[What, typer.Option("--what", help="What of it.")] = What.STARTS,
    from_text: FromOption = None,
    to_text: ToOption = None,
    out_file: Annotated[
        Path | None, typer.Option("--out", help="FILE.csv or .json; CSV to the screen if left out.", show_default=False)
    ] = None,
) -> None:
    """Export the starts, readings or alerts of one starter. The CSV of readings is a trace that `replay` takes."""
    form = "csv" if out_file is None else _form(out_file, ("csv", "json"))
    found, loaded = starter_of(site, starter), load_site(site)
    period = chosen_period(from_text, to_text, loaded.time_zone, RealClock().now())
    keys = tuple(sorted(found.starter.signals.keys))
    wanted = Wanted(what=what, starter=starter, period=period, keys=keys, zone=loaded.time_zone)
    with readers_of(loaded.store_url) as readers:
        pieces = exported(Periods(readers), wanted, form)
        if out_file is None:
            sys.stdout.writelines(pieces)
            return
        _write(out_file, pieces)
    tell(f"{what.value} of {starter} written to {out_file}")


def _form(path: Path, forms: tuple[str, ...]) -> str:
    """Return the form that a file's ending asks for; before any work, not after it."""
    form = path.suffix.lower().lstrip(".")
    if form not in forms:
        allowed = ", ".join(f"{path.stem or 'file'}.{each}" for each in forms)
        raise InputError(
            [Problem(file=str(path), field="--out", found=path.suffix or "no ending", allowed=allowed, message="no such form")]
        )
    if not path.absolute().parent.is_dir():
        raise InputError([Problem(file=str(path), field="--out", message="there is no such folder to write the file into")])
    return form


def _write(path: Path, pieces: Iterable[str]) -> None:
    half = path.with_name(f".{path.name}.half")
    try:
        with half.open("w", encoding="utf-8", newline="") as file:
            file.writelines(pieces)
        half.replace(path)
    except OSError as error:
        message = f"the file cannot be written: {error.strerror or 'no reason given'}"
        raise InputError([Problem(file=str(path), field="--out", message=message)]) from error
    finally:
        half.unlink(missing_ok=True)


def _print(made: Report, time: PlantTime) -> None:
    out.print(headline(made), style="bold")
    out.print(period_words(made, time))
    for topic in topics(made):
        out.print(f"{topic.title}: {topic.sentence}")
        for line in topic.lines:
            out.print(f"    {line}")
    out.print(CAUTION)
