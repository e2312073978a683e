"""A reading comes back from its row to the last bit, whatever its shape."""

from __future__ import annotations

import math
import struct

from hypothesis import given
from hypothesis import strategies as st

from gateway.motors.reading import Flaw, Quality, Reading, Scalar, TimeSource
from gateway.store.packing import JSON_KIND, MOST_LAYOUTS, Packer, unpack

_KEYS = st.sampled_from(["current", "voltage", "running", "start_count", "trip_code", "model", "été", "a b"])
_FLOATS = st.floats(allow_nan=False, allow_infinity=False)
_SCALARS = st.one_of(_FLOATS, st.integers(-(2**70), 2**70), st.booleans(), st.text(max_size=8))
_FLAWS = st.builds(Flaw, st.sampled_from(list(Quality)), st.text(max_size=12))


@st.composite
def _readings(draw: st.DrawFn) -> Reading:
    values = draw(st.dictionaries(_KEYS, _SCALARS, max_size=6))
    flaws = draw(st.dictionaries(_KEYS, _FLAWS, max_size=4))
    return Reading(draw(st.integers(0, 2**62)), values, flaws, draw(st.sampled_from(list(TimeSource))))


def _there_and_back(packer: Packer, reading: Reading) -> Reading:
    row = packer.pack(reading)
    return unpack(row.layout, row.at, row.time_source, row.packed, row.extra)


def _types(values: dict[str, Scalar]) -> dict[str, type]:
    return {key: type(value) for key, value in values.items()}


@given(st.lists(_readings(), max_size=5))
def test_every_reading_comes_back_equal_and_of_the_same_types(readings: list[Reading]) -> None:
    packer = Packer()
    for reading in readings:
        back = _there_and_back(packer, reading)
        assert back == reading
        assert _types(dict(back.values)) == _types(dict(reading.values))


def test_floats_come_back_to_the_last_bit() -> None:
    values = {"a": 0.1 + 0.2, "b": -0.0, "c": 5e-324, "d": math.pi * 1e300}
    back = _there_and_back(Packer(), Reading(1, values))
    assert [struct.pack("<d", back.values[key]) for key in values] == [struct.pack("<d", value) for value in values.values()]


def test_a_plain_reading_takes_eight_bytes_a_number_one_a_bit_and_no_text() -> None:
    row = Packer().pack(Reading(1, {"current": 61.25, "running": True, "start_count": 812}))
    assert row.packed == struct.pack("<d?q", 61.25, True, 812)
    assert row.extra is None
    assert row.layout.kinds == "d?q"
    assert row.layout.keys == ("current", "running", "start_count")


def test_readings_of_one_shape_share_a_layout_and_another_type_makes_another() -> None:
    packer = Packer()
    first, second = packer.pack(Reading(1, {"a": 1.0})), packer.pack(Reading(2, {"a": 2.0}))
    assert first.layout is second.layout
    assert packer.pack(Reading(3, {"a": 2})).layout is not first.layout


def test_a_reading_without_any_value_says_its_one_reason_once() -> None:
    flaw = Flaw(Quality.BAD, "the device does not answer")
    reading = Reading(1, {}, dict.fromkeys(("current", "voltage", "running"), flaw))
    row = Packer().pack(reading)
    assert row.extra is not None
    assert row.extra.count("does not answer") == 1
    assert row.packed == b""
    assert unpack(row.layout, row.at, row.time_source, row.packed, row.extra) == reading


def test_a_number_beyond_64_bits_is_kept_as_text_and_exact() -> None:
    reading = Reading(1, {"energy": 2**64 - 1, "current": 1.5})
    row = Packer().pack(reading)
    assert row.layout.kinds == JSON_KIND
    assert unpack(row.layout, row.at, row.time_source, row.packed, row.extra) == reading


def test_ever_new_shapes_do_not_grow_the_packer_and_lose_nothing() -> None:
    packer = Packer()
    readings = [Reading(n, {f"signal {n}": float(n)}) for n in range(MOST_LAYOUTS + 20)]
    layouts = {id(packer.pack(reading).layout) for reading in readings}
    assert len(layouts) == MOST_LAYOUTS + 1
    assert [_there_and_back(packer, reading) for reading in readings] == readings


def test_text_from_a_device_cannot_break_the_row() -> None:
    reading = Reading(1, {"model": "\x00\ud800‮ \"'\\"})
    assert _there_and_back(Packer(), reading) == reading
    assert (Packer().pack(reading).extra or "").isascii()
