"""A start curve comes back from its bytes to the last bit."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.motors.records import Curve
from gateway.store.curves import pack_curve, unpack_curve
from tests.store.records import curve

_FLOATS = st.floats(allow_nan=False, allow_infinity=False)


@st.composite
def _curves(draw: st.DrawFn) -> Curve:
    count = draw(st.integers(0, 20))
    column = st.lists(st.none() | _FLOATS, min_size=count, max_size=count).map(tuple)
    at_s = draw(st.lists(_FLOATS, min_size=count, max_size=count).map(tuple))
    return Curve(at_s=at_s, columns=draw(st.dictionaries(st.text(max_size=5), column, max_size=4)))


@given(_curves())
def test_every_curve_comes_back_equal(curve: Curve) -> None:
    assert unpack_curve(pack_curve(curve)) == curve


def test_a_usual_curve_takes_less_than_its_numbers() -> None:
    usual = curve(600)
    assert len(pack_curve(usual)) < 600 * 8 * 3


@pytest.mark.parametrize("body", [b"", b"\x01", b"\x01" + bytes(6) + b"not zstd", b"\x01\x00\x00\x00\x00\xff\xff\xff"])
def test_bytes_that_are_no_curve_are_refused_in_words(body: bytes) -> None:
    with pytest.raises(ValueError, match="not a start curve"):
        unpack_curve(body)


def test_a_curve_of_a_later_format_is_refused_in_words() -> None:
    body = b"\x09" + pack_curve(curve())[1:]
    with pytest.raises(ValueError, match="format 9, this version knows 1"):
        unpack_curve(body)
