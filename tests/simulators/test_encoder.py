"""The simulators' words against words worked out by hand."""

from __future__ import annotations

import math
import struct

import pytest

from gateway.registers.model import ModbusPlace, OpcuaPlace, Order, Protocol, RegisterMap, Signal, Span, Table, WordType
from simulators.encoder import Encoder
from simulators.image import Image
from simulators.words import Value, encode_signal

HIGH, LOW = Order.HIGH_FIRST, Order.LOW_FIRST


def signal(
    kind: WordType,
    count: int = 1,
    *,
    name: str = "x",
    table: Table = Table.HOLDING,
    first: int = 10,
    bit: int | None = None,
    bit_count: int = 1,
    scale: float = 1.0,
    offset: float = 0.0,
    to_role_unit: float = 1.0,
    scale_from: str | None = None,
    no_value: tuple[int, ...] = (),
    texts: dict[int, str] | None = None,
    word_order: Order = HIGH,
    byte_order: Order = HIGH,
    encoding: str = "latin-1",
) -> Signal:
    return Signal(
        name=name,
        key=name,
        role=None,
        place=ModbusPlace(span=Span(table, first, first + count - 1), written=""),
        type=kind,
        bit=bit,
        bit_count=bit_count,
        scale=scale,
        offset=offset,
        to_role_unit=to_role_unit,
        scale_from=scale_from,
        no_value=no_value,
        texts=texts or {},
        word_order=word_order,
        byte_order=byte_order,
        encoding=encoding,
    )


@pytest.mark.parametrize(
    ("kind", "count", "value", "words"),
    [
        (WordType.UINT16, 1, 0x1234, (0x1234,)),
        (WordType.INT16, 1, -2, (0xFFFE,)),
        (WordType.UINT32, 2, 0x12345678, (0x1234, 0x5678)),
        (WordType.INT32, 2, -2, (0xFFFF, 0xFFFE)),
        (WordType.UINT64, 4, 0xFFFFFFFFFFFFFFFE, (0xFFFF, 0xFFFF, 0xFFFF, 0xFFFE)),
        (WordType.INT64, 4, -1, (0xFFFF, 0xFFFF, 0xFFFF, 0xFFFF)),
        # IEEE 754: -118.625 is C2ED4000, a widely printed worked example; 1.5 in double is 3FF8 and zeros.
        (WordType.FLOAT32, 2, -118.625, (0xC2ED, 0x4000)),
        (WordType.FLOAT64, 4, 1.5, (0x3FF8, 0, 0, 0)),
        (WordType.BCD16, 1, 1234, (0x1234,)),
        (WordType.BCD32, 2, 12345678, (0x1234, 0x5678)),
        (WordType.SIGN_MAGNITUDE16, 1, -5, (0x8005,)),
        (WordType.SIGN_MAGNITUDE16, 1, 5, (0x0005,)),
        (WordType.SIGN_MAGNITUDE32, 2, -0x10002, (0x8001, 0x0002)),
        (WordType.TEXT, 3, "RP-45", (0x5250, 0x2D34, 0x3500)),
    ],
)
def test_words_by_hand(kind: WordType, count: int, value: Value, words: tuple[int, ...]) -> None:
    assert encode_signal(signal(kind, count), value) == words


@pytest.mark.parametrize(
    ("word_order", "byte_order", "words"),
    [
        (HIGH, HIGH, (0x0A0B, 0x0C0D)),
        (LOW, HIGH, (0x0C0D, 0x0A0B)),
        (HIGH, LOW, (0x0B0A, 0x0D0C)),
        (LOW, LOW, (0x0D0C, 0x0B0A)),
    ],
)
def test_both_orders(word_order: Order, byte_order: Order, words: tuple[int, ...]) -> None:
    assert encode_signal(signal(WordType.UINT32, 2, word_order=word_order, byte_order=byte_order), 0x0A0B0C0D) == words


def test_text_takes_the_byte_order_and_is_cut_to_its_room() -> None:
    assert encode_signal(signal(WordType.TEXT, 2, byte_order=LOW), "ABCDEF") == (0x4241, 0x4443)
    assert encode_signal(signal(WordType.TEXT, 2), None) == (0, 0)


def test_scale_and_offset_are_undone() -> None:
    assert encode_signal(signal(WordType.UINT16, scale=0.1), 45.6) == (456,)
    assert encode_signal(signal(WordType.UINT16, scale=0.5, offset=-40.0), 25.0) == (130,)
    # The role is in A, the register in kA: 1500 A are 1.5 kA, by 0.01 kA are 150.
    assert encode_signal(signal(WordType.UINT16, scale=0.01, to_role_unit=1000.0), 1500.0) == (150,)


def test_a_device_saturates_and_never_shows_its_own_sentinel() -> None:
    assert encode_signal(signal(WordType.UINT16), 70000) == (0xFFFF,)
    assert encode_signal(signal(WordType.UINT16), -3) == (0,)
    assert encode_signal(signal(WordType.INT16), -40000) == (0x8000,)
    assert encode_signal(signal(WordType.UINT16, no_value=(65535,)), 70000) == (0xFFFE,)
    assert encode_signal(signal(WordType.INT16, no_value=(-32768,)), -40000) == (0x8001,)
    assert encode_signal(signal(WordType.BCD16), 12345) == (0x9999,)
    assert encode_signal(signal(WordType.SIGN_MAGNITUDE16), -99999) == (0xFFFF,)
    assert encode_signal(signal(WordType.FLOAT32, 2), 1e300) == (0x7F80, 0)
    assert encode_signal(signal(WordType.UINT16), math.nan) == (0,)
    assert encode_signal(signal(WordType.UINT16), math.inf) == (0xFFFF,)


def test_not_available() -> None:
    assert encode_signal(signal(WordType.UINT16, no_value=(65535, 65534)), None) == (0xFFFF,)
    assert encode_signal(signal(WordType.INT16, no_value=(-32768,)), None) == (0x8000,)
    assert encode_signal(signal(WordType.INT16, no_value=(0x8000,)), None) == (0x8000,)
    assert encode_signal(signal(WordType.BCD16, no_value=(0xFFFF,)), None) == (0xFFFF,)
    assert encode_signal(signal(WordType.UINT16), None) == (0,)
    words = encode_signal(signal(WordType.FLOAT32, 2), None)
    assert math.isnan(struct.unpack(">f", struct.pack(">2H", *words))[0])


def test_a_text_is_looked_up_and_an_unknown_one_is_refused() -> None:
    code = signal(WordType.UINT16, texts={0: "none", 7: "overload"}, scale=0.1)
    assert encode_signal(code, "overload") == (7,)
    assert encode_signal(code, 3) == (3,)
    with pytest.raises(ValueError, match="no code for the text 'earth fault'"):
        encode_signal(code, "earth fault")


def test_whole_numbers_beyond_a_double_stay_exact() -> None:
    assert encode_signal(signal(WordType.UINT64, 4), 2**63 + 1) == (0x8000, 0, 0, 1)


def test_an_opcua_signal_has_no_words() -> None:
    with pytest.raises(ValueError, match="not on Modbus"):
        encode_signal(Signal(name="x", key="x", role=None, place=OpcuaPlace(), type=None), 1)


def written(signals: tuple[Signal, ...], values: dict[str, Value], *, swapped: bool = False) -> dict[tuple[Table, int], int]:
    register_map = RegisterMap(name="m", protocol=Protocol.MODBUS, signals=signals)
    image, encoder = Image(register_map), Encoder(register_map)
    encoder.swapped = swapped
    encoder.write(image, values)
    return image.cells()


def test_bits_and_bit_ranges_merge_into_one_register() -> None:
    signals = (
        signal(WordType.BIT, name="running", bit=0),
        signal(WordType.BIT, name="tripped", bit=15),
        signal(WordType.BITS, name="mode", bit=4, bit_count=3),
    )
    assert written(signals, {"running": True, "tripped": True, "mode": 5})[(Table.HOLDING, 10)] == 0x8051
    assert written(signals, {"running": False, "tripped": True, "mode": 99})[(Table.HOLDING, 10)] == 0x8070


def test_a_bit_goes_off_again_and_leaves_its_neighbours() -> None:
    signals = (signal(WordType.BIT, name="a", bit=1), signal(WordType.BIT, name="b", bit=2))
    register_map = RegisterMap(name="m", protocol=Protocol.MODBUS, signals=signals)
    image, encoder = Image(register_map), Encoder(register_map)
    for values, word in (({"a": True, "b": True}, 6), ({"a": False, "b": True}, 4), ({"b": None}, 0)):
        encoder.write(image, dict(values))
        assert image.get(Table.HOLDING, 10) == word


def test_bits_follow_the_byte_order_of_their_register() -> None:
    assert written((signal(WordType.BIT, name="a", bit=0, byte_order=LOW),), {"a": True})[(Table.HOLDING, 10)] == 0x0100


def test_bits_of_a_double_register_follow_the_word_order() -> None:
    signals = (signal(WordType.BIT, 2, name="a", bit=17, word_order=LOW), signal(WordType.BIT, 2, name="b", bit=0, word_order=LOW))
    cells = written(signals, {"a": True, "b": True})
    assert (cells[(Table.HOLDING, 10)], cells[(Table.HOLDING, 11)]) == (1, 2)


def test_coils_hold_one_bit_each() -> None:
    signals = (
        signal(WordType.BIT, name="a", table=Table.COIL, first=3),
        signal(WordType.BITS, 3, name="m", table=Table.COIL, first=4, bit_count=3),
    )
    assert written(signals, {"a": 1, "m": 6}) == {(Table.COIL, 3): 1, (Table.COIL, 4): 0, (Table.COIL, 5): 1, (Table.COIL, 6): 1}


def test_the_exponent_comes_from_its_own_register() -> None:
    signals = (signal(WordType.INT16, name="value", scale_from="power"), signal(WordType.INT16, name="power", first=11))
    cells = written(signals, {"value": 12.34, "power": -2})
    assert (cells[(Table.HOLDING, 10)], cells[(Table.HOLDING, 11)]) == (1234, 0xFFFE)
    assert written(signals, {"value": 12.34})[(Table.HOLDING, 10)] == 12


def test_swapped_words_turn_long_numbers_round_and_nothing_else() -> None:
    signals = (
        signal(WordType.UINT32, 2, name="n"),
        signal(WordType.TEXT, 2, name="t", first=20),
        signal(WordType.UINT16, name="s", first=30),
    )
    values: dict[str, Value] = {"n": 0x00010002, "t": "ABCD", "s": 7}
    cells = written(signals, values, swapped=True)
    assert [cells[(Table.HOLDING, at)] for at in (10, 11, 20, 21, 30)] == [2, 1, 0x4142, 0x4344, 7]


def test_swapping_at_run_time_rewrites_unchanged_values() -> None:
    register_map = RegisterMap(name="m", protocol=Protocol.MODBUS, signals=(signal(WordType.UINT32, 2, name="n"),))
    image, encoder = Image(register_map), Encoder(register_map)
    encoder.write(image, {"n": 5})
    encoder.swapped = True
    encoder.write(image, {"n": 5})
    assert [image.get(Table.HOLDING, 10), image.get(Table.HOLDING, 11)] == [5, 0]


def test_what_is_not_given_keeps_what_it_holds() -> None:
    register_map = RegisterMap(name="m", protocol=Protocol.MODBUS, signals=(signal(WordType.UINT16, name="a"),))
    image, encoder = Image(register_map), Encoder(register_map)
    encoder.write(image, {"a": 9})
    encoder.write(image, {})
    assert image.get(Table.HOLDING, 10) == 9


def test_the_image_answers_over_small_holes_and_refuses_wide_ones_and_forbidden_spans() -> None:
    signals = tuple(signal(WordType.UINT16, name=name, first=first) for name, first in (("a", 10), ("b", 14), ("c", 30)))
    register_map = RegisterMap(
        name="m", protocol=Protocol.MODBUS, signals=signals, largest_gap=5, forbidden=(Span(Table.HOLDING, 12, 12), Span(Table.INPUT, 0, 3))
    )
    image = Image(register_map)
    assert image.read(Table.HOLDING, 10, 2) is not None
    assert image.read(Table.HOLDING, 10, 3) is None, "12 is forbidden"
    assert image.read(Table.HOLDING, 13, 2) is not None
    assert image.read(Table.HOLDING, 14, 2) is None, "the hole up to 30 is too wide"
    assert image.read(Table.HOLDING, 9, 2) is None
    assert image.read(Table.HOLDING, 30, 2) is None
    assert image.read(Table.INPUT, 10, 1) is None
    assert set(image.cells()) == {(Table.HOLDING, at) for at in (10, 11, 13, 14, 30)}
