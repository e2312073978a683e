"""One signal of a Modbus map: where it lies, how its words are read, and whether the two fit."""

from __future__ import annotations

import re
from dataclasses import dataclass

from gateway.registers.addresses import FORMS, HIGHEST_ADDRESS, parse_span
from gateway.registers.model import ModbusPlace, Order, Signal, Span, WordType
from gateway.registers.roles import RoleKind
from gateway.registers.sections import Section
from gateway.registers.signal_fields import COMMON_FIELDS, CommonFields, read_common
from gateway.registers.word_shapes import FLOATS, WORD_COUNTS, Shape, modulus_of, no_value_codes

_FIELDS = ("at", "type", "bit", "count", "bits", "length", "encoding", "scale_from", "word_order", "byte_order", "may_tear", *COMMON_FIELDS)
_ELSEWHERE = dict.fromkeys(("node", "path", "fetch", "sampling_interval"), "it belongs to OPC UA maps; a Modbus signal has `at`")
_ENCODINGS = ("latin-1", "ascii", "utf-8", "cp1252")
_LONGEST_TEXT = 125


@dataclass(frozen=True, slots=True, kw_only=True)
class MapFrame:
    """What a map says for all of its signals."""

    first_address: int = 0
    word_order: Order = Order.HIGH_FIRST
    byte_order: Order = Order.HIGH_FIRST


def read_modbus_signal(section: Section, name: str, frame: MapFrame) -> Signal | None:
    """Return a signal, None when its place or type is not known; every mistake goes to the section's findings.

    A counter without `wraps_at` wraps by the size of its words.
    """
    section.allow(_FIELDS, _ELSEWHERE)
    common = read_common(section, name)
    scale_from = section.text("scale_from")
    word_order = section.choice("word_order", Order) or frame.word_order
    byte_order = section.choice("byte_order", Order) or frame.byte_order
    encoding = _encoding(section)
    kind = section.choice("type", WordType)
    placed = _placed(section, frame.first_address)
    if placed is None or (kind is None and "type" in section):
        return None
    shape = _shape(section, placed[0], placed[1], kind)
    if shape is None:
        return None
    _check_kind(section, common, shape.type, scale_from)
    is_counter = common.meaning is not None and common.meaning.kind is RoleKind.COUNTER
    return Signal(
        name=name,
        key=common.key,
        role=common.role,
        place=ModbusPlace(span=shape.span, written=section.text("at") or ""),
        type=shape.type,
        bit=shape.bit,
        bit_count=shape.bit_count,
        scale=common.scale,
        offset=common.offset,
        scale_from=None if shape.type in (WordType.BIT, WordType.TEXT) else scale_from,
        unit=common.unit,
        to_role_unit=common.to_role_unit,
        no_value=no_value_codes(section, shape),
        plausible=common.plausible,
        texts=common.texts,
        wraps_at=common.wraps_at or (modulus_of(shape.type, shape.bit_count) if is_counter else None),
        pace=common.pace,
        # The letters of a text stand in the order of the addresses, also where numbers come low word first.
        word_order=Order.HIGH_FIRST if shape.type is WordType.TEXT else word_order,
        byte_order=byte_order,
        encoding=encoding,
        may_tear=_may_tear(section, shape),
        line=section.line,
    )


def _may_tear(section: Section, shape: Shape) -> bool:
    may_tear = section.flag("may_tear") or False
    if may_tear and (shape.type is WordType.TEXT or shape.span.count < 2):
        section.refuse("may_tear", "only a number of two or more registers can be torn: remove it")
        return False
    return may_tear


def _placed(section: Section, first_address: int) -> tuple[Span, bool] | None:
    node = section.leaf("at")
    if node is None:
        if "at" not in section:
            section.require("at", "holding 13")
        return None
    try:
        return parse_span(node.text, first_address)
    except ValueError as error:
        section.refuse("at", str(error), allowed=FORMS)
        return None


def _encoding(section: Section) -> str:
    encoding = section.text("encoding")
    if encoding is None or encoding.lower() in _ENCODINGS:
        return (encoding or _ENCODINGS[0]).lower()
    section.refuse("encoding", "this encoding is not known here", allowed=", ".join(_ENCODINGS))
    return _ENCODINGS[0]


def _shape(section: Section, span: Span, is_range: bool, kind: WordType | None) -> Shape | None:
    if span.table.holds_bits:
        return _bit_table_shape(section, span, kind)
    bit_fields = [key for key in ("bit", "bits") if key in section]
    if len(bit_fields) == 2:
        section.refuse("bits", "`bit` and `bits` exclude each other: keep one")
        return None
    if bit_fields or kind in (WordType.BIT, WordType.BITS):
        return _bit_shape(section, span, kind)
    if "count" in section:
        section.refuse("count", "`count` goes with `bit`: it says how many bits are read")
    if kind is None:
        section.require("type", "uint16")
        return None
    count = _text_length(section, span, is_range) if kind is WordType.TEXT else WORD_COUNTS[kind]
    if kind is not WordType.TEXT and "length" in section:
        section.refuse("length", f"only a text has a length; {kind.value} takes {count} registers")
    if count is None:
        return None
    if is_range and span.count != count:
        section.refuse("at", f"the range is {span.count} registers long and {kind.value} takes {count}", allowed=f"{count} registers")
        return None
    if span.first + count - 1 > HIGHEST_ADDRESS:
        section.refuse("at", f"the value ends beyond the highest address {HIGHEST_ADDRESS}")
        return None
    return Shape(kind, Span(span.table, span.first, span.first + count - 1))


def _bit_table_shape(section: Section, span: Span, kind: WordType | None) -> Shape | None:
    for key in ("bit", "bits", "count", "length", "scale_from"):
        if key in section:
            section.refuse(key, f"a {span.table.value} is one bit already: remove `{key}`, or name a register")
    if kind not in (None, WordType.BIT, WordType.BITS):
        section.refuse("type", f"a {span.table.value} is one bit and cannot hold {kind.value if kind else ''}", allowed="bit")
        return None
    if span.count == 1:
        return Shape(WordType.BIT, span, 0)
    if span.count > 64:
        section.refuse("at", "a number may take up to 64 bits", allowed="up to 64 bits")
        return None
    return Shape(WordType.BITS, span, 0, span.count)


def _bit_shape(section: Section, span: Span, kind: WordType | None) -> Shape | None:
    if kind not in (None, WordType.BIT, WordType.BITS):
        section.refuse("type", "a bit has no other type: remove `type`, or `bit`", allowed="bit, bits")
    if span.count not in (1, 2, 4):
        section.refuse("at", "bits lie in one register, or in a value of 2 or 4 registers", allowed="1, 2 or 4 registers")
        return None
    highest = 16 * span.count - 1
    if "bits" in section:
        found = _bit_range(section, highest)
        return None if found is None else Shape(WordType.BITS, span, found[0], found[1] - found[0] + 1)
    if "bit" not in section:
        section.require("bit", "0")
        return None
    bit = section.whole("bit", 0, highest)
    count = section.whole("count", 1, highest + 1) if "count" in section else 1
    if bit is None or count is None:
        return None
    if bit + count - 1 > highest:
        section.refuse("count", f"bits {bit} to {bit + count - 1} reach beyond bit {highest}", allowed=f"up to {highest + 1 - bit}")
        return None
    return Shape(WordType.BITS if "count" in section or kind is WordType.BITS else WordType.BIT, span, bit, count)


def _bit_range(section: Section, highest: int) -> tuple[int, int] | None:
    text = section.text("bits")
    match = None if text is None else re.fullmatch(r"([0-9]{1,3})(?:\s*-\s*([0-9]{1,3}))?", text)
    if match is None:
        if text is not None:
            section.refuse("bits", "the lowest and the highest bit are needed, such as 4-6", allowed=f"0-{highest}")
        return None
    low, high = int(match[1]), int(match[2] or match[1])
    if low > high or high > highest:
        message = "the range is reversed: the lowest bit comes first" if low > high else f"the highest bit here is {highest}"
        section.refuse("bits", message, allowed=f"0-{highest}")
        return None
    return low, high


def _text_length(section: Section, span: Span, is_range: bool) -> int | None:
    if "length" in section:
        return section.whole("length", 1, _LONGEST_TEXT)
    if is_range:
        return span.count
    section.require("length", "8")
    return None


def _check_kind(section: Section, common: CommonFields, kind: WordType, scale_from: str | None) -> None:
    meaning, role = common.meaning, common.role
    if kind in (WordType.BIT, WordType.TEXT):
        for key in ("scale", "offset", "plausible", "no_value", "wraps_at", "texts"):
            if key in section:
                section.refuse(key, f"a {kind.value} has no `{key}`: remove it", found=key)
        if scale_from is not None:
            section.refuse("scale_from", f"a {kind.value} has no scale: remove it")
    modulus = modulus_of(kind, 64)
    if common.wraps_at is not None and modulus is not None and kind is not WordType.BITS and common.wraps_at > modulus:
        section.refuse("wraps_at", f"{kind.value} wraps at {modulus} at the latest", allowed=f"1 to {modulus}")
    if common.texts and kind in FLOATS:
        section.refuse("texts", "texts go with whole numbers, not with a float", found=kind.value)
    if meaning is None:
        return
    place = "type" if "type" in section else "at"
    if meaning.kind is RoleKind.FLAG and kind is not WordType.BIT:
        section.refuse(place, f"{role} is yes or no: name its bit, such as `bit: 0`, or a coil", allowed="a bit")
    elif meaning.kind is not RoleKind.FLAG and kind is WordType.BIT:
        section.refuse("bit" if "bit" in section else place, f"{role} is a {meaning.kind.value}, not one bit", allowed="a number type")
    elif meaning.kind in (RoleKind.NUMBER, RoleKind.COUNTER) and kind is WordType.TEXT:
        section.refuse(place, f"{role} is a {meaning.kind.value}, not a text", allowed="a number type")
    elif meaning.kind is RoleKind.COUNTER and (kind in FLOATS or scale_from is not None):
        section.refuse(place, f"{role} counts whole numbers: a float or a scale would lose some", allowed="uint16, uint32, uint64, bcd32")
