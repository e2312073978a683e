"""`startledger new`: a site to begin with."""

from __future__ import annotations

from pathlib import Path
from shlex import quote
from typing import Annotated, Any

import typer
from rich.console import Console

from gateway.cli.output import JsonOption, show
from gateway.site.new import new_site


def new(
    folder: Annotated[Path, typer.Argument(help="Folder to make, or an empty one.", show_default=False)],
    name: Annotated[str, typer.Option("--name", help="Name of the site.", show_default="the folder's")] = "",
    time_zone: Annotated[str, typer.Option("--time-zone", help="IANA name.", show_default="this computer's")] = "",
    json: JsonOption = False,
) -> None:
    """Make a folder with a site file and a register map to begin with."""
    site, first_map = new_site(folder, name=name, zone=time_zone)
    show({"site": str(site), "map": str(first_map)}, json, _print)


def _print(console: Console, result: dict[str, Any]) -> None:
    site, first_map = quote(result["site"]), quote(result["map"])
    console.print(f"made {site} and {first_map}; both pass `startledger check`")
    console.print("next:")
    console.print(f"  1. put your starter's registers into {first_map}; `startledger bench verify {first_map} HOST:PORT` tries them")
    console.print(f"  2. put your motor and the starter's address into {site}, lines marked >>>")
    console.print(f"  3. startledger check {site}")
    console.print(f"  4. startledger run {site}")
    console.print(f"without a device: `startledger simulate {first_map}` serves one; `startledger demo` shows a whole plant")
