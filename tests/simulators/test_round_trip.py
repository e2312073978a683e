"""The simulators' encoder against the gateway's decoder: two hands, one map, every type, order and place by a printed seed."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import pytest

from gateway.registers.decode import decode_block
from gateway.registers.model import ModbusPlace, Order, Protocol, RegisterMap, Signal, Span, Table, WordType
from gateway.registers.plan import plan_reads
from simulators.encoder import Encoder
from simulators.image import Image
from simulators.words import Value

LENGTHS = {WordType.INT32: 2, WordType.UINT32: 2, WordType.FLOAT32: 2, WordType.BCD32: 2, WordType.SIGN_MAGNITUDE32: 2}
LENGTHS |= {WordType.INT64: 4, WordType.UINT64: 4, WordType.FLOAT64: 4}
RANGES = {
    WordType.INT16: (-32768, 32767),
    WordType.UINT16: (0, 65535),
    WordType.INT32: (-(2**31), 2**31 - 1),
    WordType.UINT32: (0, 2**32 - 1),
    WordType.INT64: (-(2**52), 2**52),
    WordType.UINT64: (0, 2**53),
    WordType.BCD16: (0, 9999),
    WordType.BCD32: (0, 99_999_999),
    WordType.SIGN_MAGNITUDE16: (-32767, 32767),
    WordType.SIGN_MAGNITUDE32: (-(2**31) + 1, 2**31 - 1),
}


def random_map(generator: random.Random) -> RegisterMap:
    signals: list[Signal] = []
    address = generator.randrange(50)
    for index in range(generator.randint(1, 12)):
        kind = generator.choice([*WordType])
        count = generator.randint(1, 4) if kind is WordType.TEXT else LENGTHS.get(kind, 1)
        bit = generator.randrange(16) if kind in (WordType.BIT, WordType.BITS) else None
        signals.append(
            Signal(
                name=f"s{index}",
                key=f"s{index}",
                role=None,
                place=ModbusPlace(span=Span(Table.HOLDING, address, address + count - 1), written=""),
                type=kind,
                bit=bit,
                bit_count=generator.randint(1, 16 - (bit or 0)) if kind is WordType.BITS else 1,
                scale=generator.choice([1.0, 0.1, 0.01, 2.5]) if kind in RANGES or kind in (WordType.FLOAT32, WordType.FLOAT64) else 1.0,
                offset=generator.choice([0.0, 0.0, -40.0]) if kind in RANGES else 0.0,
                to_role_unit=generator.choice([1.0, 1.0, 1000.0]) if kind in RANGES else 1.0,
                word_order=generator.choice([*Order]),
                byte_order=generator.choice([*Order]),
            )
        )
        address += count + generator.choice([0, 0, 1, 3, 20])
    return RegisterMap(name="random", protocol=Protocol.MODBUS, signals=tuple(signals), largest_block=generator.randint(8, 125))


def random_value(signal: Signal, generator: random.Random) -> Value:
    if signal.type is WordType.BIT:
        return generator.random() < 0.5
    if signal.type is WordType.BITS:
        return generator.randrange(1 << signal.bit_count)
    if signal.type is WordType.TEXT:
        place = signal.place
        room = 2 * place.span.count if isinstance(place, ModbusPlace) else 0
        return "".join(generator.choice("ABCxyz09-\N{LATIN SMALL LETTER E WITH ACUTE}") for _ in range(room))
    if signal.type in (WordType.FLOAT32, WordType.FLOAT64):
        return generator.uniform(-1e6, 1e6)
    if signal.type is None:
        return None
    low, high = RANGES[signal.type]
    raw = generator.choice([low, high, generator.randint(low, high)])
    return (raw * signal.scale + signal.offset) * signal.to_role_unit


def tolerance(signal: Signal, value: float) -> float:
    if signal.type is WordType.FLOAT32:
        return abs(value) * 2e-7 + 1e-6
    if signal.type is WordType.FLOAT64:
        return abs(value) * 1e-12
    return max(signal.scale * signal.to_role_unit * 0.501, abs(value) * 1e-14)


@pytest.mark.parametrize("seed", range(150))
def test_what_the_simulator_writes_the_gateway_reads(seed: int) -> None:
    generator = random.Random(seed)
    register_map = random_map(generator)
    values = {signal.key: random_value(signal, generator) for signal in register_map.signals}
    image, encoder = Image(register_map), Encoder(register_map)
    encoder.write(image, values)
    read: dict[str, object] = {}
    for block in plan_reads(register_map, slow=True):
        words = image.read(block.span.table, block.span.first, block.span.count)
        assert words is not None, f"seed {seed}: the device refuses {block.span}"
        decoded, flaws = decode_block(block, list(words))
        assert not flaws, f"seed {seed}"
        read |= decoded
    for signal in register_map.signals:
        value, got = values[signal.key], read[signal.key]
        if isinstance(value, str):
            assert got == value, f"seed {seed} {signal}"
        else:
            assert isinstance(value, (int, float)), f"seed {seed}"
            assert isinstance(got, (int, float)), f"seed {seed} {signal}"
            assert math.isclose(got, value, rel_tol=0.0, abs_tol=tolerance(signal, value)), f"seed {seed} {signal}: {value} read as {got}"


@pytest.mark.parametrize("kind", [WordType.UINT16, WordType.INT16, WordType.UINT32, WordType.FLOAT32])
def test_not_available_is_a_flaw_and_never_a_number(kind: WordType) -> None:
    code = {WordType.UINT16: 65535, WordType.INT16: -32768, WordType.UINT32: 0xFFFFFFFF}.get(kind)
    signal = Signal(
        name="x",
        key="x",
        role=None,
        place=ModbusPlace(span=Span(Table.INPUT, 5, 5 + LENGTHS.get(kind, 1) - 1), written=""),
        type=kind,
        no_value=() if code is None else (code,),
    )
    register_map = RegisterMap(name="m", protocol=Protocol.MODBUS, signals=(signal,))
    (block,) = plan_reads(register_map, slow=True)
    for swapped in (signal, replace(signal, byte_order=Order.LOW_FIRST, word_order=Order.LOW_FIRST)):
        register_map = RegisterMap(name="m", protocol=Protocol.MODBUS, signals=(swapped,))
        (block,) = plan_reads(register_map, slow=True)
        image = Image(register_map)
        Encoder(register_map).write(image, {"x": None})
        values, flaws = decode_block(block, list(image.read(Table.INPUT, 5, block.span.count) or ()))
        assert not values
        assert set(flaws) == {"x"}
