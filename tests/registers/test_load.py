"""Register maps: what is read from them, and that every mistake is told at once with its line, its field and the way out."""

from __future__ import annotations

import textwrap
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.errors import InputError, Problem
from gateway.registers.findings import Findings
from gateway.registers.load import load_map, map_from
from gateway.registers.model import Fetch, ModbusPlace, OpcuaPlace, Order, Protocol, RegisterMap, Signal, SignalPace, Span, Table, WordType
from gateway.registers.plan import plan_reads
from gateway.registers.roles import ROLES
from gateway.registers.yaml_tree import parse_tree

MAPS = sorted((Path(__file__).parents[2] / "config" / "maps").glob("*.yaml"))


def read(text: str, head: str = "map: m\nprotocol: modbus\n") -> tuple[RegisterMap | None, list[Problem]]:
    findings = Findings("m.yaml")
    tree = parse_tree(head + textwrap.dedent(text), findings)
    return (None if tree is None else map_from(tree, findings)), findings.problems


def good(text: str, head: str = "map: m\nprotocol: modbus\n") -> RegisterMap:
    register_map, problems = read(text, head)
    assert problems == [] and register_map is not None
    return register_map


def one_signal(line: str, top: str = "") -> Signal:
    register_map = good(f"{top}\nsignals:\n  {line}\n")
    return register_map.signals[0]


def one_problem(text: str, head: str = "map: m\nprotocol: modbus\n") -> Problem:
    _, problems = read(text, head)
    assert len(problems) == 1, problems
    return problems[0]


def signal_problem(line: str, top: str = "") -> Problem:
    return one_problem(f"{top}\nsignals:\n  {line}\n")


# The example maps.


@pytest.mark.parametrize("path", MAPS, ids=lambda path: path.stem)
def test_the_example_maps_hold_what_the_gateway_needs(path: Path) -> None:
    register_map = load_map(path)
    assert register_map.name == path.stem and register_map.file == str(path)
    keys = {signal.key for signal in register_map.signals}
    assert "current" in keys or {"current_l1", "current_l2", "current_l3"} <= keys
    assert {"running", "starting", "at_speed", "tripped", "trip_code", "start_count", "voltage", "thermal_used"} <= keys
    assert any(key.startswith("set_") for key in keys)
    trip_code = register_map.signal("trip_code")
    assert trip_code is not None and trip_code.texts[0] == "none"


def test_there_are_four_example_maps() -> None:
    assert [path.stem for path in MAPS] == ["bridge-soft-start", "feeder-block", "ramp-pro-metered", "softline-ua"]


def test_the_commented_example_in_full() -> None:
    register_map = load_map(next(path for path in MAPS if path.stem == "ramp-pro-metered"))
    assert register_map.protocol is Protocol.MODBUS and register_map.first_address == 1
    assert (register_map.largest_block, register_map.largest_gap, register_map.timeout_s, register_map.update_time_s) == (60, 8, 1.0, 0.02)
    assert register_map.forbidden == (Span(Table.HOLDING, 60, 68),)
    assert register_map.together == (("current", "running", "starting", "at_speed"),)
    current = register_map.signal("current")
    assert current is not None and current.place == ModbusPlace(span=Span(Table.HOLDING, 12, 12), written="holding 13")
    assert (current.type, current.scale, current.unit, current.no_value, current.plausible) == (
        WordType.UINT16,
        0.1,
        "A",
        (65535,),
        (0, 4000),
    )
    power = register_map.signal("power")
    assert power is not None and power.word_order is Order.LOW_FIRST and power.type is WordType.FLOAT32
    counter = register_map.signal("start_count")
    assert counter is not None and counter.wraps_at == 2**32
    temperature = register_map.signal("winding_temperature")
    assert temperature is not None and temperature.no_value == (-32768,) and temperature.pace is SignalPace.SLOW
    quick = plan_reads(register_map, slow=False)
    assert [(block.span.first, block.span.count) for block in quick] == [(0, 27)]
    assert [(block.span.first, block.span.count) for block in plan_reads(register_map, slow=True)] == [(0, 28), (39, 14), (70, 4)]


# Signals on Modbus.


@pytest.mark.parametrize(
    ("line", "kind", "first", "count"),
    [
        ("a: {at: holding 13, type: uint16}", WordType.UINT16, 13, 1),
        ("a: {at: 40013, type: int32}", WordType.INT32, 12, 2),
        ("a: {at: holding 13-14, type: float32}", WordType.FLOAT32, 13, 2),
        ("a: {at: holding 0x0C, type: float64}", WordType.FLOAT64, 12, 4),
        ("a: {at: holding 1, type: text, length: 8}", WordType.TEXT, 1, 8),
        ("a: {at: holding 1-8, type: text}", WordType.TEXT, 1, 8),
        ("a: {at: coil 5}", WordType.BIT, 5, 1),
        ("a: {at: discrete 5, type: bit}", WordType.BIT, 5, 1),
        ("a: {at: coil 5-8}", WordType.BITS, 5, 4),
        ("a: {at: holding 1, bit: 15}", WordType.BIT, 1, 1),
        ("a: {at: holding 1, type: bit, bit: 0}", WordType.BIT, 1, 1),
        ("a: {at: holding 1-2, bit: 31}", WordType.BIT, 1, 2),
        ("a: {at: holding 1, type: Sign Magnitude16}", WordType.SIGN_MAGNITUDE16, 1, 1),
    ],
)
def test_places_and_types(line: str, kind: WordType, first: int, count: int) -> None:
    signal = one_signal(line)
    assert isinstance(signal.place, ModbusPlace)
    assert (signal.type, signal.place.span.first, signal.place.span.count) == (kind, first, count)
    assert signal.line == 5


@pytest.mark.parametrize(
    ("line", "bit", "count", "kind"),
    [
        ("a: {at: holding 1, bits: 4-6}", 4, 3, WordType.BITS),
        ("a: {at: holding 1, bits: 4}", 4, 1, WordType.BITS),
        ("a: {at: holding 1, bit: 4, count: 3}", 4, 3, WordType.BITS),
        ("a: {at: holding 1, type: bits, bit: 4}", 4, 1, WordType.BITS),
        ("a: {at: holding 1, bit: 4}", 4, 1, WordType.BIT),
        ("a: {at: holding 1, bits: 0-15}", 0, 16, WordType.BITS),
    ],
)
def test_bits(line: str, bit: int, count: int, kind: WordType) -> None:
    signal = one_signal(line)
    assert (signal.bit, signal.bit_count, signal.type) == (bit, count, kind)


@pytest.mark.parametrize(
    ("fields", "codes"),
    [
        ("type: uint16, no_value: 0xFFFF", (65535,)),
        ("type: uint16, no_value: [65535, 65534]", (65535, 65534)),
        ("type: int16, no_value: 0x8000", (-32768,)),
        ("type: int16, no_value: [-1, 32767]", (-1, 32767)),
        ("type: int32, no_value: 0x80000000", (-(2**31),)),
        ("type: sign_magnitude16, no_value: 0x8001", (-1,)),
        ("type: sign_magnitude16, no_value: 0x8000", (-32768,)),
        ("type: sign_magnitude32, no_value: 0x80000000", (-(2**31),)),
        ("type: sign_magnitude16, no_value: [0x7FFF, -32767]", (32767, -32767)),
        ("type: bcd16, no_value: 9999", (9999,)),
        ("bits: 8-11, no_value: 15", (15,)),
        # -9999 as a single: sign 1, exponent 13 + 127, mantissa 9999 / 8192: C61C 3C00.
        ("type: float32, no_value: -9999", (0xC61C3C00,)),
        ("type: float32, no_value: 0x7FBFFF80", (0x7FBFFF80,)),
        ("type: float64, no_value: 0.0", (0,)),
    ],
)
def test_no_value_codes_are_kept_as_the_words_decode(fields: str, codes: tuple[int, ...]) -> None:
    assert one_signal(f"a: {{at: holding 1, {fields}}}").no_value == codes


def test_numbers_mean_what_they_look_like() -> None:
    """YAML 1.1 would read 00013 as octal, 1:30 as ninety and `on` as true."""
    assert one_signal("a: {at: holding 0013, type: uint16, scale: 00.10}").scale == 0.1
    assert one_signal("a: {at: holding 1, type: uint16, texts: {0: on, 1: off, 010: yes}}").texts == {0: "on", 1: "off", 10: "yes"}
    assert one_signal("a: {at: holding 1, type: uint16, texts: {0x1F: x}}").texts == {31: "x"}


def test_the_unit_of_a_signal_is_turned_into_that_of_its_role() -> None:
    assert one_signal("current: {at: holding 1, type: uint16, unit: mA}").to_role_unit == 0.001
    assert one_signal("current: {at: holding 1, type: uint16, unit: kA}").to_role_unit == 1000.0
    assert one_signal("power_factor: {at: holding 1, type: uint16, unit: '%'}").to_role_unit == 0.01
    assert one_signal("power_factor: {at: holding 1, type: uint16}").to_role_unit == 1.0
    assert one_signal("running_hours: {at: holding 1, type: uint32, unit: min}").to_role_unit == pytest.approx(1 / 60)
    # A signal without a role keeps any unit as a text.
    own = one_signal("flow: {at: holding 1, type: uint16, unit: m3/h}")
    assert (own.unit, own.to_role_unit, own.role, own.key) == ("m3/h", 1.0, None, "flow")


def test_a_role_may_be_given_to_another_name() -> None:
    signal = one_signal("amps: {role: current, at: holding 1, type: uint16, unit: A}")
    assert (signal.name, signal.role, signal.key) == ("amps", "current", "current")


@pytest.mark.parametrize(
    ("fields", "wraps_at"),
    [
        ("type: uint16", 65536),
        ("type: uint32", 2**32),
        ("type: uint64", 2**64),
        ("type: int16", 65536),
        ("type: bcd16", 10_000),
        ("type: bcd32", 100_000_000),
        ("type: sign_magnitude16", 32768),
        ("bits: 0-11", 4096),
        ("type: uint32, wraps_at: 1000000", 1_000_000),
    ],
)
def test_a_counter_wraps_by_the_size_of_its_words_unless_told(fields: str, wraps_at: int) -> None:
    assert one_signal(f"start_count: {{at: holding 1, {fields}}}").wraps_at == wraps_at


def test_orders_come_from_the_map_unless_the_signal_says_otherwise() -> None:
    top = "word_order: low_first\nbyte_order: low first"
    signal = one_signal("a: {at: holding 1, type: float32}", top)
    assert (signal.word_order, signal.byte_order) == (Order.LOW_FIRST, Order.LOW_FIRST)
    signal = one_signal("a: {at: holding 1, type: float32, word_order: high_first, byte_order: high_first}", top)
    assert (signal.word_order, signal.byte_order) == (Order.HIGH_FIRST, Order.HIGH_FIRST)
    text = one_signal("a: {at: holding 1-4, type: text}", top)
    assert (text.word_order, text.byte_order) == (Order.HIGH_FIRST, Order.LOW_FIRST)


def test_map_settings_and_their_defaults() -> None:
    plain = good("signals: {a: {at: holding 1, type: uint16}}")
    assert (plain.first_address, plain.largest_block, plain.largest_bit_block, plain.largest_gap) == (0, 125, 2000, 8)
    assert (plain.timeout_s, plain.min_gap_s, plain.update_time_s, plain.answers_id_zero) == (1.0, 0.0, 0.0, False)
    full = good(
        """
        about: a note
        largest_block: 32
        largest_bit_block: 64
        largest_gap: 0
        min_gap: 20 ms
        timeout: 1.5 s
        update_time: 0.1 s
        answers_id_zero: yes
        together: [a, b]
        signals: {a: {at: holding 1, type: uint16}, b: {at: holding 9, type: uint16}}
        """
    )
    assert (full.largest_block, full.largest_bit_block, full.largest_gap) == (32, 64, 0)
    assert (full.timeout_s, full.min_gap_s, full.update_time_s, full.answers_id_zero) == (1.5, 0.02, 0.1, True)
    assert full.together == (("a", "b"),)


# Mistakes of one signal.


@pytest.mark.parametrize(
    ("line", "field", "words"),
    [
        ("a: {at: holding 13, tpye: uint16, type: uint16}", "tpye", "did you mean `type`"),
        ("a: {at: holding 13, node: x, type: uint16}", "node", "belongs to OPC UA"),
        ("a: {type: uint16}", "at", "`at` is missing"),
        ("a: {at: , type: uint16}", "at", "the value is missing"),
        ("a: {at: [1], type: uint16}", "at", "one value is needed"),
        ("a: {at: holding 70000, type: uint16}", "at", "beyond the highest address"),
        ("a: {at: holding 65535, type: uint32}", "at", "ends beyond the highest address"),
        ("a: {at: holding 13}", "type", "`type` is missing"),
        ("a: {at: holding 13, type: unit16}", "type", "did you mean `uint16`"),
        ("a: {at: holding 13-15, type: uint32}", "at", "3 registers long and uint32 takes 2"),
        ("a: {at: holding 15-13, type: uint32}", "at", "reversed"),
        ("a: {at: coil 1, type: uint16}", "type", "is one bit and cannot hold uint16"),
        ("a: {at: coil 1, bit: 3}", "bit", "is one bit already"),
        ("a: {at: coil 1-65}", "at", "up to 64 bits"),
        ("a: {at: holding 1, bit: 16}", "bit", "out of range"),
        ("a: {at: holding 1, bit: -1}", "bit", "out of range"),
        ("a: {at: holding 1, bit: one}", "bit", "not a whole number"),
        ("a: {at: holding 1, bits: 6-4}", "bits", "reversed"),
        ("a: {at: holding 1, bits: 4-16}", "bits", "highest bit here is 15"),
        ("a: {at: holding 1, bits: low}", "bits", "such as 4-6"),
        ("a: {at: holding 1, bits: }", "bits", "the value is missing"),
        ("a: {at: holding 1, bit: 1, bits: 4-6}", "bits", "exclude each other"),
        ("a: {at: holding 1, bit: 14, count: 3}", "count", "reach beyond bit 15"),
        ("a: {at: holding 1, bit: 14, count: 0}", "count", "out of range"),
        ("a: {at: holding 1, count: 3, type: uint16}", "count", "goes with `bit`"),
        ("a: {at: holding 1, type: bit}", "bit", "`bit` is missing"),
        ("a: {at: holding 1-3, bit: 1}", "at", "in one register, or"),
        ("a: {at: holding 1, bit: 1, type: uint16}", "type", "a bit has no other type"),
        ("a: {at: holding 1, type: text}", "length", "`length` is missing"),
        ("a: {at: holding 1, type: text, length: 126}", "length", "out of range"),
        ("a: {at: holding 1, type: uint16, length: 2}", "length", "only a text has a length"),
        ("a: {at: holding 1-4, type: text, encoding: ebcdic}", "encoding", "not known"),
        ("a: {at: holding 1, type: uint16, scale: 0}", "scale", "makes every value 0"),
        ("a: {at: holding 1, type: uint16, scale: 1:30}", "scale", "not a number"),
        ("a: {at: holding 1, type: uint16, scale: 0.1 A}", "scale", "not a number"),
        ("a: {at: holding 1, type: uint16, offset: 1e300}", "offset", "out of range"),
        ("a: {at: holding 1, type: uint16, plausible: [800, 0]}", "plausible", "reversed"),
        ("a: {at: holding 1, type: uint16, plausible: [5, 5]}", "plausible", "lowest and the highest"),
        ("a: {at: holding 1, type: uint16, plausible: 800}", "plausible", "lowest and the highest"),
        ("a: {at: holding 1, type: uint16, plausible: [0, many]}", "plausible", "not a number"),
        ("a: {at: holding 1, type: uint16, plausible: {low: 0}}", "plausible", "a list is needed"),
        ("a: {at: holding 1, type: uint16, no_value: 65536}", "no_value", "never holds this number"),
        ("a: {at: holding 1, type: uint16, no_value: -1}", "no_value", "never holds this number"),
        ("a: {at: holding 1, type: sign_magnitude16, no_value: -32768}", "no_value", "never holds this number"),
        ("a: {at: holding 1, type: uint16, no_value: [none, 65535]}", "no_value", "not a whole number"),
        ("a: {at: holding 1, type: uint16, no_value: none}", "no_value", "not a whole number"),
        ("a: {at: holding 1, type: uint16, no_value: [[1]]}", "no_value", "every item must be one value"),
        ("a: {at: holding 1, type: float32, no_value: 0x1FFFFFFFF}", "no_value", "never holds this"),
        ("a: {at: holding 1, type: float32, no_value: 1e39}", "no_value", "never holds this"),
        ("a: {at: holding 1, bit: 1, no_value: 1}", "no_value", "a bit has no `no_value`"),
        ("a: {at: holding 1, bit: 1, scale_from: b}", "scale_from", "a bit has no scale"),
        ("a: {at: holding 1, type: uint16, texts: {x: none}}", "texts.x", "a whole number"),
        ("a: {at: holding 1, type: uint16, texts: {1: a, 0x1: b}}", "texts.0x1", "given twice"),
        ("a: {at: holding 1, type: uint16, texts: {1: [a]}}", "texts.1", "one value is needed"),
        ("a: {at: holding 1, type: uint16, texts: none}", "texts", "names with values"),
        ("a: {at: holding 1, type: uint16, texts: {1: a}, scale: 2}", "texts", "cannot be scaled"),
        ("a: {at: holding 1, type: float32, texts: {1: a}}", "texts", "not with a float"),
        ("a: {at: holding 1, type: uint16, wraps_at: 70000}", "wraps_at", "at the latest"),
        ("start_count: {at: holding 1, type: uint16, wraps_at: 0}", "wraps_at", "out of range"),
        ("a: {at: holding 1, type: uint16, pace: slwo}", "pace", "did you mean `slow`"),
        ("a: {at: holding 1, type: uint16, word_order: big}", "word_order", "not known"),
        ("a: {at: holding 1, type: uint16, role: amps}", "role", "this role is not known"),
        ("current: {at: holding 1, type: uint16}", "unit", "`unit` is missing"),
        ("current: {at: holding 1, type: uint16, unit: V}", "unit", "measured in A"),
        ("current: {at: holding 1, type: uint16, unit: amps and volts}", "unit", "measured in A"),
        ("winding_temperature: {at: holding 1, type: uint16, unit: degF}", "unit", "another zero"),
        ("speed: {at: holding 1, type: uint16, unit: Hz}", "unit", "measured in rpm"),
        ("start_count: {at: holding 1, type: uint16, unit: A}", "unit", "a counter has no unit"),
        ("start_count: {at: holding 1, type: uint16, scale: 10}", "scale", "cannot be scaled"),
        ("start_count: {at: holding 1, type: float32}", "type", "counts whole numbers"),
        ("start_count: {at: holding 1, bit: 1}", "bit", "not one bit"),
        ("start_count: {at: coil 1}", "at", "not one bit"),
        ("trip_code: {at: holding 1, type: uint16, offset: 10}", "offset", "cannot be scaled"),
        ("trip_code: {at: holding 1, type: uint16, wraps_at: 10}", "wraps_at", "only a counter wraps"),
        ("running: {at: holding 1, type: uint16}", "type", "name its bit"),
        ("running: {at: holding 1, bits: 1-2}", "at", "name its bit"),
        ("voltage: {at: holding 1-4, type: text, unit: V}", "type", "not a text"),
        ("two words: {at: holding 1, type: uint16}", "", "one plain word"),
        ("a: 5", "", "names with values"),
    ],
)
def test_a_mistake_in_a_signal(line: str, field: str, words: str) -> None:
    problem = signal_problem(line)
    name = line.partition(":")[0]
    assert problem.line == 5 and problem.file == "m.yaml"
    assert problem.field == (f"signals.{name}.{field}" if field else f"signals.{name}")
    assert words in problem.message


# Mistakes between signals, and of the map.


@pytest.mark.parametrize(
    ("text", "line", "field", "words"),
    [
        (
            "signals: {a: {role: current, at: holding 1, type: uint16, unit: A}, current: {at: holding 2, type: uint16, unit: A}}",
            3,
            "signals.current",
            "two cannot have it",
        ),
        ("signals: {a: {at: holding 1, type: float32}, b: {at: holding 2, type: uint16}}", 3, "signals.b.at", "overlap those of a"),
        (
            "forbidden: [holding 5-9]\nsignals: {a: {at: holding 4, type: uint32}}",
            4,
            "signals.a.at",
            "forbidden range holding 0x0005-0x0009",
        ),
        ("forbidden: [holding 9-5]\nsignals: {a: {at: holding 1, type: int16}}", 3, "forbidden", "reversed"),
        (
            "forbidden: [holding 5-9, holding 9-12]\nsignals: {a: {at: holding 1, type: int16}}",
            3,
            "forbidden",
            "overlaps holding 0x0005-0x0009",
        ),
        ("forbidden: [[1, 2]]\nsignals: {a: {at: holding 1, type: int16}}", 3, "forbidden", "every item must be one value"),
        ("largest_block: 4\nsignals: {a: {at: holding 1-5, type: text}}", 4, "signals.a.at", "longer than a request may be"),
        ("largest_block: 126\nsignals: {a: {at: holding 1, type: int16}}", 3, "largest_block", "out of range"),
        ("largest_gap: -1\nsignals: {a: {at: holding 1, type: int16}}", 3, "largest_gap", "out of range"),
        ("first_address: 2\nsignals: {a: {at: holding 1, type: int16}}", 3, "first_address", "out of range"),
        ("timeout: 5\nsignals: {a: {at: holding 1, type: int16}}", 3, "timeout", "the unit is missing"),
        ("timeout: 5 A\nsignals: {a: {at: holding 1, type: int16}}", 3, "timeout", "does not measure the same thing"),
        ("answers_id_zero: maybe\nsignals: {a: {at: holding 1, type: int16}}", 3, "answers_id_zero", "yes or no"),
        ("namespace: urn:x\nsignals: {a: {at: holding 1, type: int16}}", 3, "namespace", "does not belong to a map for modbus"),
        ("wordorder: low_first\nsignals: {a: {at: holding 1, type: int16}}", 3, "wordorder", "did you mean `word_order`"),
        ("about: 1", 1, "signals", "`signals` is missing"),
        ("signals: {}", 3, "signals", "the map has no signal"),
        ("signals: [a]", 3, "signals", "names with values"),
        (
            "together: [a, c]\nsignals: {a: {at: holding 1, type: int16}, b: {at: holding 2, type: int16}}",
            3,
            "together",
            "no signal is called c",
        ),
        ("together: [[a]]\nsignals: {a: {at: holding 1, type: int16}}", 3, "together", "two or more names"),
        ("together: [[a, a]]\nsignals: {a: {at: holding 1, type: int16}}", 3, "together", "two or more names"),
        (
            "together: [[a, b], a]\nsignals: {a: {at: holding 1, type: int16}, b: {at: holding 2, type: int16}}",
            3,
            "together",
            "a list of groups",
        ),
        ("together: [a, b]\nsignals: {a: {at: holding 1, type: int16}, b: {at: input 2, type: int16}}", 4, "signals.a", "different tables"),
        (
            "largest_block: 9\ntogether: [a, b]\nsignals: {a: {at: holding 1, type: int16}, b: {at: holding 10, type: int16}}",
            5,
            "signals.a.at",
            "a, b must come in one request",
        ),
        (
            "forbidden: [holding 5]\ntogether: [a, b]\nsignals: {a: {at: holding 1, type: int16}, b: {at: holding 10, type: int16}}",
            5,
            "signals.a.at",
            "a forbidden range lies between",
        ),
        (
            "signals: {a: {at: holding 1, type: int16, scale_from: bb}, b: {at: holding 2, type: int16}}",
            3,
            "signals.a.scale_from",
            "the name of another signal",
        ),
        ("signals: {a: {at: holding 1, type: int16, scale_from: a}}", 3, "signals.a.scale_from", "the name of another signal"),
        (
            "signals: {a: {at: holding 1, type: int16, scale_from: b}, b: {at: holding 2, type: float32}}",
            3,
            "signals.a.scale_from",
            "must be a whole number",
        ),
        (
            "signals: {a: {at: holding 1, type: int16, scale_from: b}, b: {at: holding 2, type: int16, scale: 2}}",
            3,
            "signals.a.scale_from",
            "without a scale of its own",
        ),
        ("signals: {a: {at: holding 1, type: int16, scale_from: b}, b: {at: input 2, type: int16}}", 3, "signals.a", "different tables"),
    ],
)
def test_a_mistake_between_signals_or_of_the_map(text: str, line: int, field: str, words: str) -> None:
    problem = one_problem(text)
    assert (problem.line, problem.field) == (line, field) and words in problem.message


def test_what_may_share_registers() -> None:
    register_map = good(
        """
        signals:
          word:  {at: holding 1, type: uint16}
          again: {at: holding 1, type: int16}
          low:   {at: holding 1, bits: 0-7}
          long:  {at: holding 5, type: uint32}
          high:  {at: holding 6, bit: 3}
        """
    )
    assert len(register_map.signals) == 5


def test_the_head_of_a_map() -> None:
    assert one_problem("signals: {}", head="").field == "protocol"
    assert one_problem("protocol: mobdus\nsignals: {}", head="map: m\n").message.endswith("did you mean `modbus`?")
    assert one_problem("protocol: modbus\nsignals: {a: {at: holding 1, type: int16}}", head="").field == "map"


def test_all_mistakes_come_at_once_from_a_file(tmp_path: Path) -> None:
    path = tmp_path / "wrong.yaml"
    path.write_text(
        "map: m\nprotocol: modbus\ntimeout: 1\nsignals:\n  a: {at: holding 1}\n  b: {at: 7, type: int16}\n  b: {}\n", encoding="utf-8"
    )
    with pytest.raises(InputError) as caught:
        load_map(path)
    assert [(problem.line, problem.field) for problem in caught.value.problems] == [
        (3, "timeout"),
        (5, "signals.a.type"),
        (6, "signals.b.at"),
        (7, "signals.b"),
    ]
    assert f"{path}:3: timeout: the unit is missing" in str(caught.value)


def test_a_missing_file_is_an_input_error(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        load_map(tmp_path / "none.yaml")


# OPC UA.

UA = "map: m\nprotocol: opcua\n"


def test_opcua_places() -> None:
    register_map = good(
        """
        namespace: urn:example:a
        fetch: subscribe
        sampling_interval: 200 ms
        signals:
          current: {node: s=Motor.Current, unit: A, sampling_interval: 50 ms}
          running: {node: "nsu=urn:example:b;i=4101", fetch: poll}
          power:   {path: [Motor, "nsu=urn:example:b;Power"], unit: W, scale: 0.5, plausible: [0, 100], pace: slow}
          guid:    {node: g=09087e75-8e5e-499b-954f-f2a9603db28a, texts: {1: a}, no_value: [0xFF, -1]}
          bytes:   {node: b=TWFuCg==}
          start_count: {node: i=7}
        """,
        UA,
    )
    current, running, power, guid, opaque, counter = register_map.signals
    assert current.place == OpcuaPlace(
        namespace_uri="urn:example:a",
        identifier="s=Motor.Current",
        fetch=Fetch.SUBSCRIBE,
        sampling_interval_s=0.05,
        written="s=Motor.Current",
    )
    assert running.place == OpcuaPlace(
        namespace_uri="urn:example:b", identifier="i=4101", fetch=Fetch.POLL, written="nsu=urn:example:b;i=4101"
    )
    assert isinstance(power.place, OpcuaPlace) and power.place.path == (("urn:example:a", "Motor"), ("urn:example:b", "Power"))
    assert (power.to_role_unit, power.scale, power.pace, power.place.sampling_interval_s) == (0.001, 0.5, SignalPace.SLOW, 0.2)
    assert guid.no_value == (255, -1) and guid.texts == {1: "a"} and isinstance(opaque.place, OpcuaPlace)
    assert counter.wraps_at is None and counter.type is None
    assert plan_reads(register_map, slow=True) == ()


@pytest.mark.parametrize(
    ("line", "field", "words"),
    [
        ("current: {node: s=A, unit: A, type: uint16}", "type", "comes from the server"),
        ("current: {node: s=A, unit: A, at: holding 1}", "at", "belongs to Modbus"),
        ("current: {unit: A}", "node", "`node` is missing"),
        ("current: {node: , unit: A}", "node", "the value is missing"),
        ("current: {node: s=A, path: [A], unit: A}", "path", "exclude each other"),
        ("current: {node: ns=2;s=A, unit: A}", "node", "can change when the server restarts"),
        ("current: {node: Motor.Current, unit: A}", "node", "not a node"),
        ("current: {node: i=x, unit: A}", "node", "after i= a whole number"),
        ("current: {node: i=4294967296, unit: A}", "node", "after i= a whole number"),
        ("current: {node: g=12, unit: A}", "node", "after g= a GUID"),
        ("current: {node: b=*, unit: A}", "node", "after b= bytes"),
        ("current: {path: [], unit: A}", "path", "a list of browse names"),
        ("current: {path: [s=A], unit: A}", "path", "a browse name"),
        ("current: {node: s=A, unit: A, fetch: push}", "fetch", "not known"),
        ("current: {node: s=A, unit: A, sampling_interval: 1 s}", "sampling_interval", "only a subscribed signal"),
        ("running: {node: s=A, no_value: x}", "no_value", "not a whole number"),
    ],
)
def test_a_mistake_in_an_opcua_signal(line: str, field: str, words: str) -> None:
    problem = one_problem(f"namespace: urn:a\nsignals:\n  {line}\n", UA)
    assert problem.line == 5 and problem.field == f"signals.{line.partition(':')[0]}.{field}" and words in problem.message


def test_a_namespace_is_needed_somewhere() -> None:
    assert "the namespace is missing" in one_problem("signals: {current: {node: s=A, unit: A}}", UA).message
    assert "the namespace is missing" in one_problem("signals: {current: {path: [A], unit: A}}", UA).message
    assert (
        "does not belong to a map for opcua"
        in one_problem("largest_block: 5\nnamespace: urn:a\nsignals: {running: {node: s=A}}", UA).message
    )


# Whatever stands in a file, it is read or refused.


@settings(max_examples=300, deadline=None)
@given(st.data())
def test_no_damage_to_a_map_raises_anything_but_problems(data: st.DataObject) -> None:
    text = data.draw(st.sampled_from([path.read_text(encoding="utf-8") for path in MAPS]))
    for _ in range(data.draw(st.integers(1, 4))):
        place = data.draw(st.integers(0, len(text)))
        removed = data.draw(st.integers(0, 12))
        inserted = data.draw(
            st.sampled_from(
                ["", "{", "]", ":", "- ", "\n", "'", "&a ", "*a", "!!x ", "0x", "-", "~", "9" * 20, "holding 1", "bit: 1", "\x00"]
            )
        )
        text = text[:place] + inserted + text[place + removed :]
    findings = Findings("m.yaml")
    tree = parse_tree(text, findings)
    register_map = None if tree is None else map_from(tree, findings)
    assert findings or register_map is not None
    if register_map is not None and not findings:
        plan_reads(register_map, slow=True)


@given(st.text(max_size=300))
def test_any_text_is_read_or_refused(text: str) -> None:
    findings = Findings("m.yaml")
    tree = parse_tree(text, findings)
    assert findings or tree is not None


def test_every_role_can_be_mapped() -> None:
    lines = []
    for place, (name, role) in enumerate(ROLES.items()):
        how = f"at: coil {place}" if role.kind == "flag" else f"at: holding {place}, type: uint16"
        unit = f", unit: '{role.unit}'" if role.unit else ""
        lines.append(f"  {name}: {{{how}{unit}}}")
    register_map = good("signals:\n" + "\n".join(lines) + "\n")
    assert {signal.role for signal in register_map.signals} == set(ROLES)


def test_only_numbers_of_several_registers_may_tear(tmp_path: Path) -> None:
    path = tmp_path / "map.yaml"
    lines = "map: m\nprotocol: modbus\nsignals:\n  a: {{at: holding 1, type: {}, may_tear: yes}}\n"
    path.write_text(lines.format("uint32"), encoding="utf-8")
    assert load_map(path).signals[0].may_tear
    path.write_text(lines.format("uint16"), encoding="utf-8")
    with pytest.raises(InputError, match="can be torn"):
        load_map(path)


def test_the_most_requests_a_second_are_a_whole_number(tmp_path: Path) -> None:
    path = tmp_path / "map.yaml"
    signal = "{at: holding 1, type: uint16, pace: watch}"
    path.write_text(f"map: m\nprotocol: modbus\nrequests_per_s: 5\nsignals:\n  a: {signal}\n", encoding="utf-8")
    loaded = load_map(path)
    assert loaded.requests_per_s == 5
    assert loaded.signals[0].pace is SignalPace.WATCH
    path.write_text("map: m\nprotocol: opcua\nnamespace: urn:a\nrequests_per_s: 5\nsignals:\n  a: {node: i=1}\n", encoding="utf-8")
    assert load_map(path).requests_per_s == 5
