"""Percentiles of a day from bands in constant memory."""

from __future__ import annotations

import random

import pytest

from gateway.services.spread import BANDS, GROWTH, DaySpread, band_of


def test_nothing_counted_has_no_percentile() -> None:
    assert DaySpread().quantile(0.5) is None


@pytest.mark.parametrize("share", [0.01, 0.5, 0.9, 0.99, 1.0])
def test_a_percentile_is_not_below_the_exact_one_and_at_most_a_quarter_above(share: float) -> None:
    seed = 11
    draw = random.Random(seed)
    durations = sorted(draw.lognormvariate(-5, 1) for _ in range(5000))
    spread = DaySpread()
    for duration_s in durations:
        spread.add(duration_s, 7)
    exact = durations[min(len(durations) - 1, max(0, round(share * len(durations)) - 1))]
    found = spread.quantile(share)
    assert found is not None
    assert exact * 0.999 <= found <= exact * GROWTH * 1.001, f"seed {seed}"


def test_an_hour_of_yesterday_is_forgotten_and_one_of_the_last_day_is_not() -> None:
    spread = DaySpread()
    spread.add(1.0, 100)
    spread.add(0.001, 123)
    assert (spread.quantile(1.0) or 0) > 0.9
    spread.add(0.001, 124)
    assert (spread.quantile(1.0) or 9) < 0.01


def test_a_clock_set_back_does_not_keep_hours_of_the_future() -> None:
    spread = DaySpread()
    for hour in range(100, 124):
        spread.add(1.0, hour)
    spread.add(0.001, 50)
    assert (spread.quantile(1.0) or 9) < 0.01


def test_bands_cover_every_duration() -> None:
    assert [band_of(duration_s) for duration_s in (-1.0, 0.0, 1e-4, 1.01e-4, 1e9)] == [0, 0, 0, 1, BANDS - 1]
    assert band_of(1e-4 * GROWTH**5) == 5
