"""Columns come back to the last bit, whatever is in them, and small when they repeat."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.store.columns import pack_floats, pack_integers, unpack_floats, unpack_integers
from gateway.store.places import pack_places, places_of

_INT64 = st.integers(-(2**63), 2**63 - 1)


@given(st.lists(_INT64 | st.integers(-300, 300), min_size=1, max_size=200))
def test_integers_come_back(values: list[int]) -> None:
    assert unpack_integers(pack_integers(np.array(values, np.int64)), len(values)).tolist() == values


@given(st.lists(st.floats(allow_nan=False) | st.integers(0, 9999).map(lambda n: n / 10) | st.just(-0.0), min_size=1, max_size=200))
def test_floats_come_back_to_the_last_bit(values: list[float]) -> None:
    column = np.array(values, np.float64)
    assert unpack_floats(pack_floats(column), len(values)).tobytes() == column.tobytes()


@pytest.mark.parametrize("decimals", range(5))
def test_values_of_few_decimals_take_a_byte_or_two_each(decimals: int) -> None:
    column = (5000 + np.arange(1000) * 7 % 90) / 10.0**decimals
    packed = pack_floats(column)
    assert len(packed) < 1100
    assert unpack_floats(packed, 1000).tobytes() == column.tobytes()


def test_float32_values_take_four_bytes_at_most_and_others_eight() -> None:
    draw = np.random.default_rng(7)
    for kind, most in (("<f4", 4), ("<f8", 8)):
        column = draw.normal(50, 10, 1000).astype(kind).astype(np.float64)
        packed = pack_floats(column)
        assert len(packed) <= most * 1000 + 20
        assert unpack_floats(packed, 1000).tobytes() == column.tobytes()


def test_what_never_changes_takes_no_room() -> None:
    assert len(pack_integers(np.full(100_000, 12))) == 9
    assert len(pack_floats(np.full(100_000, 12.5))) == 10


@given(st.dictionaries(st.integers(1, 2000), st.sets(st.integers(1, 2**40), min_size=1, max_size=30), min_size=1, max_size=20))
def test_places_of_every_starter_come_back(given_ids: dict[int, set[int]]) -> None:
    ids = {starter: sorted(numbers) for starter, numbers in given_ids.items()}
    packed = pack_places(ids)
    for starter in range(max(ids) + 2):
        assert places_of(packed, starter).tolist() == ids.get(starter, [])


def test_a_minute_of_a_thousand_starters_takes_a_byte_a_reading_at_most() -> None:
    ids = {starter: [starter + second * 1000 for second in range(60)] for starter in range(1000)}
    assert len(pack_places(ids)) < 60_000
