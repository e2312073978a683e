"""The table of figures is made, whatever the figures are: timings are never asserted, what does not depend on the machine is."""

from __future__ import annotations

import re

import pytest

from tests.benchmarks.__main__ import main
from tests.benchmarks.parts import PARTS, requests


def test_no_poll_needs_a_request_too_many() -> None:
    (found,) = requests(quick=True)
    assert found.reached
    assert found.ratio == 1


def test_the_table_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--quick", "requests", "replay", "store"]) == 0
    printed = capsys.readouterr().out
    for words in ("requests a poll", "replay, 360 readings", "bytes written a sample"):
        assert words in printed
    assert not re.search("reached|MISSED", printed), "a moment is no measurement"


def test_a_part_that_does_not_exist_is_named(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["nosuch"])
    assert "'nosuch'" in capsys.readouterr().err


@pytest.mark.slow
@pytest.mark.parametrize("part", ["truth", "query", "poll", "capacity"])
def test_every_part_runs(part: str) -> None:
    figures = PARTS[part](True)
    assert all(each.what and each.figure for each in figures)
