"""A user's YAML file as a tree of texts that know their line, read from parser events alone: no object is ever constructed.

Refused, because a file written by hand needs none of them and each is a known way to harm a reader: aliases, anchors, tags, merge
keys, directives for tags, several documents, more than 256 kB, more than 20 levels, more than 20 000 nodes, keys given twice. The
events of a file are taken one at a time without recursion: a bomb or a deep nest ends at the limit, not in the memory or on the stack.
Scalars stay text (`00013`, `12:30`, `on` and `1_000` mean what the reader of the field says, not what YAML 1.1 says).
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import yaml

from gateway.registers.findings import Findings

LARGEST_BYTES = 256 * 1024
DEEPEST_LEVEL = 20
MOST_NODES = 20_000


@dataclass(frozen=True, slots=True)
class YamlText:
    """One scalar as written; `quoted` tells an empty value from an empty text."""

    text: str
    line: int
    quoted: bool = False

    @property
    def is_empty(self) -> bool:
        """True when nothing was given: no text, `~` or `null`."""
        return not self.quoted and self.text in ("", "~", "null", "Null", "NULL")


@dataclass(frozen=True, slots=True)
class YamlList:
    """A list of nodes."""

    items: tuple[YamlNode, ...]
    line: int


@dataclass(frozen=True, slots=True)
class YamlMap:
    """Named nodes; `lines` holds the line of each name."""

    entries: Mapping[str, YamlNode]
    lines: Mapping[str, int]
    line: int


YamlNode = YamlText | YamlList | YamlMap


@dataclass(slots=True)
class _OpenList:
    line: int
    items: list[YamlNode] = dataclasses.field(default_factory=list)


@dataclass(slots=True)
class _OpenMap:
    line: int
    entries: dict[str, YamlNode] = dataclasses.field(default_factory=dict)
    lines: dict[str, int] = dataclasses.field(default_factory=dict)
    key: YamlText | None = None


class _RefusedError(Exception):
    """The file cannot be read further; why is already among the findings."""


def read_tree(path: Path, findings: Findings) -> YamlMap | None:
    """Return the file's top mapping, None when it cannot be read as one; every reason goes to `findings`."""
    text = _read_text(path, findings)
    return None if text is None else parse_tree(text, findings)


def parse_tree(text: str, findings: Findings) -> YamlMap | None:
    """Return the top mapping of a YAML text, None when it is not one.

    >>> tree = parse_tree("map: pump-soft-start\\nlargest_block: 60", Findings("a.yaml"))
    >>> tree.entries["largest_block"]
    YamlText(text='60', line=2, quoted=False)
    """
    if len(text.encode("utf-8", errors="replace")) > LARGEST_BYTES:
        findings.add(line=None, found="more than 256 kB", allowed="up to 256 kB", message="the file is too large: split it")
        return None
    try:
        top = _build(_events(text, findings), findings)
    except _RefusedError:
        return None
    if isinstance(top, YamlMap):
        return top
    if top is None or (isinstance(top, YamlText) and top.is_empty):
        findings.add(line=1, message="the file is empty", allowed="names with values, such as `map: my-starter`")
    else:
        findings.add(line=top.line, message="the file must consist of names with values, such as `map: my-starter`")
    return None


def _read_text(path: Path, findings: Findings) -> str | None:
    try:
        if path.is_dir():
            findings.add(line=None, message="this is a folder, not a file: name the file in it")
            return None
        if path.exists() and not path.is_file():
            findings.add(line=None, message="this is a device or a pipe, not a file")
            return None
        with path.open("rb") as stream:
            data = stream.read(LARGEST_BYTES + 1)
    except FileNotFoundError:
        findings.add(line=None, message="there is no such file: check the name and the folder")
        return None
    except (OSError, ValueError) as error:
        reason = (error.strerror if isinstance(error, OSError) else None) or str(error)
        findings.add(line=None, message=f"the file cannot be read ({reason}): check its name and its permissions")
        return None
    if len(data) > LARGEST_BYTES:
        findings.add(line=None, found="more than 256 kB", allowed="up to 256 kB", message="the file is too large: split it")
        return None
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        findings.add(line=line, found=f"byte 0x{data[error.start]:02X}", message="the file is not UTF-8 text: save it as UTF-8")
        return None


def _events(text: str, findings: Findings) -> Iterator[yaml.Event]:
    try:
        yield from yaml.parse(text, Loader=yaml.SafeLoader)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        reason = ", ".join(part for part in (error.context, error.problem) if part)
        hint = ": indent with spaces, not tabs" if "'\\t'" in reason else ""
        findings.add(line=None if mark is None else mark.line + 1, message=f"this is not YAML ({reason}){hint}")
        raise _RefusedError from None
    except yaml.reader.ReaderError as error:
        line = text[: error.position].count("\n") + 1
        findings.add(line=line, found=f"character 0x{error.character:04X}", message="a control character stands here: remove it")
        raise _RefusedError from None
    except (ValueError, OverflowError) as error:
        # The scanner turns escapes such as "\UFFFFFFFF" into letters without a guard of its own.
        findings.add(line=None, message=f"this is not YAML ({error})")
        raise _RefusedError from None


def _build(events: Iterator[yaml.Event], findings: Findings) -> YamlNode | None:
    stack: list[_OpenList | _OpenMap] = []
    top: YamlNode | None = None
    nodes = documents = 0
    for event in events:
        line = 1 if event.start_mark is None else event.start_mark.line + 1
        if isinstance(event, yaml.DocumentStartEvent):
            documents += 1
            _check_document(event, documents, line, findings)
        elif isinstance(event, yaml.AliasEvent):
            findings.add(line=line, found=f"*{event.anchor}", message="aliases are not allowed: write the value out")
            top = _attach(stack, YamlText("", line), findings) or top
        elif isinstance(event, yaml.NodeEvent):
            nodes += 1
            _check_size(nodes, len(stack), line, findings)
            _check_plain(event, line, findings)
            if isinstance(event, yaml.ScalarEvent):
                top = _attach(stack, YamlText(event.value, line, event.style is not None), findings) or top
            else:
                stack.append(_OpenMap(line) if isinstance(event, yaml.MappingStartEvent) else _OpenList(line))
        elif isinstance(event, yaml.CollectionEndEvent):
            top = _attach(stack, _closed(stack.pop()), findings) or top
    return top


def _check_document(event: yaml.DocumentStartEvent, documents: int, line: int, findings: Findings) -> None:
    if event.tags:
        findings.add(line=line, found="%TAG", message="tags are not allowed: remove the directive")
    if documents > 1:
        findings.add(line=line, found="---", message="the file holds several documents: keep one")
        raise _RefusedError


def _check_size(nodes: int, depth: int, line: int, findings: Findings) -> None:
    if nodes > MOST_NODES:
        findings.add(line=line, found=f"more than {MOST_NODES} values", message="the file is too large: split it")
        raise _RefusedError
    if depth > DEEPEST_LEVEL:
        findings.add(line=line, found=f"more than {DEEPEST_LEVEL} levels", message="the file is nested too deep")
        raise _RefusedError


def _check_plain(event: yaml.NodeEvent, line: int, findings: Findings) -> None:
    if event.anchor is not None:
        findings.add(line=line, found=f"&{event.anchor}", message="anchors are not allowed: write the value out where it is needed")
    tag = getattr(event, "tag", None)
    if tag is not None:
        findings.add(line=line, found=f"the tag {tag}", message="tags are not allowed: write the value alone")


def _closed(opened: _OpenList | _OpenMap) -> YamlNode:
    if isinstance(opened, _OpenList):
        return YamlList(tuple(opened.items), opened.line)
    return YamlMap(opened.entries, opened.lines, opened.line)


def _attach(stack: list[_OpenList | _OpenMap], node: YamlNode, findings: Findings) -> YamlNode | None:
    """Put a finished node where it belongs; return it when it is the top of the file."""
    if not stack:
        return node
    holder = stack[-1]
    if isinstance(holder, _OpenList):
        holder.items.append(node)
    elif holder.key is None:
        holder.key = _key_of(node, findings)
    else:
        key, holder.key = holder.key, None
        if not key.text:
            return None
        if key.text in holder.entries:
            first = holder.lines[key.text]
            path = ".".join(each.key.text for each in stack if isinstance(each, _OpenMap) and each.key is not None)
            field = f"{path}.{key.text}" if path else key.text
            findings.add(line=key.line, field=field, found=f"{key.text} again", message=f"this name is already given on line {first}")
        elif key.text == "<<" and not key.quoted:
            findings.add(line=key.line, found="<<", message="merge keys are not allowed: write the values out")
        else:
            holder.entries[key.text] = node
            holder.lines[key.text] = key.line
    return None


def _key_of(node: YamlNode, findings: Findings) -> YamlText:
    """Return the name of an entry; a name that is none is a finding and comes back empty, so that its value is passed over."""
    if isinstance(node, YamlText) and not node.is_empty and node.text:
        return node
    findings.add(line=node.line, message="a name must be a plain text before the colon")
    return YamlText("", node.line)
