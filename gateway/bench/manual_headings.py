"""The heading row of a manual's register list: which column is which, in English or German, over one row or two."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence

COLUMNS: Mapping[str, tuple[str, ...]] = {
    "name": ("name", "signal", "parameter", "description", "register name", "variable", "tag", "bezeichnung", "beschreibung", "benennung"),
    "address": (
        *("address", "register", "reg", "addr", "modbus address", "register number", "register address", "offset"),
        *("adresse", "registeradresse", "adr", "register no", "register nr"),
    ),
    "table": ("table", "function", "function code", "fc", "register type", "object type", "funktionscode", "registertyp"),
    "type": ("type", "format", "data type", "datatype", "data format", "typ", "datentyp", "datenformat"),
    "bit": ("bit", "bit number", "bits", "bit no"),
    "scale": ("scale", "factor", "resolution", "multiplier", "scaling", "gain", "faktor", "auflosung", "skalierung", "multiplikator"),
    "unit": ("unit", "units", "eng unit", "einheit"),
    "low": ("min", "low", "minimum"),
    "high": ("max", "high", "maximum"),
    "range": ("range", "value range", "wertebereich", "bereich"),
    "values": ("values", "texts", "enumeration", "codes", "meaning of values", "value list", "werte"),
    "role": ("role",),
}
"""Our columns and the headings that are taken for them, whatever their case; other columns are left alone."""

_WORDS = {
    "address": ("address", "addr", "adresse", "adr"),
    "name": ("name", "description", "parameter", "signal", "bezeichnung", "beschreibung"),
    "type": ("datatype", "type", "format", "datentyp", "typ"),
    "scale": ("scale", "scaling", "resolution", "factor", "multiplier", "faktor", "auflosung", "skalierung"),
    "unit": ("unit", "units", "einheit"),
}
"""Words that tell a column in a longer heading, such as the hexadecimal address."""


def find_headings(rows: Sequence[Sequence[str]]) -> tuple[int, dict[str, int], list[str]] | None:
    """Return the last row of the heading, the place of each of our columns and their headings; None without name and address.

    Where a spreadsheet had merged cells the heading stands in two rows, one word above the other.

    >>> find_headings([["Modbus", ""], ["Address", "Name"]])
    (1, {'name': 1, 'address': 0}, ['Address', 'Name'])
    """
    for index, row in enumerate(rows[:40]):
        for headings in (list(row), _joined(rows[index - 1], row) if index else []):
            columns = columns_of(headings)
            if {"name", "address"} <= set(columns):
                return index, columns, headings
    return None


def _joined(above: Sequence[str], below: Sequence[str]) -> list[str]:
    width = max(len(above), len(below))
    padded = [[*row, *[""] * (width - len(row))] for row in (above, below)]
    return [f"{upper.strip()} {lower.strip()}".strip() for upper, lower in zip(*padded, strict=True)]


def columns_of(headings: Sequence[str]) -> dict[str, int]:
    """Return the place of each of our columns: whole headings first, then those that hold a telling word.

    >>> columns_of(["Tag", "PLC Address", "Eng. Units"])
    {'name': 0, 'address': 1, 'unit': 2}
    """
    plain = [plain_words(heading) for heading in headings]
    found: dict[str, int] = {}
    for key, names in COLUMNS.items():
        place = next((at for at, heading in enumerate(plain) if heading in names), None)
        if place is not None:
            found[key] = place
    for key, words in _WORDS.items():
        free = [at for at in range(len(plain)) if at not in found.values()]
        place = next((at for at in free if set(words) & set(plain[at].split())), None)
        if key not in found and place is not None:
            found[key] = place
    return found


def plain_words(text: str) -> str:
    """Return a heading or a name in small letters without accents and marks.

    >>> plain_words("Auflösung (Wert)")
    'auflosung wert'
    """
    bare = "".join(letter for letter in unicodedata.normalize("NFKD", text.lower()) if not unicodedata.combining(letter))
    return " ".join(re.sub(r"[^a-z0-9]+", " ", bare.replace("ß", "ss")).split())
