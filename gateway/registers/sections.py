"""One mapping of a user's file, read field by field: every method returns the value, or None when it is absent or wrong, and notes why."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from enum import StrEnum
from typing import TypeVar

from gateway.registers.findings import Findings, nearest
from gateway.registers.quantities import EXAMPLES, parse_number, parse_quantity, parse_ratio, parse_whole
from gateway.registers.yaml_tree import YamlList, YamlMap, YamlNode, YamlText

_FLAGS = {"true": True, "yes": True, "on": True, "false": False, "no": False, "off": False}

Choice = TypeVar("Choice", bound=StrEnum)


class Section:
    """A mapping with its dotted path, and where its mistakes go."""

    def __init__(self, node: YamlMap, path: str, findings: Findings) -> None:
        self.node = node
        self.path = path
        self.findings = findings

    @property
    def line(self) -> int:
        """Line on which the mapping begins."""
        return self.node.line

    def line_of(self, key: str) -> int:
        """Line of one entry, of the section when it has none."""
        return self.node.lines.get(key, self.node.line)

    def __contains__(self, key: str) -> bool:
        return key in self.node.entries

    def names(self) -> tuple[str, ...]:
        """The names given, in the order of the file."""
        return tuple(self.node.entries)

    def field(self, key: str) -> str:
        """Return the dotted path of an entry."""
        return f"{self.path}.{key}" if self.path else key

    def refuse(self, key: str, message: str, *, found: str | None = None, allowed: str = "") -> None:
        """Note a mistake at an entry; what was found is its text unless said otherwise."""
        node = self.node.entries.get(key)
        line = self.line_of(key) if node is None or not isinstance(node, YamlText) else node.line
        shown = node.text if found is None and isinstance(node, YamlText) else found or ""
        self.findings.add(line=line, field=self.field(key), found=shown, allowed=allowed, message=message)

    def allow(self, known: Iterable[str], elsewhere: Mapping[str, str] | None = None) -> None:
        """Note every name that is not known here, with the nearest one that is; `elsewhere` says why some names do not belong here."""
        names = tuple(known)
        for key in self.node.entries:
            if key in names:
                continue
            reason = (elsewhere or {}).get(key)
            hint = reason or nearest(key, names)
            message = f"`{key}` is not known here" + (f": {hint}" if hint else "")
            self.refuse(key, message, found=key, allowed=", ".join(names))

    def require(self, key: str, example: str) -> None:
        """Note that an entry is missing."""
        message = f"`{key}` is missing: add it, for example `{key}: {example}`"
        self.findings.add(line=self.line, field=self.field(key), allowed=example, message=message)

    def leaf(self, key: str) -> YamlText | None:
        """Return an entry that is one value and not empty."""
        node = self.node.entries.get(key)
        if node is None:
            return None
        if not isinstance(node, YamlText):
            self.refuse(key, "one value is needed here", found="a list" if isinstance(node, YamlList) else "a mapping")
            return None
        if node.is_empty:
            self.refuse(key, "the value is missing: give one or remove the line", found="nothing")
            return None
        return node

    def text(self, key: str, longest: int = 200) -> str | None:
        """Return a text of one line."""
        node = self.leaf(key)
        if node is None:
            return None
        text = node.text.strip()
        if not text or len(text) > longest or not text.isprintable():
            self.refuse(key, f"a text of one line and 1 to {longest} characters is needed here")
            return None
        return text

    def choice(self, key: str, kinds: type[Choice]) -> Choice | None:
        """Return one of a fixed set of words."""
        node = self.leaf(key)
        if node is None:
            return None
        words = {kind.value: kind for kind in kinds}
        word = node.text.strip().lower().replace(" ", "_").replace("-", "_")
        if word in words:
            return words[word]
        hint = nearest(word, words)
        self.refuse(key, f"this word is not known here{': ' + hint if hint else ''}", allowed=", ".join(words))
        return None

    def flag(self, key: str) -> bool | None:
        """Return yes or no."""
        node = self.leaf(key)
        if node is None:
            return None
        if node.text.strip().lower() in _FLAGS:
            return _FLAGS[node.text.strip().lower()]
        self.refuse(key, "yes or no is needed here", allowed="yes, no")
        return None

    def whole(self, key: str, low: int, high: int) -> int | None:
        """Return a whole number from `low` to `high`."""
        node = self.leaf(key)
        if node is None:
            return None
        allowed = f"a whole number from {low} to {high}"
        try:
            number = parse_whole(node.text)
        except ValueError as error:
            self.refuse(key, f"{error}: {allowed} is needed here", allowed=allowed)
            return None
        if low <= number <= high:
            return number
        self.refuse(key, "the number is out of range", allowed=allowed)
        return None

    def number(self, key: str, low: float = -math.inf, high: float = math.inf, *, above: float | None = None) -> float | None:
        """Return a plain number from `low` to `high`, greater than `above`."""
        return self._bounded(key, "", low, high, above)

    def quantity(self, key: str, unit: str, low: float = -math.inf, high: float = math.inf, *, above: float | None = None) -> float | None:
        """Return a number with a unit, converted to `unit`, from `low` to `high`, greater than `above`."""
        return self._bounded(key, unit, low, high, above)

    def ratio(self, key: str, low: float, high: float, example: str = "7 x FLC or 700 %") -> float | None:
        """Return a ratio written as a multiple, in percent or as a bare number, from `low` to `high`."""
        node = self.leaf(key)
        if node is None:
            return None
        try:
            ratio = parse_ratio(node.text)
        except ValueError as error:
            self.refuse(key, f"{error}: write it as {example}", allowed=example)
            return None
        if low <= ratio <= high:
            return ratio
        self.refuse(key, f"the ratio is out of range: written as {example}, a bare number is a multiple", allowed=f"{low:g} to {high:g} x")
        return None

    def section(self, key: str) -> Section | None:
        """Return an entry that is a mapping."""
        node = self.node.entries.get(key)
        if node is None:
            return None
        if isinstance(node, YamlMap):
            return Section(node, self.field(key), self.findings)
        self.refuse(key, "names with values are needed here, such as `{name: value}`", found=_shape(node))
        return None

    def items(self, key: str) -> tuple[YamlNode, ...] | None:
        """Return the items of a list; one value alone is a list of one."""
        node = self.node.entries.get(key)
        if node is None:
            return None
        if isinstance(node, YamlList):
            return node.items
        if isinstance(node, YamlText) and not node.is_empty:
            return (node,)
        self.refuse(key, "a list is needed here, such as `[a, b]`", found=_shape(node))
        return None

    def texts(self, key: str) -> tuple[YamlText, ...] | None:
        """Return the items of a list of single values; other items are noted and left out."""
        items = self.items(key)
        if items is None:
            return None
        kept = tuple(item for item in items if isinstance(item, YamlText) and not item.is_empty)
        if len(kept) != len(items):
            self.refuse(key, "every item must be one value", found="a list or a mapping inside the list, or an empty item")
        return kept

    def _bounded(self, key: str, unit: str, low: float, high: float, above: float | None) -> float | None:
        node = self.leaf(key)
        if node is None:
            return None
        try:
            number = parse_quantity(node.text, unit) if unit else parse_number(node.text)
        except ValueError as error:
            example = EXAMPLES.get(unit, f"a number with a unit of {unit}" if unit else "a plain number without a unit")
            self.refuse(key, f"{error}: write it as {example}" if unit else f"{error}: {example} is needed here", allowed=example)
            return None
        if low <= number <= high and (above is None or number > above):
            return number
        self.refuse(key, "the value is out of range", allowed=_range(unit, low, high, above))
        return None


def _shape(node: YamlNode) -> str:
    if isinstance(node, YamlText):
        return "nothing" if node.is_empty else node.text
    return "a list" if isinstance(node, YamlList) else "a mapping"


def _range(unit: str, low: float, high: float, above: float | None) -> str:
    parts = []
    if above is not None:
        parts.append(f"more than {above:g}")
    elif low > -math.inf:
        parts.append(f"at least {low:g}")
    if high < math.inf:
        parts.append(f"at most {high:g}")
    return (" and ".join(parts) + f" {unit}").strip()
