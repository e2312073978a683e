"""A problem's text names the place, the field, what was found and what is allowed."""

from __future__ import annotations

import pytest

from gateway.errors import InputError, Problem


def test_a_problem_reads_file_line_field_message_found_allowed() -> None:
    problem = Problem(file="plant.yaml", line=7, field="starters.DC-01.motor", found="45", allowed="45 kW", message="needs a unit")
    assert str(problem) == "plant.yaml:7: starters.DC-01.motor: needs a unit; found 45; allowed 45 kW"


def test_a_problem_without_line_or_field_leaves_them_out() -> None:
    assert str(Problem(file="plant.yaml", message="cannot be read")) == "plant.yaml: cannot be read"


def test_an_input_error_holds_every_problem() -> None:
    problems = [Problem(file="a", message="one"), Problem(file="b", message="two")]
    error = InputError(problems)
    assert error.problems == tuple(problems)
    assert str(error).splitlines() == ["a: one", "b: two"]


def test_an_input_error_without_a_problem_cannot_be_made() -> None:
    with pytest.raises(ValueError, match="at least one"):
        InputError([])
