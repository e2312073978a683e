"""The program: all commands under one name, and the one place where an error becomes text and an exit status."""

from __future__ import annotations

import logging
import os
import sys
from typing import Annotated

import typer

from gateway import __version__
from gateway.cli.output import GOOD, WRONG_INPUT, err, out
from gateway.cli.places import CommandGroup
from gateway.errors import InputError, StartledgerError

cli = typer.Typer(
    cls=CommandGroup,
    name="startledger",
    help="Reads motor starters, keeps every start, and says when the next start is permitted and which limit decides.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


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
    level = logging.INFO if verbose else logging.WARNING
    logging.basicConfig(level=level, format="%(asctime)s %(levelname)s %(name)s: %(message)s", stream=sys.stderr)
