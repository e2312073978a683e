"""Keeping by exception loses nothing that moves: every sample left out lay within one deadband of the kept one before it."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from gateway.registers.roles import ROLES
from gateway.store.keeping import EVERY_CHANGE, HOLE, KEEPING, Keeping, kept_places
from tests.store.records import SECOND

_VALUES = st.lists(st.just(math.nan) | st.floats(-100, 100) | st.integers(-3, 3).map(float), min_size=1, max_size=150)


def _kept(values: list[float], keeping: Keeping, *, marks: list[int] | None = None, whole: list[bool] | None = None) -> list[int]:
    count = len(values)
    none = np.zeros(count, np.int64)
    return kept_places(
        np.arange(count) * SECOND,
        np.array(values, np.float64),
        none if marks is None else np.array(marks, np.int64),
        np.zeros(count, bool) if whole is None else np.array(whole),
        keeping,
    ).tolist()


@given(_VALUES, st.floats(0, 0.2), st.floats(0, 5), st.data())
def test_what_is_left_out_lay_within_the_deadband_and_the_longest_interval(
    values: list[float], share: float, floor: float, data: st.DataObject
) -> None:
    marks = data.draw(st.lists(st.integers(0, 1), min_size=len(values), max_size=len(values)))
    kept = _kept(values, Keeping(share=share, floor=floor, longest_s=20.0), marks=marks)
    assert kept[0] == 0 and kept[-1] == len(values) - 1
    for begin, end in zip(kept, kept[1:], strict=False):
        assert end - begin <= 20
        for place in range(begin + 1, end):
            assert marks[place] == marks[begin]
            assert math.isnan(values[place]) == math.isnan(values[begin])
            if not math.isnan(values[place]):
                assert abs(values[place] - values[begin]) <= max(floor, share * abs(values[begin])) * (1 + 1e-12)
    usable = [value for value in values if not math.isnan(value)]
    if usable:
        shown = [values[place] for place in kept if not math.isnan(values[place])]
        assert (min(shown), max(shown)) == (min(usable), max(usable))


@given(_VALUES)
def test_of_a_signal_without_a_deadband_every_change_is_kept_from_both_sides(values: list[float]) -> None:
    kept = set(_kept(values, EVERY_CHANGE))
    for place in range(1, len(values)):
        if values[place] != values[place - 1] and not (math.isnan(values[place]) and math.isnan(values[place - 1])):
            assert {place - 1, place} <= kept


def test_a_step_stays_a_step() -> None:
    values = [50.0] * 200 + [58.0] * 200
    assert _kept(values, Keeping(floor=1.0)) == [0, 199, 200, 399]


def test_what_is_asked_for_whole_is_kept_whole() -> None:
    whole = [100 <= place < 150 for place in range(300)]
    assert set(range(100, 150)) <= set(_kept([5.0] * 300, EVERY_CHANGE, whole=whole))


def test_both_sides_of_a_hole_are_kept() -> None:
    at: NDArray[np.int64] = np.concatenate([np.arange(50), HOLE // SECOND + 60 + np.arange(50)]) * SECOND
    kept = kept_places(at, np.full(100, 7.0), np.zeros(100, np.int64), np.zeros(100, bool), Keeping(floor=1.0))
    assert kept.tolist() == [0, 49, 50, 99]


def test_every_deadband_belongs_to_a_role_that_is_a_number() -> None:
    assert {ROLES[role].kind.value for role in KEEPING} == {"number"}
