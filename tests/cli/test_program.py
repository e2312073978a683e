"""The program as a newcomer meets it: help, versions, slips of the hand. No input ends in a traceback."""

from __future__ import annotations

import json
import socket
from pathlib import Path

import pytest

from gateway import __version__
from tests.cli.shell import ROOT, run

DEMO_SITE = ROOT / "config" / "demo" / "site.yaml"


def test_without_words_it_shows_what_there_is() -> None:
    ran = run()
    assert ran.status == 2
    assert "demo" in ran.out + ran.err
    assert "check" in ran.out + ran.err


def test_the_version_is_the_packages() -> None:
    assert run("--version").out.strip() == f"startledger {__version__}"


def test_a_slip_of_the_hand_is_answered_with_the_nearest_command() -> None:
    ran = run("chek")
    assert ran.status == 2
    assert "check" in ran.err


@pytest.mark.parametrize(
    "words",
    [
        ("check",),
        ("check", "no-such-file.yaml"),
        ("run", "no-such-site.yaml"),
        ("replay", str(DEMO_SITE), "no-such-trace.csv", "--starter", "DC-01"),
        ("replay", str(DEMO_SITE), "x.csv", "--starter", "DC-10"),
        ("demo", "--port", "99999"),
        ("demo", "--folder", "/proc/none", "--port", "0"),
    ],
)
def test_wrong_input_gets_words_and_status_2(words: tuple[str, ...], tmp_path: Path) -> None:
    ran = run(*words, cwd=tmp_path)
    assert ran.status == 2
    assert ran.out + ran.err
    assert "Traceback" not in ran.out + ran.err


def test_an_unknown_starter_is_answered_with_the_nearest_and_all() -> None:
    ran = run("replay", DEMO_SITE, "x.csv", "--starter", "DC-10")
    assert "DC-01" in ran.err
    assert "TH-01" in ran.err


def test_a_port_that_is_taken_is_said_plainly(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        ran = run("demo", "--port", str(taken.getsockname()[1]), "--folder", tmp_path / "demo", cwd=tmp_path)
    assert ran.status == 2
    assert "taken" in ran.err
    assert not (tmp_path / "demo").exists()


def test_what_is_piped_has_no_colour_and_only_data(tmp_path: Path) -> None:
    made = run("new", tmp_path / "site")
    assert made.status == 0
    site = next(path for path in (tmp_path / "site").glob("*.yaml") if "starters:" in path.read_text(encoding="utf-8"))
    told = run("check", site, "--json", colours=True)
    assert (told.status, told.err) == (0, "")
    assert json.loads(told.out)
    in_words = run("check", site, colours=True)
    assert "\x1b" not in in_words.out + in_words.err
    wrong = run("chek", site, colours=True)
    assert (wrong.status, wrong.out) == (2, "")
    assert "\x1b" not in wrong.err
