"""The commands. Each reads its input, calls the layer that does the work, and prints: results to standard output,
messages to standard error.

Exit status: 0 good, 1 a finding (a check failed, a limit holds), 2 the input or the use was wrong.
"""

from __future__ import annotations

import logging
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any

import orjson
import typer
from rich.console import Console

from gateway import __version__, app
from gateway.drivers.trace import read_trace
from gateway.errors import InputError, Problem, StartledgerError
from gateway.instants import Instant, from_iso
from gateway.printing import print_check, print_replay
from gateway.services.replay import replay as replayed
from gateway.site import StarterSite, check_files, load_site

GOOD, FINDING, WRONG_INPUT = 0, 1, 2

cli = typer.Typer(
    name="startledger",
    help="Reads motor starters, keeps every start, and says when the next start is permitted and which limit decides.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)
out = Console(soft_wrap=True, highlight=False, markup=False)
err = Console(stderr=True, soft_wrap=True, highlight=False, markup=False)

JsonOption = Annotated[bool, typer.Option("--json", help="Print the result as JSON.")]
SiteArgument = Annotated[Path, typer.Argument(help="The site file.", show_default=False)]
StarterOption = Annotated[str, typer.Option("--starter", help="Name of the starter in the site file.", show_default=False)]


def main() -> None:
    """Run the command line; every error the program knows ends as text and a status, never as a traceback."""
    try:
        cli()
    except InputError as error:
        for problem in error.problems:
            err.print(str(problem), style="bold")
        count = len(error.problems)
        err.print(f"{count} problem{'s' if count > 1 else ''}; nothing was started or changed")
        sys.exit(WRONG_INPUT)
    except StartledgerError as error:
        err.print(str(error), style="bold")
        sys.exit(WRONG_INPUT)
    except KeyboardInterrupt:
        sys.exit(130)
    except BrokenPipeError:
        # The reader of our output (head, less) went away: that is no error of ours.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(GOOD)


def _show_version(wanted: bool) -> None:
    if wanted:
        out.print(f"startledger {__version__}")
        raise typer.Exit(GOOD)


@cli.callback()
def common(
    verbose: Annotated[bool, typer.Option("--verbose", "-v", help="Say more on standard error.")] = False,
    version: Annotated[bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Print the version.")] = False,
) -> None:
    """Options that every command has."""
    logging.basicConfig(
        level=logging.INFO if verbose else logging.WARNING, format="%(asctime)s %(levelname)s %(name)s: %(message)s", stream=sys.stderr
    )


@cli.command()
def check(
    files: Annotated[list[Path], typer.Argument(help="Site files, register maps, or folders of them.", show_default=False)],
    json: JsonOption = False,
) -> None:
    """Check site files and register maps, and name every mistake with file, line and field."""
    result = check_files(_files_in(files))
    _print(result, json, print_check)
    raise typer.Exit(GOOD if all(file["ok"] for file in result["files"]) else FINDING)


@cli.command()
def replay(
    site: SiteArgument,
    trace: Annotated[Path, typer.Argument(help="The trace: CSV with a header row, `time` and one column a role.", show_default=False)],
    starter: StarterOption,
    at: Annotated[str | None, typer.Option("--at", help="Instant of the budget, ISO 8601 with zone; the last reading by default.")] = None,
    json: JsonOption = False,
) -> None:
    """Run the core over a recorded trace: its starts, stops, heat and budget."""
    found = starter_of(site, starter)
    result = replayed(found.starter, read_trace(trace), at=None if at is None else _instant(at))
    _print(result.as_dict(), json, print_replay)


@cli.command()
def run(site: SiteArgument) -> None:
    """Run the gateway: read the starters, keep the ledger, serve the pages."""
    app.run(load_site(site), tell=_tell)


@cli.command()
def demo(
    fresh: Annotated[bool, typer.Option("--fresh", help="Forget the demo's earlier history and make it anew.")] = False,
    port: Annotated[int | None, typer.Option("--port", min=0, max=65535, help="Port of the pages; 0 takes any free one.")] = None,
    folder: Annotated[Path, typer.Option("--folder", help="Where the demo keeps its store.")] = Path(".startledger-demo"),
) -> None:
    """Start a simulated plant, the gateway and its pages, with a week of history."""
    from gateway.demo import run_demo

    run_demo(folder, fresh=fresh, port=port, tell=_tell)


def _tell(text: str) -> None:
    err.print(text)


def starter_of(site: Path, name: str) -> StarterSite:
    """Return one starter of a site file; InputError naming those that there are."""
    loaded = load_site(site)
    for found in loaded.starters:
        if found.starter.name == name:
            return found
    names = ", ".join(starter.starter.name for starter in loaded.starters)
    raise InputError([Problem(file=str(site), field="--starter", found=name, allowed=names, message="the site file has no such starter")])


def _files_in(paths: list[Path]) -> list[Path]:
    found: list[Path] = []
    for path in paths:
        found.extend(sorted([*path.rglob("*.yaml"), *path.rglob("*.yml")]) if path.is_dir() else [path])
    if not found:
        places = ", ".join(map(str, paths))
        raise InputError([Problem(file=places, message="no .yaml file in there", allowed="site files and register maps")])
    return found


def _instant(text: str) -> Instant:
    try:
        return from_iso(text)
    except ValueError as error:
        allowed = "ISO 8601 with a zone, such as 2026-03-12T14:12:00Z"
        raise InputError([Problem(file="command line", field="--at", found=text, allowed=allowed, message=str(error))]) from error


def _print(result: dict[str, Any], as_json: bool, show: Callable[[Console, dict[str, Any]], None]) -> None:
    if as_json:
        sys.stdout.write(orjson.dumps(result, option=orjson.OPT_INDENT_2).decode() + "\n")
    else:
        show(out, result)
