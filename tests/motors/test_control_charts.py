"""The control charts against the worked examples of the NIST/SEMATECH e-Handbook of Statistical Methods."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.motors.control_charts import Cusum, ewma, ewma_half_width, moving_range_deviation

# e-Handbook 6.3.2.4: EWMA_0 = 50, s = 2.0539, weight 0.3, factor 3.
EWMA_DATA = (52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)
EWMA_PUBLISHED = (
    50.00, 50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23,
    51.94, 51.99,
)  # fmt: skip

# e-Handbook 6.3.2.3: target 325, k = 0.3175, h = 4.1959; (x, high, low) to four decimals where the page has two.
CUSUM_DATA = (
    (324.925, 0, 0), (324.675, 0, 0.0075), (324.725, 0, 0), (324.350, 0, 0.3325), (325.350, 0.0325, 0), (325.225, 0, 0),
    (324.125, 0, 0.5575), (324.525, 0, 0.7150), (325.225, 0, 0.1725), (324.600, 0, 0.2550), (324.625, 0, 0.3125), (325.150, 0, 0),
    (328.325, 3.0075, 0), (327.250, 4.9400, 0), (327.825, 7.4475, 0), (328.500, 10.6300, 0), (326.675, 11.9875, 0), (327.775, 14.4450, 0),
    (326.875, 16.0025, 0), (328.350, 19.0350, 0),
)  # fmt: skip
K, H = 0.3175, 4.1959


def test_the_ewma_example() -> None:
    level, found = 50.0, [50.0]
    for value in EWMA_DATA:
        level = ewma(level, value, 0.3)
        found.append(level)
    assert found == pytest.approx(EWMA_PUBLISHED, abs=0.005)
    width = ewma_half_width(2.0539, 0.3, 3.0)
    assert 50.0 + width == pytest.approx(52.5884, abs=1e-3)
    assert 50.0 - width == pytest.approx(47.4115, abs=1e-3)
    assert all(abs(value - 50.0) <= width for value in found), "no point outside, as the page says"
    assert math.sqrt(0.3 / 1.7) == pytest.approx(0.4201, abs=5e-5)


@pytest.mark.parametrize(
    ("count", "upper", "lower"),
    [(1, 51.8485, 48.1515), (2, 52.2564, 47.7436), (3, 52.4314, 47.5686), (5, 52.5516, 47.4484), (10, 52.5874, 47.4126)],
)
def test_the_limits_of_the_first_values(count: int, upper: float, lower: float) -> None:
    # Computed from the same section's exact formula.
    width = ewma_half_width(2.0539, 0.3, 3.0, count)
    assert (50.0 + width, 50.0 - width) == pytest.approx((upper, lower), abs=5e-5)


def test_the_cusum_example() -> None:
    sums, signals = Cusum(), []
    for place, (value, high, low) in enumerate(CUSUM_DATA, start=1):
        sums = sums.after(value, 325.0, K)
        assert (sums.high, sums.low) == pytest.approx((high, low), abs=1e-9)
        if sums.beyond(H):
            signals.append(place)
    assert signals == list(range(14, 21)), "from 14 on, and never by the lower sum"
    assert max(low for _, _, low in CUSUM_DATA) < H
    assert K * 2.0 * math.log(1.0 / 0.00135) == pytest.approx(4.19586, abs=1e-5)


def test_a_fall_is_found_by_the_lower_sum() -> None:
    sums = Cusum()
    for value, high, low in CUSUM_DATA:
        sums = sums.after(650.0 - value, 325.0, K)
        assert (sums.high, sums.low) == pytest.approx((low, high), abs=1e-9)
    assert sums.beyond(H)


def test_the_deviation_of_few_values() -> None:
    assert moving_range_deviation([]) == moving_range_deviation([5.0]) == 0.0
    assert moving_range_deviation([5.0, 5.0, 5.0]) == 0.0


@given(st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=40), st.floats(-1e3, 1e3))
def test_the_deviation_does_not_depend_on_the_level(values: list[float], shift: float) -> None:
    shifted = [value + shift for value in values]
    assert moving_range_deviation(shifted) == pytest.approx(moving_range_deviation(values), rel=1e-6, abs=1e-6)


@given(st.lists(st.floats(-100, 100), min_size=1, max_size=50))
def test_the_weighted_mean_stays_among_its_values(values: list[float]) -> None:
    level = values[0]
    for value in values:
        level = ewma(level, value, 0.2)
    assert min(values) - 1e-9 <= level <= max(values) + 1e-9
