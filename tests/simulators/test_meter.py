"""Noise that is a function of the moment."""

from __future__ import annotations

import statistics

import pytest

from simulators.meter import bell, scattered, stepped, uniform


def test_bits_by_hand() -> None:
    # First output of splitmix64 for seed 0; published test vector, from memory - confirm.
    assert scattered(0, 0, 0) == 0xE220A8397B1DCDAF


def test_bell_has_the_spread_it_says() -> None:
    draws = [bell(5, 1, index) for index in range(20_000)]
    assert abs(statistics.fmean(draws)) < 0.03
    assert abs(statistics.pstdev(draws) - 1.0) < 0.03
    assert max(abs(draw) for draw in draws) < 3.5


def test_uniform_fills_its_range_evenly() -> None:
    counts = [0] * 10
    for index in range(20_000):
        counts[int(uniform(9, 2, index) * 10)] += 1
    assert min(counts) > 1800
    assert max(counts) < 2200


def test_channels_and_seeds_do_not_follow_each_other() -> None:
    for one, two in (((1, 1), (1, 2)), ((1, 1), (2, 1))):
        first = [bell(*one, index) for index in range(5000)]
        second = [bell(*two, index) for index in range(5000)]
        assert abs(statistics.correlation(first, second)) < 0.06


@pytest.mark.parametrize(("value", "step", "shown"), [(12.34, 0.5, 12.5), (12.34, 0.0, 12.34), (-0.26, 0.1, -0.3)])
def test_steps(value: float, step: float, shown: float) -> None:
    assert stepped(value, step) == pytest.approx(shown)
