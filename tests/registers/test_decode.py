"""Decoding against words worked out by hand and the examples of the Modbus Application Protocol V1.1b3, chapter 6.

No encoder of the project is used here: a mistake made twice would cancel out.
"""

from __future__ import annotations

import math
import struct
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.motors.reading import Flaw, Quality, Scalar
from gateway.registers.decode import decode_block, decode_scalar
from gateway.registers.model import ModbusPlace, OpcuaPlace, Order, Signal, Span, Table, WordType
from gateway.registers.plan import Block

HIGH, LOW = Order.HIGH_FIRST, Order.LOW_FIRST


def signal(name: str, first: int, kind: WordType, count: int = 1, **fields: Any) -> Signal:
    place = ModbusPlace(span=Span(Table.HOLDING, first, first + count - 1), written="")
    return replace(Signal(name=name, key=name, role=None, place=place, type=kind), **fields)


def block(*signals: Signal, table: Table = Table.HOLDING) -> Block:
    spans = [each.place.span for each in signals if isinstance(each.place, ModbusPlace)]
    return Block(Span(table, min(span.first for span in spans), max(span.last for span in spans)), signals)


def value_of(words: list[int], kind: WordType, **fields: Any) -> Scalar | Flaw:
    values, flaws = decode_block(block(signal("a", 100, kind, len(words), **fields)), words)
    assert len(values) + len(flaws) == 1
    return values["a"] if values else flaws["a"]


def test_the_examples_of_the_specification() -> None:
    # 6.3: registers 108 to 110 hold 02 2B, 00 00, 00 64.
    registers = block(*(signal(name, 107 + place, WordType.UINT16) for place, name in enumerate("abc")))
    assert decode_block(registers, [0x022B, 0x0000, 0x0064]) == ({"a": 555, "b": 0, "c": 100}, {})
    # 6.4: input register 9 holds 00 0A.
    assert value_of([0x000A], WordType.UINT16) == 10
    # 6.1: outputs 20 to 38 come as CD 6B 05; 6.2: inputs 197 to 218 as AC DB 35. The first is the lowest bit of the first byte.
    for first, data, count in ((19, (0xCD, 0x6B, 0x05), 19), (196, (0xAC, 0xDB, 0x35), 22)):
        bits = [(byte >> place) & 1 for byte in data for place in range(8)][:count]
        coils = block(*(signal(f"c{place}", first + place, WordType.BIT, bit=0) for place in range(count)), table=Table.COIL)
        values, flaws = decode_block(coils, bits)
        shown = "".join("1" if values[f"c{place}"] is True else "0" for place in range(count))
        assert shown == {19: "1011001111010110101", 22: "0011010111011011101011"}[count]
        assert flaws == {}


ORDERS = {"ABCD": (HIGH, HIGH), "CDAB": (LOW, HIGH), "BADC": (HIGH, LOW), "DCBA": (LOW, LOW)}


@pytest.mark.parametrize(
    ("value", "words"),
    [
        # IEEE 754 single: bytes as in ABCD, CDAB, BADC, DCBA.
        (1.0, {"ABCD": (0x3F80, 0x0000), "CDAB": (0x0000, 0x3F80), "BADC": (0x803F, 0x0000), "DCBA": (0x0000, 0x803F)}),
        (123.456, {"ABCD": (0x42F6, 0xE979), "CDAB": (0xE979, 0x42F6), "BADC": (0xF642, 0x79E9), "DCBA": (0x79E9, 0xF642)}),
        (415.0, {"ABCD": (0x43CF, 0x8000), "CDAB": (0x8000, 0x43CF), "BADC": (0xCF43, 0x0080), "DCBA": (0x0080, 0xCF43)}),
        (-0.15625, {"ABCD": (0xBE20, 0x0000), "CDAB": (0x0000, 0xBE20), "BADC": (0x20BE, 0x0000), "DCBA": (0x0000, 0x20BE)}),
        (1e6, {"ABCD": (0x4974, 0x2400), "CDAB": (0x2400, 0x4974), "BADC": (0x7449, 0x0024), "DCBA": (0x0024, 0x7449)}),
        (math.pi, {"ABCD": (0x4049, 0x0FDB), "CDAB": (0x0FDB, 0x4049), "BADC": (0x4940, 0xDB0F), "DCBA": (0xDB0F, 0x4940)}),
    ],
)
def test_float32_in_all_four_orders(value: float, words: dict[str, tuple[int, int]]) -> None:
    for order, pair in words.items():
        word_order, byte_order = ORDERS[order]
        assert value_of(list(pair), WordType.FLOAT32, word_order=word_order, byte_order=byte_order) == pytest.approx(value, rel=1e-6)


def test_float32_in_the_wrong_word_order_is_caught_by_plausible() -> None:
    # 123.456 read the wrong way round is -1.883e25.
    flaw = value_of([0xE979, 0x42F6], WordType.FLOAT32, plausible=(0.0, 800.0), unit="A")
    assert flaw == Flaw(Quality.BAD, "implausible: -1.88337e+25 A, plausible 0 to 800 A")


@pytest.mark.parametrize(
    ("kind", "words", "value"),
    [
        (WordType.INT16, [0xFFFF], -1),
        (WordType.INT16, [0x8000], -32768),
        (WordType.INT16, [0x7FFF], 32767),
        (WordType.UINT16, [0xFFFF], 65535),
        (WordType.INT32, [0x0001, 0x86A0], 100_000),
        (WordType.INT32, [0xFFFF, 0xFFFE], -2),
        (WordType.UINT32, [0xFFFF, 0xFFFE], 4_294_967_294),
        (WordType.INT64, [0xFFFF, 0xFFFF, 0xFFFF, 0xFFFF], -1),
        # Above 2^53 a float would lose the last digits, above 2^63 a signed number would turn negative.
        (WordType.UINT64, [0x8000, 0x0000, 0x0000, 0x0001], 9_223_372_036_854_775_809),
        (WordType.FLOAT64, [0x4009, 0x21FB, 0x5444, 0x2D18], math.pi),
        (WordType.BCD16, [0x1234], 1234),
        (WordType.BCD16, [0x0009], 9),
        (WordType.BCD32, [0x1234, 0x5678], 12_345_678),
        (WordType.SIGN_MAGNITUDE16, [0x8005], -5),
        (WordType.SIGN_MAGNITUDE16, [0x7FFF], 32767),
        (WordType.SIGN_MAGNITUDE16, [0x8000], 0),
        (WordType.SIGN_MAGNITUDE32, [0x8001, 0x0000], -65536),
    ],
)
def test_number_types_in_every_order(kind: WordType, words: list[int], value: float) -> None:
    swapped = [(word >> 8) | (word & 0xFF) << 8 for word in words]
    for given_words, word_order, byte_order in (
        (words, HIGH, HIGH),
        (words[::-1], LOW, HIGH),
        (swapped, HIGH, LOW),
        (swapped[::-1], LOW, LOW),
    ):
        found = value_of(given_words, kind, word_order=word_order, byte_order=byte_order)
        assert found == value and isinstance(found, type(value))


def test_a_bcd_digit_above_nine_is_a_flaw_and_not_a_number() -> None:
    assert value_of([0x12A4], WordType.BCD16) == Flaw(Quality.BAD, "not a BCD number: a digit is above 9")
    assert value_of([0xFFFF, 0xFFFF], WordType.BCD32) == Flaw(Quality.BAD, "not a BCD number: a digit is above 9")


def test_bits_and_bit_ranges_share_a_register() -> None:
    word = 0b0010_0000_0101_0010
    bits = [signal(f"b{bit}", 5, WordType.BIT, bit=bit) for bit in range(16)]
    ranges = [signal("low", 5, WordType.BITS, bit=0, bit_count=4), signal("mid", 5, WordType.BITS, bit=4, bit_count=3)]
    values, flaws = decode_block(block(*bits, *ranges, signal("whole", 5, WordType.UINT16)), [word])
    assert flaws == {}
    assert [bit for bit in range(16) if values[f"b{bit}"] is True] == [1, 4, 6, 13]
    assert all(isinstance(values[f"b{bit}"], bool) for bit in range(16))
    assert (values["low"], values["mid"], values["whole"]) == (2, 5, word)


def test_bits_of_a_longer_value_and_of_a_swapped_word() -> None:
    assert value_of([0x0002, 0x0000], WordType.BIT, bit=17) is True
    assert value_of([0x0000, 0x0002], WordType.BIT, bit=17, word_order=LOW) is True
    assert value_of([0x0100], WordType.BIT, bit=0, byte_order=LOW) is True
    assert value_of([0x0100], WordType.BIT, bit=8, byte_order=LOW) is False


def test_coils_as_a_number_have_the_lowest_address_first() -> None:
    coils = block(signal("n", 10, WordType.BITS, 3, bit=0, bit_count=3), table=Table.COIL)
    assert decode_block(coils, [1, 0, 1]) == ({"n": 5}, {})
    odd = block(signal("n", 10, WordType.BITS, 3, bit=0, bit_count=3, no_value=(7,)), table=Table.COIL)
    assert decode_block(odd, [1, 1, 1])[1]["n"].reason.startswith("not available")


def test_texts() -> None:
    # "PUMP 3" padded with NUL; and the same with the letters of each word exchanged.
    assert value_of([0x5055, 0x4D50, 0x2033, 0x0000], WordType.TEXT) == "PUMP 3"
    assert value_of([0x5550, 0x504D, 0x3320, 0x0000], WordType.TEXT, byte_order=LOW) == "PUMP 3"
    assert value_of([0x4142, 0x2020], WordType.TEXT) == "AB"
    assert value_of([0x0000, 0x4142], WordType.TEXT) == ""
    assert value_of([0x41B0], WordType.TEXT) == "A°"
    assert value_of([0x41B0], WordType.TEXT, encoding="utf-8") == "A\N{REPLACEMENT CHARACTER}"
    # Control characters from a device must not reach a terminal or a page.
    assert value_of([0x411B, 0x5B33], WordType.TEXT) == "A\N{REPLACEMENT CHARACTER}[3"


def test_scales_are_decimal() -> None:
    assert value_of([123], WordType.UINT16, scale=0.1) == 12.3
    assert value_of([3], WordType.UINT16, scale=0.1) == 0.3
    assert value_of([7], WordType.UINT16, scale=0.01) == 0.07
    assert value_of([250], WordType.UINT16, scale=0.1, offset=-40.0) == -15.0
    assert value_of([10], WordType.UINT16, scale=2.5) == 25.0
    assert value_of([12], WordType.UINT16, scale=100.0) == 1200.0
    assert value_of([82], WordType.UINT16, unit="kA", to_role_unit=1000.0, scale=0.001) == 82.0
    assert value_of([829], WordType.UINT16, unit="mV", to_role_unit=0.001) == 0.829
    assert value_of([5], WordType.UINT16, offset=0.5) == 5.5


@given(st.integers(0, 65535), st.integers(0, 6))
def test_any_decimal_scale_gives_the_number_a_person_would_write(raw: int, places: int) -> None:
    shown = f"{raw / 10**places:.{places}f}" if places else str(raw)
    assert value_of([raw], WordType.UINT16, scale=float(f"1e-{places}")) == float(shown)


def test_no_value_codes_become_not_available() -> None:
    gone = Flaw(Quality.BAD, "not available: the device sends its no-value code")
    assert value_of([0xFFFF], WordType.UINT16, no_value=(65535,), scale=0.1) == gone
    assert value_of([0x8000], WordType.INT16, no_value=(-32768,)) == gone
    assert value_of([0x8000], WordType.SIGN_MAGNITUDE16, no_value=(-32768,)) == gone
    assert value_of([0x8001], WordType.SIGN_MAGNITUDE16, no_value=(-32768,)) == -1
    assert value_of([0], WordType.SIGN_MAGNITUDE16, no_value=(-32768,)) == 0
    assert value_of([0x8000, 0], WordType.SIGN_MAGNITUDE32, no_value=(-(2**31),)) == gone
    assert value_of([0xFFFE], WordType.UINT16, no_value=(65535, 65534)) == gone
    assert value_of([0xFFFD], WordType.UINT16, no_value=(65535, 65534)) == 65533
    assert value_of([0x0F00], WordType.BITS, bit=8, bit_count=4, no_value=(15,)) == gone
    # -9999 as a float is C6 1C 3C 00; a map keeps the bits.
    assert value_of([0xC61C, 0x3C00], WordType.FLOAT32, no_value=(0xC61C3C00,)) == gone
    assert value_of([0x7FBF, 0xFF80], WordType.FLOAT32, no_value=(0x7FBFFF80,)) == gone
    assert value_of([0x7FF8, 0, 0, 0], WordType.FLOAT64, no_value=(0x7FF8 << 48,)) == gone


def test_nan_and_infinities_end_here() -> None:
    assert value_of([0x7FC0, 0x0000], WordType.FLOAT32) == Flaw(Quality.BAD, "not a number")
    assert value_of([0x7F80, 0x0000], WordType.FLOAT32) == Flaw(Quality.BAD, "infinite")
    assert value_of([0xFF80, 0x0000], WordType.FLOAT32, plausible=(0.0, 1.0)) == Flaw(Quality.BAD, "infinite")
    assert value_of([0x7FF8, 0, 0, 0], WordType.FLOAT64, scale=0.1) == Flaw(Quality.BAD, "not a number")
    # The largest double times ten is no number any more.
    assert value_of([0x7FEF, 0xFFFF, 0xFFFF, 0xFFFF], WordType.FLOAT64, scale=10.0) == Flaw(Quality.BAD, "too large a number")


def test_plausible_holds_at_its_edges_and_speaks_in_the_signals_unit() -> None:
    fields: dict[str, Any] = {"scale": 0.1, "unit": "kA", "to_role_unit": 1000.0, "plausible": (0.0, 0.8)}
    assert value_of([8], WordType.UINT16, **fields) == 800.0
    assert value_of([0], WordType.UINT16, **fields) == 0.0
    assert value_of([9], WordType.UINT16, **fields) == Flaw(Quality.BAD, "implausible: 0.9 kA, plausible 0 to 0.8 kA")
    assert value_of([9], WordType.UINT16, plausible=(0.0, 8.0)) == Flaw(Quality.BAD, "implausible: 9, plausible 0 to 8")


def test_the_edge_of_a_decimal_range_is_inside() -> None:
    # 3 x 0.1 is 0.30000000000000004 in binary, and 0.3 is allowed.
    assert value_of([3], WordType.UINT16, scale=0.1, plausible=(0.0, 0.3)) == 0.3


def scaled_block(power: WordType = WordType.INT16, **fields: Any) -> Block:
    return block(signal("s", 0, power, **fields), signal("a", 1, WordType.INT16, scale_from="s"))


def test_a_scale_from_another_register() -> None:
    assert decode_block(scaled_block(), [0xFFFF, 823]) == ({"s": -1, "a": 82.3}, {})
    assert decode_block(scaled_block(), [2, 823])[0]["a"] == 82300
    assert decode_block(scaled_block(), [0, 823])[0]["a"] == 823
    both = block(signal("s", 0, WordType.INT16), signal("a", 1, WordType.INT16, scale_from="s", scale=0.5, offset=3.0))
    assert decode_block(both, [0xFFFE, 500])[0]["a"] == 500 * 0.5 / 100 + 3
    assert decode_block(both, [1, 500])[0]["a"] == 2503.0
    swapped = block(signal("s", 0, WordType.INT16, byte_order=LOW), signal("a", 1, WordType.UINT16, scale_from="s"))
    assert decode_block(swapped, [0x0100, 5])[0]["a"] == 50


def test_a_scale_that_is_no_scale_makes_the_value_bad() -> None:
    values, flaws = decode_block(scaled_block(), [0x7FFF, 823])
    assert values == {"s": 32767}
    assert flaws["a"].reason == "its scale register holds 32767: a power of ten from -20 to 20 is needed"
    values, flaws = decode_block(scaled_block(no_value=(-32768,)), [0x8000, 823])
    assert values == {} and flaws["a"].reason == "its scale register has no usable value"
    bcd = scaled_block(WordType.BCD16)
    assert decode_block(bcd, [0x000F, 823])[1]["a"].reason == "its scale register has no usable value"
    assert decode_block(bcd, [0x0001, 823])[0]["a"] == 8230
    missing = block(signal("a", 1, WordType.INT16, scale_from="s"))
    assert decode_block(missing, [823])[1]["a"].reason == "its scale register has no usable value"
    shaped = block(signal("s", 0, WordType.INT16), signal("a", 1, WordType.BCD16, scale_from="s"))
    assert decode_block(shaped, [1, 0x00FF])[1]["a"].reason.startswith("not a BCD number")


def test_a_scale_must_be_a_number() -> None:
    with pytest.raises(ValueError, match="finite numbers"):
        value_of([1], WordType.UINT16, scale=math.inf)


def test_a_reply_of_another_length_makes_every_signal_bad() -> None:
    registers = block(signal("a", 0, WordType.UINT16), signal("b", 1, WordType.UINT16))
    for words in ([], [1], [1, 2, 3]):
        values, flaws = decode_block(registers, words)
        assert values == {} and set(flaws) == {"a", "b"}


def test_values_lie_anywhere_in_a_block_with_gaps_and_overlaps() -> None:
    words = list(range(1000, 1020))
    signals = [
        signal("float", 4, WordType.FLOAT32, 2),
        signal("again", 4, WordType.UINT32, 2),
        signal("low", 5, WordType.UINT16),
        signal("last", 19, WordType.UINT16),
        signal("text", 0, WordType.TEXT, 2),
    ]
    values, _ = decode_block(Block(Span(Table.HOLDING, 0, 19), tuple(signals)), words)
    assert values["again"] == 1004 * 65536 + 1005
    assert values["low"] == 1005 and values["last"] == 1019
    assert values["float"] == struct.unpack(">f", struct.pack(">HH", 1004, 1005))[0]


@given(st.lists(st.integers(0, 65535), min_size=12, max_size=12))
def test_no_words_whatever_raise_or_pass_a_value_that_is_no_number(words: list[int]) -> None:
    kinds = [(WordType.FLOAT32, 2), (WordType.FLOAT64, 4), (WordType.BCD32, 2), (WordType.TEXT, 2), (WordType.SIGN_MAGNITUDE16, 1)]
    signals, first = [], 0
    for kind, count in kinds:
        signals.append(signal(kind.value, first, kind, count, scale=0.1 if kind is not WordType.TEXT else 1.0))
        first += count
    signals.append(signal("scaled", 11, WordType.INT16, scale_from="sign_magnitude16"))
    values, flaws = decode_block(block(*signals), words[: first + 1])
    assert values.keys() | flaws.keys() == {each.key for each in signals} and not values.keys() & flaws.keys()
    assert all(isinstance(value, str) or math.isfinite(value) for value in values.values())


NODE = OpcuaPlace(namespace_uri="urn:example", identifier="s=A")


def opcua(role: str | None, **fields: Any) -> Signal:
    base = Signal(name=role or "own", key=role or "own", role=role, place=NODE, type=None)
    return replace(base, **fields)


@pytest.mark.parametrize(
    ("role", "raw", "value"),
    [
        ("current", 82.5, 82.5),
        ("current", 82, 82),
        ("running", True, True),
        ("running", 1, True),
        ("running", 0, False),
        ("running", 0.0, False),
        ("trip_code", 7, 7),
        ("trip_code", "phase loss", "phase loss"),
        ("start_count", 2**63 + 1, 2**63 + 1),
        (None, True, True),
        (None, "text", "text"),
        (None, 5, 5),
        ("start_count", True, 1),
    ],
)
def test_values_of_a_server(role: str | None, raw: object, value: Scalar) -> None:
    found, flaw = decode_scalar(opcua(role), raw)
    assert flaw is None and found == value and isinstance(found, type(value))


@pytest.mark.parametrize(
    ("role", "raw", "words"),
    [
        ("current", None, "the server gave no value"),
        ("current", "82", "the server gave a text where a number is needed: '82'"),
        ("running", "yes", "a text where a number"),
        ("current", [1.0], "the server gave a list"),
        ("current", b"1", "the server gave a bytes"),
        ("current", math.nan, "not a number"),
        ("current", -math.inf, "infinite"),
        ("running", math.nan, "not a number"),
        (None, math.nan, "not a number"),
    ],
)
def test_what_a_server_gives_and_is_no_value(role: str | None, raw: object, words: str) -> None:
    found, flaw = decode_scalar(opcua(role), raw)
    assert found is None and flaw is not None and flaw.quality is Quality.BAD and words in flaw.reason


def test_a_servers_value_is_scaled_and_held_against_its_range() -> None:
    kilo = opcua("power", unit="W", to_role_unit=0.001, plausible=(0.0, 50_000.0))
    assert decode_scalar(kilo, 45_000.0) == (45.0, None)
    found, flaw = decode_scalar(kilo, 60_000.0)
    assert found is None and flaw is not None and flaw.reason == "implausible: 60000 W, plausible 0 to 50000 W"
    assert decode_scalar(opcua("current", no_value=(-1,)), -1)[1] is not None
    assert decode_scalar(opcua("running", no_value=(255,)), 255)[1] is not None


@pytest.mark.parametrize(("words", "raw"), [((0x8000, 0x43CF), "-2.43e-41"), ((0x0FDB, 0x4049), None)])
def test_a_subnormal_float_is_the_trace_of_a_wrong_word_order(words: tuple[int, int], raw: str | None) -> None:
    # 415.0 is 43CF 8000; with the words swapped it is -2.43e-41, which lies inside any range around 0. pi swapped is a normal number.
    place = ModbusPlace(span=Span(Table.HOLDING, 0, 1), written="holding 0")
    signal = Signal(name="power", key="power", role="power", place=place, type=WordType.FLOAT32, unit="kW", plausible=(-50.0, 2000.0))
    values, flaws = decode_block(Block(place.span, (signal,)), words)
    assert ("power" in values) is (raw is None)
    if raw is not None:
        assert flaws["power"].quality is Quality.BAD
        assert flaws["power"].reason.startswith(f"implausible: {raw}")
    assert decode_block(Block(place.span, (signal,)), (0, 0))[0] == {"power": 0.0}
