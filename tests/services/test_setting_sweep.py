from __future__ import annotations

import json
from dataclasses import replace

import pytest

from gateway.errors import InputError
from gateway.machine.sweep import Fit, SweepBounds, SweepRanges
from gateway.motors.facts import LoadData, LoadKind
from gateway.services.setting_sweep import as_json, bound_words, sweep_settings, usual_bounds
from tests.services.test_prediction import FAN, FILE

RANGES = SweepRanges(ramp_times_s=(4.0, 10.0), initial_voltages=(0.4,), current_limits=(3.0, 4.0))


def test_the_gentlest_inside_the_bounds_is_named() -> None:
    told: list[None] = []
    found = sweep_settings(FAN, FILE, RANGES, SweepBounds(longest_s=10.0), advance=lambda: told.append(None))
    assert len(told) == len(found.points) == 4
    assert found.best is not None
    assert found.best.current_limit_ratio == 4.0
    assert found.best.peak_line_current_ratio < 4.01
    assert found.answer.startswith("Gentlest inside the bounds: ramp 10 s, initial voltage 40 %, current limit 4 x FLC. Up in 7.")
    assert [point.fit for point in found.points] == [Fit.OUTSIDE, Fit.OUTSIDE, Fit.WITHIN, Fit.WITHIN]


def test_bounds_that_nothing_keeps_say_which_of_them() -> None:
    found = sweep_settings(FAN, FILE, RANGES, SweepBounds(most_current_ratio=2.0, longest_s=60.0))
    assert found.best is None
    assert found.answer.startswith("No setting keeps the bounds (at most 2 x FLC, at most 60 s): 4 of 4 reach speed,")
    assert found.answer.endswith("and break the bound of current.")


def test_when_nothing_starts_the_advice_is_more() -> None:
    belt = replace(FAN, load=LoadData(kind=LoadKind.CONVEYOR, torque_ratio=0.9, breakaway_ratio=1.6, inertia_kg_m2=3.0))
    found = sweep_settings(belt, FILE, RANGES, SweepBounds())
    assert found.answer == "None of the 4 settings reaches speed: raise the current limits or the initial voltages."


def test_usual_bounds_leave_a_hot_motor_able_to_start() -> None:
    bounds = usual_bounds(FAN)
    assert bounds.most_heat == pytest.approx(18 / 30)
    assert bounds.longest_s == FAN.thresholds.max_start_s
    assert bound_words(SweepBounds()) == "no bound"


def test_missing_data_name_the_entry() -> None:
    with pytest.raises(InputError) as caught:
        sweep_settings(replace(FAN, load=None), FILE, RANGES, SweepBounds())
    assert caught.value.problems[0].field == "starters.DC-01.load"


def test_json_has_no_infinity() -> None:
    told = json.loads(json.dumps(as_json(sweep_settings(FAN, FILE, RANGES, SweepBounds(longest_s=10.0))), allow_nan=False))
    assert told["bounds"] == {"most_current_ratio": None, "longest_s": 10.0, "most_heat": None}
    assert told["gentlest"]["fit"] == "within"
    assert len(told["points"]) == 4
