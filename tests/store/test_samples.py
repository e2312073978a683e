"""Thinning draws the same picture: no peak, no dip and no gap is lost."""

from __future__ import annotations

import random

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from gateway.store.samples import Samples, Series, thinned


def _thin(samples: Samples, from_at: int, to_at: int, points: int) -> Samples:
    values = np.array([np.nan if value is None else value for value in samples.values], np.float64)
    return thinned(Series(np.array(samples.at, np.int64), values), from_at, to_at, points).samples()


_VALUES = st.lists(st.none() | st.floats(-1e6, 1e6), min_size=1, max_size=200)


@given(_VALUES, st.integers(2, 60), st.randoms(use_true_random=False))
def test_every_sample_kept_was_there_and_the_extremes_are_kept(values: list[float | None], points: int, draw: random.Random) -> None:
    at = sorted(draw.sample(range(1000), len(values)))
    few = _thin(Samples(at, values), 0, 1000, points)
    given_pairs = set(zip(at, values, strict=True))
    assert set(zip(few.at, few.values, strict=True)) <= given_pairs
    assert few.at == sorted(set(few.at))
    usable = [value for value in values if value is not None]
    if usable:
        kept = [value for value in few.values if value is not None]
        assert (min(kept), max(kept)) == (min(usable), max(usable))
    assert (None in few.values) == (None in values)
    # Two ends and at most one gap a stretch.
    assert len(few.at) <= max(points, 3 * max(1, points // 2))


def test_few_samples_are_left_as_they_are() -> None:
    few = Series(np.array([1, 2, 3]), np.array([1.0, np.nan, 2.0]))
    assert thinned(few, 0, 10, 3) is few
    assert thinned(few, 5, 5, 1) is few
    assert few.samples() == Samples([1, 2, 3], [1.0, None, 2.0])


def test_samples_at_both_ends_of_the_span_fall_into_it() -> None:
    many = Samples([0, *range(1, 100), 100], [5.0, *([1.0] * 99), 9.0])
    few = _thin(many, 0, 100, 4)
    assert (few.at[0], few.values[0]) == (0, 5.0)
    assert (few.at[-1], few.values[-1]) == (100, 9.0)
