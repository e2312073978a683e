"""The list of commands says of each what its own help says, and names every file of a command."""

from __future__ import annotations

import pytest

from gateway.cli.places import PLACES, loaded


@pytest.mark.parametrize("name", PLACES)
def test_the_list_says_what_the_command_s_own_help_says(name: str) -> None:
    command = loaded(name)
    assert command.name == name
    assert PLACES[name].sentence == " ".join(command.help.split("\n\n")[0].split())
