"""Where each command is: its file is loaded when the command is asked for, so that none waits for another's libraries."""

from __future__ import annotations

from collections.abc import Iterator, MutableMapping
from dataclasses import dataclass
from importlib import import_module
from typing import Any

import typer
from typer.core import TyperCommand, TyperGroup


@dataclass(frozen=True, slots=True)
class Place:
    """A command's file under `gateway.cli`, the function or group in it, and the sentence that the list of commands shows."""

    module: str
    member: str
    sentence: str


PLACES = {
    "demo": Place("run", "demo", "Start a simulated plant, the gateway and its pages, with a week of history."),
    "new": Place("new", "new", "Make a folder with a site file and a register map to begin with."),
    "run": Place("run", "run", "Run the gateway: read the starters, keep the ledger, serve the pages."),
    "check": Place("check", "check", "Check site files and register maps, and name every mistake with file, line and field."),
    "replay": Place("replay", "replay", "Run the core over a recorded trace: its starts, stops, heat and budget."),
    "budget": Place(
        "budget",
        "budget",
        "Say whether a motor may be started, when next, which limit decides and by how much; status 1 while it may not.",
    ),
    "ledger": Place(
        "ledger",
        "ledger",
        "List the starts of the store, unseen ones too, oldest first; it may be read while the gateway runs.",
    ),
    "note": Place("note", "note", "Keep a maintenance note of a machine: drift is learned anew from here on."),
    "predict": Place(
        "predict",
        "predict",
        "Predict the start by every starting method: time, current, heat, permitted starts; with --sweep, the settings to choose.",
    ),
    "fit": Place("fit", "fit", "Estimate load torque and inertia from recorded starts, and say which later starts depart from them."),
    "report": Place(
        "report",
        "report",
        "Report on a period: who starts most, what was exceeded, what changed, what is missing, and a page a motor.",
    ),
    "export": Place(
        "report",
        "export",
        "Export the starts, readings or alerts of one starter. The CSV of readings is a trace that `replay` takes.",
    ),
    "bench": Place(
        "bench",
        "bench",
        "Try a register map against a device: verify it, find addresses, propose corrections. Reads only, and says first what it sends.",
    ),
    "map": Place("map", "maps", "Register maps as tables, and maps begun from a manual's list."),
    "simulate": Place(
        "simulate",
        "simulate",
        "Serve a simulated starter from a register map, for trying maps and PLC code before the panel is energised.",
    ),
    "certificate": Place(
        "certificate",
        "certificate",
        "Make the gateway's own certificate for protected OPC UA connections, or show the one that there is.",
    ),
}


def loaded(name: str) -> Any:
    """Return a command with its options and its work, its file loaded."""
    place = PLACES[name]
    member = getattr(import_module(f"gateway.cli.{place.module}"), place.member)
    if not isinstance(member, typer.Typer):
        alone = typer.Typer(add_completion=False)
        alone.command(name=name)(member)
        member = alone
    command = typer.main.get_command(member)
    command.name = name
    return command


class Commands(MutableMapping[str, Any]):
    """All commands by name: loaded when taken, or only named while a list of them is shown."""

    def __init__(self) -> None:
        self.only_names = False
        self._more: dict[str, Any] = {}

    def __getitem__(self, name: str) -> Any:
        if name in self._more:
            return self._more[name]
        return TyperCommand(name, help=PLACES[name].sentence) if self.only_names else loaded(name)

    def __setitem__(self, name: str, command: Any) -> None:
        self._more[name] = command

    def __delitem__(self, name: str) -> None:
        del self._more[name]

    def __iter__(self) -> Iterator[str]:
        return iter([*PLACES, *self._more])

    def __len__(self) -> int:
        return len(PLACES) + len(self._more)


class CommandGroup(TyperGroup):
    """The group of all commands."""

    def __init__(self, **settings: Any) -> None:
        super().__init__(**settings)
        self.places = Commands()
        self.commands = self.places

    def list_commands(self, ctx: Any) -> list[str]:
        """Return the names in the order in which a newcomer meets them."""
        return list(self.places)

    def format_help(self, ctx: Any, formatter: Any) -> None:
        """Show the list of commands without loading any of them."""
        self.places.only_names = True
        super().format_help(ctx, formatter)
