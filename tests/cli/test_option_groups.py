"""Groups of options: what typer is shown, and what the command gets."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

import pytest
import typer
from typer.testing import CliRunner

from gateway.cli.option_groups import grouped


@dataclass(frozen=True, slots=True, kw_only=True)
class Door:
    """An optional and a needed option."""

    wood: Annotated[str, typer.Option("--wood", help="What it is made of.")] = "oak"
    width_m: Annotated[float, typer.Option("--width", min=0.5)]


def program() -> typer.Typer:
    app = typer.Typer()

    @app.command()
    @grouped
    def build(place: Annotated[str, typer.Argument()], *, door: Door, count: Annotated[int, typer.Option("--count")] = 1) -> None:
        """Build doors."""
        typer.echo(f"{place} {count} {door}")

    return app


def test_the_fields_are_options_of_the_command_in_their_place() -> None:
    ran = CliRunner().invoke(program(), ["north", "--width", "0.9", "--count", "2"])
    assert (ran.exit_code, ran.output) == (0, "north 2 Door(wood='oak', width_m=0.9)\n")
    told = CliRunner().invoke(program(), ["--help"]).output
    assert "Build doors." in told
    assert told.index("--wood") < told.index("--width") < told.index("--count")


@pytest.mark.parametrize(
    ("words", "named"),
    [(["north"], "--width"), (["north", "--width", "0.1"], "--width"), (["--width", "1"], "PLACE")],
)
def test_what_is_missing_or_out_of_bounds_is_refused_by_its_name(words: list[str], named: str) -> None:
    ran = CliRunner().invoke(program(), words)
    assert ran.exit_code == 2
    assert named.lower() in ran.output.lower()
