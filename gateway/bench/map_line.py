"""A signal written back as a line of a map, to paste."""

from __future__ import annotations

import re

from gateway.bench.corrections import wire_place
from gateway.registers.model import ModbusPlace, OpcuaPlace, Order, Signal, SignalPace, WordType
from gateway.registers.raw_words import minus_nothing
from gateway.registers.word_shapes import WORD_COUNTS

_PLAIN = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_./^ -]*")


def map_line(signal: Signal, *, orders: bool = True) -> str:
    """Return a signal as its line under `signals:`; the address is the one on the wire, so that it holds under any `first_address`.

    orders: write word and byte order also where they are the usual ones of a map that says nothing.

    >>> from gateway.registers.model import Span, Table
    >>> place = ModbusPlace(span=Span(Table.HOLDING, 12, 12), written="holding 13")
    >>> signal = Signal(name="current", key="current", role="current", place=place, type=WordType.UINT16, scale=0.1, unit="A")
    >>> map_line(signal)
    'current: {at: holding 0x000C, type: uint16, scale: 0.1, unit: A}'
    """
    parts = _place_parts(signal, orders)
    if signal.role is not None and signal.role != signal.name:
        parts.append(f"role: {signal.role}")
    if signal.scale != 1:
        parts.append(f"scale: {signal.scale:.12g}")
    if signal.scale_from is not None:
        parts.append(f"scale_from: {signal.scale_from}")
    if signal.offset:
        parts.append(f"offset: {signal.offset:.12g}")
    if signal.unit:
        parts.append(f"unit: {quoted(signal.unit)}")
    parts += _meaning_parts(signal)
    return f"{signal.name}: {{{', '.join(parts)}}}"


def _place_parts(signal: Signal, orders: bool) -> list[str]:
    place = signal.place
    if isinstance(place, OpcuaPlace):
        if place.path:
            return [f"path: [{', '.join(quoted(f'nsu={uri};{name}' if uri else name) for uri, name in place.path)}]"]
        node = f"nsu={place.namespace_uri};{place.identifier}" if place.namespace_uri else place.identifier
        return [f"node: {quoted(node)}"]
    parts = [f"at: {_at(signal, place)}"]
    bit_table = place.span.table.holds_bits
    if signal.type is WordType.BIT and not bit_table:
        parts.append(f"bit: {signal.bit}")
    elif signal.type is WordType.BITS and not bit_table:
        parts.append(f"bits: {signal.bit}-{(signal.bit or 0) + signal.bit_count - 1}")
    elif signal.type is not None and not bit_table:
        parts.append(f"type: {signal.type.value}")
        if signal.type is WordType.TEXT:
            parts.append(f"length: {place.span.count}")
    is_long = place.span.count > 1 and signal.type is not WordType.TEXT and not bit_table
    if is_long and (orders and signal.word_order is not Order.HIGH_FIRST):
        parts.append(f"word_order: {signal.word_order.value}")
    if orders and signal.byte_order is not Order.HIGH_FIRST and not bit_table:
        parts.append(f"byte_order: {signal.byte_order.value}")
    return parts


def _at(signal: Signal, place: ModbusPlace) -> str:
    text = wire_place(place.span.table, place.span)
    wide_bits = signal.type in (WordType.BIT, WordType.BITS) and place.span.count > 1 and not place.span.table.holds_bits
    return f"{text}-0x{place.span.last:04X}" if wide_bits else text


def _meaning_parts(signal: Signal) -> list[str]:
    parts = []
    if signal.texts:
        parts.append(f"texts: {{{', '.join(f'{code}: {quoted(text)}' for code, text in signal.texts.items())}}}")
    if signal.no_value and signal.type not in (WordType.FLOAT32, WordType.FLOAT64):
        parts.append(f"no_value: [{', '.join(_code(signal, code) for code in signal.no_value)}]")
    elif signal.no_value:
        parts.append(f"no_value: [{', '.join(f'0x{code:X}' for code in signal.no_value)}]")
    if signal.plausible is not None:
        parts.append(f"plausible: [{signal.plausible[0]:.12g}, {signal.plausible[1]:.12g}]")
    if signal.pace is SignalPace.SLOW:
        parts.append("pace: slow")
    return parts


def _code(signal: Signal, code: int) -> str:
    """Return a no-value code as a map takes it: a sign without a magnitude only by its pattern.

    >>> from gateway.registers.model import Span, Table
    >>> place = ModbusPlace(span=Span(Table.HOLDING, 12, 12), written="holding 13")
    >>> _code(Signal(name="a", key="a", role=None, place=place, type=WordType.SIGN_MAGNITUDE16), -32768)
    '0x8000'
    """
    if signal.type in (WordType.SIGN_MAGNITUDE16, WordType.SIGN_MAGNITUDE32):
        pattern = minus_nothing(16 * WORD_COUNTS[signal.type])
        return f"0x{pattern:X}" if code == -pattern else str(code)
    return str(code)


def quoted(text: str) -> str:
    """Return a text as one value of plain YAML.

    >>> quoted("kW"), quoted("%"), quoted('a "b"')
    ('kW', '"%"', '"a \\\\"b\\\\""')
    """
    if _PLAIN.fullmatch(text) and text == text.strip():
        return text
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'
