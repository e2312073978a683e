"""The fields that a signal has on every wire: role, unit, scale, texts, what can be true and what means "not available"."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from gateway.registers.model import SignalPace
from gateway.registers.quantities import parse_number, parse_whole, unit_factor
from gateway.registers.roles import ROLES, Role, RoleKind
from gateway.registers.sections import Section
from gateway.registers.yaml_tree import YamlText

COMMON_FIELDS = ("role", "about", "scale", "offset", "unit", "plausible", "texts", "no_value", "wraps_at", "pace")
"""Fields that every signal may have; `about` is a note of the author."""

_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_]{0,59}")
_SMALLEST_SCALE, _LARGEST_SCALE = 1e-12, 1e12


@dataclass(frozen=True, slots=True, kw_only=True)
class CommonFields:
    """The fields of `COMMON_FIELDS` as read."""

    key: str
    role: str | None
    scale: float
    offset: float
    unit: str
    to_role_unit: float
    plausible: tuple[float, float] | None
    texts: Mapping[int, str]
    wraps_at: int | None
    pace: SignalPace

    @property
    def meaning(self) -> Role | None:
        """The role itself, None where the signal has none."""
        return None if self.role is None else ROLES[self.role]


def read_common(section: Section, name: str) -> CommonFields:
    """Read the fields that every signal may have; mistakes go to the section's findings."""
    if not _NAME.fullmatch(name):
        message = "a signal name must be one plain word of letters, digits and _"
        section.findings.add(line=section.line, field=section.path, found=name, message=message)
    role = _role(section, name)
    meaning = None if role is None else ROLES[role]
    unit, factor = _unit(section, meaning)
    scale = section.number("scale", -_LARGEST_SCALE, _LARGEST_SCALE)
    if scale is not None and abs(scale) < _SMALLEST_SCALE:
        section.refuse("scale", "a scale this small makes every value 0", allowed=f"{_SMALLEST_SCALE:g} to {_LARGEST_SCALE:g}")
    offset = section.number("offset", -_LARGEST_SCALE, _LARGEST_SCALE)
    common = CommonFields(
        key=role or name,
        role=role,
        scale=scale or 1.0,
        offset=offset or 0.0,
        unit=unit,
        to_role_unit=factor,
        plausible=_plausible(section),
        texts=_texts(section),
        wraps_at=section.whole("wraps_at", 1, 2**64),
        pace=section.choice("pace", SignalPace) or SignalPace.NORMAL,
    )
    _check_against_role(section, common)
    return common


def read_no_value(section: Section) -> tuple[YamlText, ...]:
    """Return the items of `no_value`, each with its line."""
    return section.texts("no_value") or ()


def whole_numbers(section: Section, key: str, items: tuple[YamlText, ...]) -> tuple[tuple[YamlText, int], ...]:
    """Return each text with the whole number it holds; those that hold none are noted and left out."""
    numbers = []
    for item in items:
        try:
            numbers.append((item, parse_whole(item.text)))
        except ValueError as error:
            section.refuse(key, f"{error}: whole numbers are needed here", found=item.text, allowed="whole numbers such as 65535 or 0xFFFF")
    return tuple(numbers)


def _role(section: Section, name: str) -> str | None:
    given = section.text("role")
    if given is None:
        return name if name in ROLES else None
    if given in ROLES:
        return given
    section.refuse("role", "this role is not known", allowed=", ".join(ROLES))
    return None


def _unit(section: Section, meaning: Role | None) -> tuple[str, float]:
    unit = section.text("unit", longest=20)
    if meaning is None:
        return unit or "", 1.0
    if unit is None:
        if meaning.unit and "unit" not in section:
            section.require("unit", meaning.unit)
        return "", 1.0
    if meaning.kind is not RoleKind.NUMBER:
        section.refuse("unit", f"a {meaning.kind.value} has no unit: remove it")
        return "", 1.0
    try:
        return unit, unit_factor(unit, meaning.unit)
    except ValueError as error:
        wanted = meaning.unit or "no unit or %"
        section.refuse("unit", f"{error}: this role is measured in {wanted}", allowed=f"{wanted} or a multiple of it")
        return "", 1.0


def _plausible(section: Section) -> tuple[float, float] | None:
    items = section.texts("plausible")
    if items is None:
        return None
    example = "two numbers in the signal's unit, such as [0, 800]"
    try:
        edges = [parse_number(item.text) for item in items]
    except ValueError as error:
        section.refuse("plausible", f"{error}: {example} are needed here", found=", ".join(item.text for item in items), allowed=example)
        return None
    if len(edges) != 2 or edges[0] >= edges[1]:
        reversed_range = len(edges) == 2 and edges[0] > edges[1]
        message = "the range is reversed: the lower number comes first" if reversed_range else "the lowest and the highest value are needed"
        section.refuse("plausible", message, found=f"[{', '.join(item.text for item in items)}]", allowed=example)
        return None
    return edges[0], edges[1]


def _texts(section: Section) -> Mapping[int, str]:
    inner = section.section("texts")
    texts: dict[int, str] = {}
    for key in inner.names() if inner is not None else ():
        text = inner.text(key, longest=80) if inner is not None else None
        try:
            code = parse_whole(key)
        except ValueError:
            section.findings.add(
                line=section.line_of("texts") if inner is None else inner.line_of(key),
                field=f"{section.field('texts')}.{key}",
                found=key,
                allowed="a whole number and its text, such as {3: phase loss}",
                message="a code must be a whole number",
            )
            continue
        if code in texts and inner is not None:
            inner.refuse(key, f"code {code} is given twice", found=key)
        elif text is not None:
            texts[code] = text
    return MappingProxyType(texts)


def _check_against_role(section: Section, common: CommonFields) -> None:
    meaning = common.meaning
    scaled = common.scale != 1 or common.offset != 0
    if common.texts and scaled:
        section.refuse("texts", "a code with texts cannot be scaled: remove scale and offset", found="texts with scale or offset")
    if meaning is None:
        return
    if meaning.kind in (RoleKind.FLAG, RoleKind.CODE, RoleKind.COUNTER) and scaled:
        key = "scale" if common.scale != 1 else "offset"
        section.refuse(key, f"a {meaning.kind.value} cannot be scaled: remove it")
    if common.wraps_at is not None and meaning.kind is not RoleKind.COUNTER:
        section.refuse("wraps_at", f"only a counter wraps, and {common.role} is a {meaning.kind.value}: remove it")
