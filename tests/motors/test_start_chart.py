"""The handbook's pictures and table of the recogniser are the table itself."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import pytest

from gateway.cli.recogniser_page import HANDBOOK, files
from gateway.motors.start_chart import edges, phases_picture, states_picture, table_text
from gateway.motors.starts import STATES, TABLE, Phase, mermaid

SVG = "{http://www.w3.org/2000/svg}"


def test_every_transition_is_an_edge_once() -> None:
    told = {(phase, sign): (following, actions) for phase, following, actions, signs in edges() for sign in signs}
    expected = {
        (phase, sign): target for phase, row in TABLE.items() for sign, target in row.items() if target[0] is not phase or target[1]
    }
    assert told == expected


def test_the_table_in_text_has_every_edge() -> None:
    lines = table_text().splitlines()[2:]
    assert len(lines) == len(edges()) == len(set(lines))
    for phase, following, actions, signs in edges():
        assert f"| {phase} | {', '.join(signs)} | {following} | {', '.join(actions)} |" in lines


def test_the_lanes_show_every_phase_and_every_edge() -> None:
    root = ET.fromstring(phases_picture())
    words = [text.text for text in root.iter(f"{SVG}text")]
    for phase in Phase:
        assert phase.replace("_", " ") in words
    for phase, _, actions, signs in edges():
        does = f" / {', '.join(actions)}" if actions else ""
        assert f"{phase.replace('_', ' ')}: {', '.join(signs)}{does}" in words
    arrows = [path for path in root.iter(f"{SVG}path") if path.get("marker-end")]
    assert len(arrows) == sum(1 for phase, following, _, _ in edges() if phase is not following)


def test_the_states_are_joined_as_their_phases_are() -> None:
    root = ET.fromstring(states_picture())
    pairs = {(STATES[phase], STATES[following]) for phase, following, _, _ in edges() if STATES[phase] is not STATES[following]}
    assert len([path for path in root.iter(f"{SVG}path") if path.get("marker-end")]) == len(pairs)
    assert len(list(root.iter(f"{SVG}rect"))) == 1 + len(set(STATES.values()))


@pytest.mark.parametrize("name", sorted(files()))
def test_the_handbook_holds_what_the_table_says(name: str) -> None:
    assert (HANDBOOK / name).read_text(encoding="utf-8") == files()[name], "run: python -m gateway.cli.recogniser_page"


def test_the_diagram_text_has_a_line_for_each_change_of_phase() -> None:
    assert len(mermaid().splitlines()) - 1 == sum(1 for phase, following, _, _ in edges() if phase is not following)
