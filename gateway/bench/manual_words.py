"""What people write in the columns of a manual's register list, understood or refused with a reason: addresses, types, scales, meanings."""

from __future__ import annotations

import re
from dataclasses import dataclass

from gateway.registers.model import Order, Table, WordType

_TABLE_WORDS = {
    "holding": Table.HOLDING,
    "holding register": Table.HOLDING,
    "4x": Table.HOLDING,
    "fc3": Table.HOLDING,
    "fc03": Table.HOLDING,
    "3": Table.HOLDING,
    "03": Table.HOLDING,
    "input": Table.INPUT,
    "input register": Table.INPUT,
    "3x": Table.INPUT,
    "fc4": Table.INPUT,
    "fc04": Table.INPUT,
    "4": Table.INPUT,
    "04": Table.INPUT,
    "coil": Table.COIL,
    "coils": Table.COIL,
    "0x": Table.COIL,
    "fc1": Table.COIL,
    "fc01": Table.COIL,
    "1": Table.COIL,
    "01": Table.COIL,
    "discrete": Table.DISCRETE,
    "discrete input": Table.DISCRETE,
    "1x": Table.DISCRETE,
    "fc2": Table.DISCRETE,
    "fc02": Table.DISCRETE,
    "2": Table.DISCRETE,
    "02": Table.DISCRETE,
}
_TYPES = (
    (r"(float|real|ieee ?754)( ?32)?( bit)?|float ?single|single|(32 bit )?float(ing point)?", WordType.FLOAT32),
    (r"(float|real) ?64|double|lreal", WordType.FLOAT64),
    (
        r"(u|unsigned )(int|integer)?( ?16)?( bit)?|uint ?16|u16|word|ushort|unsigned( short| word)?|uword",
        WordType.UINT16,
    ),
    (r"enum(eration)?|bit ?field|bit ?mask|status ?word", WordType.UINT16),
    (r"s?int|int ?16|i16|s16|signed( (int|integer))?( 16)?( bit)?|short|sint16", WordType.INT16),
    (r"uint ?32|u32|udint|dword|ulong|unsigned (long|int 32|32( bit)?)", WordType.UINT32),
    (r"int ?32|i32|s32|dint|long|signed (long|int 32|32( bit)?)|sint32", WordType.INT32),
    (r"uint ?64|u64|ulint|lword|unsigned 64( bit)?", WordType.UINT64),
    (r"int ?64|i64|s64|lint|signed 64( bit)?", WordType.INT64),
    (r"bcd( ?16)?", WordType.BCD16),
    (r"bcd ?32", WordType.BCD32),
    (r"bool(ean)?|bit|flag|binary|digital", WordType.BIT),
    (r"sign (and )?magnitude( 16)?", WordType.SIGN_MAGNITUDE16),
    (r"(string|text|ascii|char)( \d+)?", WordType.TEXT),
)
_SWAPPED = ("swapped", "word swapped", "word swap", "low word first", "lsw first", "lo hi", "cdab", "little endian words", "reversed")
_STRAIGHT = ("high word first", "msw first", "hi lo", "abcd", "big endian", "not swapped", "normal")
_BYTES = ("badc", "byte swapped", "byte swap", "bytes swapped")
_BOTH = ("dcba", "little endian", "word and byte swapped")


@dataclass(frozen=True, slots=True)
class TypeFound:
    """A type with its order; note: what was assumed."""

    type: WordType
    word_order: Order = Order.HIGH_FIRST
    byte_order: Order = Order.HIGH_FIRST
    length: int | None = None
    note: str = ""


def table_of(text: str) -> Table:
    """Return the table that a column names, by word or by function code; ValueError when it names none.

    >>> table_of("FC03"), table_of("Input register")
    (<Table.HOLDING: 'holding'>, <Table.INPUT: 'input'>)
    """
    plain = " ".join(text.lower().replace("_", " ").split()).removesuffix("s") if text.lower() != "coils" else "coil"
    if plain in _TABLE_WORDS:
        return _TABLE_WORDS[plain]
    raise ValueError(f"{text} is no table: write holding, input, coil, discrete, or the read function code 1 to 4")


def address_of(text: str) -> tuple[str, int | None]:
    """Return an address as a map takes it, and the bit when one stands behind it; ValueError says what is unclear.

    >>> address_of("40,013"), address_of("000Ch"), address_of("40001.3"), address_of("4x0013")
    (('40013', None), ('0x000C', None), ('40001', 3), ('40013', None))
    """
    plain = text.strip().replace(" ", "").replace("\u00a0", "")
    bit: int | None = None
    if match := re.fullmatch(r"(.*[^.:/])[.:/](?:bit)?(\d{1,2})", plain, re.IGNORECASE):
        plain, bit = match[1], int(match[2])
        if bit > 31:
            raise ValueError(f"{text}: is {bit} a bit, or part of the number? write the bit into a column of its own")
    if re.fullmatch(r"\d{1,3}(,\d{3})+", plain):
        plain = plain.replace(",", "")
    if match := re.fullmatch(r"(0x[0-9A-Fa-f]{1,4})|([0-9A-Fa-f]{1,4})[hH]|#([0-9A-Fa-f]{1,4})|\$([0-9A-Fa-f]{1,4})", plain):
        digits = next(group for group in match.groups() if group).lower().removeprefix("0x")
        return f"0x{digits.upper():0>4}", bit
    if match := re.fullmatch(rf"({_HEX})(?:-|\.\.|to|\u2013)({_HEX})", plain):
        return f"{address_of(match[1])[0]}-{address_of(match[2])[0]}", bit
    if match := re.fullmatch(r"([0134])[xX](\d{4,5})", plain):
        return f"{match[1]}{match[2]}", bit
    if match := re.fullmatch(r"(\d{1,6})(?:(?:-|\.\.|to|\u2013)(\d{1,6}))?", plain):
        return match[1] if match[2] is None else _range(match[1], match[2]), bit
    raise ValueError(f"{text or 'nothing'} is no address: write 13, 40013, 40,013, 0x000C or 000Ch")


_HEX = r"0x[0-9A-Fa-f]{1,4}|[0-9A-Fa-f]{1,4}[hH]"


def _range(first: str, last: str) -> str:
    """Return a range; the end of one like 40013-14 takes its first digits from the begin."""
    if len(last) < len(first):
        last = first[: len(first) - len(last)] + last
    return f"{first}-{last}"


def type_of(text: str) -> TypeFound:
    """Return the type that a manual means; ValueError when it could be several.

    >>> type_of("Float (swapped)").word_order, type_of("UDINT").type, type_of("STRING[16]").length
    (<Order.LOW_FIRST: 'low_first'>, <WordType.UINT32: 'uint32'>, 8)
    """
    plain = " ".join(re.sub(r"[^a-z0-9]+", " ", text.lower().replace("_", "")).split())
    words, octets = Order.HIGH_FIRST, Order.HIGH_FIRST
    for phrases, order in (
        (_BOTH[:1] + _BOTH[2:], (Order.LOW_FIRST, Order.LOW_FIRST)),
        (_BYTES, (Order.HIGH_FIRST, Order.LOW_FIRST)),
        (_STRAIGHT, (Order.HIGH_FIRST, Order.HIGH_FIRST)),
        (_SWAPPED, (Order.LOW_FIRST, Order.HIGH_FIRST)),
    ):
        phrase = next((each for each in sorted(phrases, key=len, reverse=True) if re.search(rf"\b{each}\b", plain)), None)
        if phrase is not None:
            words, octets = order
            plain = " ".join(re.sub(rf"\b{phrase}\b", " ", plain).split())
            break
    if "little endian" in plain:
        raise ValueError(f"{text}: are the words, the bytes, or both the other way round? write swapped, byte swapped, or DCBA")
    if plain.removesuffix("s") in ("16 bit", "16bit", "integer", "int unsigned or signed", "register", "number", "numeric", "value"):
        raise ValueError(f"{text}: signed or not? write uint16 or int16")
    if plain.removesuffix("s") in ("32 bit", "32bit", "double word"):
        raise ValueError(f"{text}: uint32, int32 or float32?")
    for pattern, kind in _TYPES:
        if re.fullmatch(pattern, _sign_and_width(plain)):
            length = re.search(r"\d+$", plain)
            if kind is WordType.TEXT:
                letters = int(length[0]) if length else 0
                if not 0 < letters <= 250:
                    raise ValueError(f"{text}: how many letters? write for example string[16]")
                return TypeFound(kind, byte_order=octets, length=(letters + 1) // 2)
            return TypeFound(kind, words, octets)
    raise ValueError(
        f"{text or 'nothing'} is no type that is known: write uint16, int16, uint32, int32, float32, bit, bcd16, string[16] ..."
    )


def _sign_and_width(plain: str) -> str:
    """Return a type told in words in one order: sign, then width; anything else as it is.

    >>> _sign_and_width("32 bit unsigned integer"), _sign_and_width("float")
    ('uint32', 'float')
    """
    words = plain.replace("16bit", "16 bit").replace("32bit", "32 bit").replace("64bit", "64 bit").split()
    signs, widths = {"unsigned", "signed"} & set(words), {"16", "32", "64"} & set(words)
    rest = set(words) - signs - widths - {"bit", "bits", "integer", "int", "value", "number", "big", "endian", "register"}
    if len(signs) == len(widths) == 1 and not rest:
        return f"{'u' if 'unsigned' in signs else ''}int{next(iter(widths))}"
    return plain


_NUMBER = r"[+-]?\d+(?:[.,]\d+)?(?:[eE][+-]?\d+)?"


def scale_of(text: str) -> tuple[float, str]:
    """Return what a raw number is multiplied by, and the unit when it stands there too; ValueError when it can be read in two ways.

    >>> scale_of("0.1 A"), scale_of("0,01"), scale_of("/10"), scale_of("1/100 V"), scale_of("10^-1")
    ((0.1, 'A'), (0.01, ''), (0.1, ''), (0.01, 'V'), (0.1, ''))
    """
    plain = text.strip()
    if match := re.fullmatch(r"10\^([+-]?\d)\s*(.*)", plain):
        return 10.0 ** int(match[1]) if int(match[1]) >= 0 else 1 / 10.0 ** -int(match[1]), match[2].strip()
    if match := re.fullmatch(r"(?:1\s*)?(?:/|:|÷)\s*(\d+)\s*(.*)", plain):
        if int(match[1]) == 0:
            raise ValueError(f"{text}: nothing can be divided by 0")
        return 1 / int(match[1]), match[2].strip()
    if match := re.fullmatch(r"[xX×*]\s*(0[.,]\d+)\s*(.*)", plain):
        # Nobody multiplies by less than one before sending: it is what the reader has to do.
        return float(match[1].replace(",", ".")), match[2].strip()
    if re.fullmatch(r"[xX×*]\s*\d+(?:[.,]\d+)?.*|.*[xX×*]\s*\d+", plain):
        raise ValueError(f"{text}: is the raw number multiplied, or is it already? write the value of one count, such as 0.1 A")
    if match := re.fullmatch(rf"({_NUMBER})\s*(.*)", plain):
        number = float(match[1].replace(",", "."))
        if number == 0:
            raise ValueError(f"{text}: a scale of 0 makes every value 0")
        return number, match[2].strip()
    raise ValueError(f"{text} is no scale: write the value of one count, such as 0.1")


def unit_of(text: str) -> tuple[float, str]:
    """Return a unit, and the scale when it stands before it, as in `0.1 A`.

    >>> unit_of("0.1A"), unit_of("°C"), unit_of("-")
    ((0.1, 'A'), (1.0, 'degC'), (1.0, ''))
    """
    if text.strip().lower() in _UNITS:
        return 1.0, _UNITS[text.strip().lower()]
    if re.fullmatch(r".*\S\s*[xX×*]\s*1?0+", text.strip()):
        raise ValueError(f"{text}: is the raw number multiplied, or is it already? write the value of one count, such as 0.1 A")
    plain = text.strip().strip("[]()").strip()
    if plain in ("", "-", "--", "n/a", "none", "."):
        return 1.0, ""
    if plain[0].isdigit():
        scale, unit = scale_of(plain)
        return scale, _UNITS.get(unit.lower(), unit)
    return 1.0, _UNITS.get(plain.lower(), plain)


_UNITS = {
    "°c": "degC",
    "deg c": "degC",
    "degc": "degC",
    "celsius": "degC",
    "amp": "A",
    "amps": "A",
    "ampere": "A",
    "volt": "V",
    "volts": "V",
    "percent": "%",
    "pct": "%",
    "sec": "s",
    "seconds": "s",
    "hours": "h",
    "hrs": "h",
    "hr": "h",
    "1/min": "rpm",
    "min-1": "rpm",
    "r/min": "rpm",
    "hz": "Hz",
    "kw": "kW",
    "a": "A",
    "v": "V",
}


def texts_of(text: str) -> dict[int, str]:
    """Return the codes and texts of a list such as `0=none; 3: phase loss`; ValueError when it is none.

    >>> texts_of("0=none; 3: phase loss, 7 - overload")
    {0: 'none', 3: 'phase loss', 7: 'overload'}
    """
    texts: dict[int, str] = {}
    for part in re.split(r"[;,\n|]", text):
        match = re.fullmatch(r"\s*(\d{1,5})\s*[=:\-\u2013]\s*(.+?)\s*", part)
        if match is None:
            if part.strip():
                raise ValueError(f"{part.strip()[:40]}: write the values as 0=none; 3=phase loss")
            continue
        texts[int(match[1])] = match[2]
    return texts
