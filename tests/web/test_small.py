"""Live values as text, CSV cells, and the examples in the docstrings of the web layer."""

from __future__ import annotations

import doctest
import importlib
import pkgutil
from dataclasses import replace

import pytest

import gateway.web
from gateway.web.download import cell
from gateway.web.failures import problem_of
from gateway.web.snapshot import take_snapshot
from gateway.web.values import live_values, value_text
from tests.web.tarn_hollow import NOW, FakePlant

MODULES = sorted(module.name for module in pkgutil.walk_packages(gateway.web.__path__, "gateway.web."))


@pytest.mark.parametrize("name", MODULES)
def test_examples_of_the_docstrings(name: str) -> None:
    assert doctest.testmod(importlib.import_module(name)).failed == 0


def test_values_have_a_steady_order_and_their_units(plant: FakePlant) -> None:
    dust = plant.motors["DC-01"]
    dust.live = replace(dust.live, values={**dust.live.values, "zz_own": 1234.5, "aa_own": "text"}, flaws={"power": "implausible: 812 kW"})
    motor = take_snapshot(plant, NOW).motors[0]
    shown = live_values(motor)
    keys = [value.key for value in shown]
    assert keys.index("current") < keys.index("voltage") < keys.index("running") < keys.index("aa_own") < keys.index("zz_own")
    by_key = {value.key: value for value in shown}
    assert (by_key["voltage"].text, by_key["voltage"].unit) == ("401.3", "V")
    assert by_key["trip_code"].text == "0, none"
    assert by_key["power"].flaw == "implausible: 812 kW"
    assert by_key["zz_own"].text == "1234"


@pytest.mark.parametrize(
    ("value", "text"),
    [(None, "—"), (True, "yes"), (0, "0"), (-3, "−3"), (-2.5, "−2.50"), (123456.7, "123457"), ("words", "words"), (0.0, "0.000")],
)
def test_value_texts(value: float | int | bool | str | None, text: str) -> None:
    assert value_text(value) == text


def test_flags_as_numbers_are_words() -> None:
    assert value_text(1, flag=True) == "yes"
    assert value_text(3.0, {3: "phase loss"}) == "3, phase loss"
    assert value_text(4, {3: "phase loss"}) == "4"


@pytest.mark.parametrize("risky", ["=1+1", "+1+1", "-1+1", "@SUM(A1)", "\tx", "\rx", "\nx", "\uff1d1", "  =1"])
def test_formulas_get_an_apostrophe(risky: str) -> None:
    assert cell(risky).startswith("'")


@pytest.mark.parametrize("plain", [-2.5, "-2.5", "+3", "1e-5", "a=b", ""])
def test_numbers_and_plain_words_stay(plain: object) -> None:
    assert cell(plain) == str(plain)


def test_problems_always_advise() -> None:
    for status in (400, 403, 404, 405, 409, 413, 422, 500, 503, 418):
        problem = problem_of(status)
        assert problem.happened
        assert problem.advice
